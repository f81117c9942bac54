"""Which presses of two people contradict each other; the pairs are typed in from the design."""

from __future__ import annotations

import itertools

import pytest

from controller.rules import events
from controller.rules.precedence import conflicts
from tests.controller.rules.crew import (
    DEAD_BALL,
    HOLD_25,
    HOLD_40,
    READY,
    RUN_25,
    RUN_40,
    SNAP,
    STOP,
    ending,
)

DRIVING: list[events.Event] = [
    DEAD_BALL,
    ending("foul"),
    HOLD_25,
    HOLD_40,
    RUN_25,
    RUN_40,
    READY,
    SNAP,
    STOP,
    events.NoCount(),
]
NEVER: list[events.Event] = [
    events.SetCount(12),
    events.Undo(),
    events.ToggleBoards(),
    events.BoardsFault("x"),
    events.MarkMoment(),
]
FOLLOW: list[tuple[events.Event, events.Event]] = [
    (READY, SNAP),
    (HOLD_25, READY),
    (HOLD_40, READY),
    (RUN_25, SNAP),
    (RUN_40, SNAP),
    (SNAP, DEAD_BALL),
    (SNAP, ending("foul")),
    (DEAD_BALL, ending("foul")),
    (ending("foul"), DEAD_BALL),
]


@pytest.mark.parametrize(("first", "second"), list(itertools.product(DRIVING, DRIVING)))
def test_driving_presses(first: events.Event, second: events.Event) -> None:
    assert conflicts(first, second) == (first != second and (first, second) not in FOLLOW)


@pytest.mark.parametrize("other", NEVER)
def test_the_rest_never_contradicts(other: events.Event) -> None:
    assert not any(conflicts(each, other) or conflicts(other, each) for each in DRIVING)
