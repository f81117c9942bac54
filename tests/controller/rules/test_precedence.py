"""Which presses of two people contradict each other; the pairs are typed in from the design."""

from __future__ import annotations

import itertools

import pytest

from controller.rules.events import (
    BoardsFault,
    Event,
    MarkMoment,
    NoCount,
    SetCount,
    ToggleBoards,
    Undo,
)
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

DRIVING: list[Event] = [
    DEAD_BALL,
    ending("foul"),
    HOLD_25,
    HOLD_40,
    RUN_25,
    RUN_40,
    READY,
    SNAP,
    STOP,
    NoCount(),
]
NEVER: list[Event] = [SetCount(12), Undo(), ToggleBoards(), BoardsFault("x"), MarkMoment()]
FOLLOW: list[tuple[Event, Event]] = [
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
def test_driving_presses(first: Event, second: Event) -> None:
    assert conflicts(first, second) == (first != second and (first, second) not in FOLLOW)


@pytest.mark.parametrize("other", NEVER)
def test_the_rest_never_contradicts(other: Event) -> None:
    assert not any(conflicts(each, other) or conflicts(other, each) for each in DRIVING)
