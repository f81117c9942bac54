"""What the boards have to show at each instant, from what happens on the field and the rules."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from controller.rules import events
from tests.scenarios.keeper_errors.field import Happening, What
from tests.shared.frames import MS_NS
from tests.shared.published import Book
from tests.shared.truth import Step, Truth

SIGNAL_NS: Final = 200 * MS_NS
"""What a keeper says with two taps takes so long; until then nobody can show it."""
HOLD_NS: Final = 800 * MS_NS
"""What is said by holding a key down takes so long."""
AGAIN_NS: Final = 2_200 * MS_NS
"""A field goal is a score told again, so much later."""
TWO_TAPS: Final = frozenset({"foul_defense", "injury_defense", "official_timeout"})


def signal_ns(happening: Happening) -> int:
    """How long it takes until all is told that decides the number."""
    if "touchdown" in happening.endings:
        return HOLD_NS + (SIGNAL_NS if "foul" in happening.endings else 0)
    if "field_goal" in happening.endings:
        return AGAIN_NS + HOLD_NS
    twice = happening.what is What.PUMP or happening.endings & TWO_TAPS
    return SIGNAL_NS if twice else 0


def orders(happening: Happening) -> Iterator[events.Event]:
    """What somebody would order who knew all of it at once."""
    match happening.what:
        case What.READY:
            yield events.Ready()
        case What.SNAP:
            yield events.Snap()
        case What.PUMP:
            yield events.RunNumber(events.Number.ADMINISTRATIVE)
        case What.PERIOD_OVER:
            yield events.NoCount(period_over=True)
        case What.PREPARE | What.PENALTY_OVER:
            yield events.HoldNumber(events.Number.ADMINISTRATIVE)
        case What.DEAD | What.STOPPAGE | What.TOLD:
            yield from (events.PlayEnded(each) for each in sorted(happening.endings))


def truth_of(happenings: Iterable[Happening], book: Book) -> list[Step]:
    """The steps of a whole game."""
    truth = Truth(book)
    truth.undefine(0, 0)
    for happening in happenings:
        at = happening.at + signal_ns(happening)
        if at > happening.at:
            truth.undefine(happening.at, at)
        for event in orders(happening):
            truth.order(events.Order(event, at))
        if happening.what is What.PERIOD_OVER:
            truth.undefine(at, at)
    return truth.steps
