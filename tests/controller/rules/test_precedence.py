"""Which presses of two people contradict each other; the pairs are typed in from the design."""

from __future__ import annotations

import itertools

import pytest

from controller.rules import events
from controller.rules.precedence import conflicts
from tests.controller.rules import orders

DRIVING: list[events.Event] = [
    orders.DEAD_BALL,
    orders.ending("foul"),
    orders.HOLD_25,
    orders.HOLD_40,
    orders.RUN_25,
    orders.RUN_40,
    orders.READY,
    orders.SNAP,
    orders.STOP,
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
    (orders.READY, orders.SNAP),
    (orders.HOLD_25, orders.READY),
    (orders.HOLD_40, orders.READY),
    (orders.RUN_25, orders.SNAP),
    (orders.RUN_40, orders.SNAP),
    (orders.SNAP, orders.DEAD_BALL),
    (orders.SNAP, orders.ending("foul")),
    (orders.DEAD_BALL, orders.ending("foul")),
    (orders.ending("foul"), orders.DEAD_BALL),
]


@pytest.mark.parametrize(("first", "second"), list(itertools.product(DRIVING, DRIVING)))
def test_driving_presses(first: events.Event, second: events.Event) -> None:
    assert conflicts(first, second) == (first != second and (first, second) not in FOLLOW)


@pytest.mark.parametrize("other", NEVER)
def test_the_rest_never_contradicts(other: events.Event) -> None:
    assert not any(conflicts(each, other) or conflicts(other, each) for each in DRIVING)
