"""What the boards have to show at each instant, from what happens on the field and the rules."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, NamedTuple

from tests.scenarios.keeper_errors.field import MS, Happening, S, What
from tests.scenarios.keeper_errors.published import (
    HELD_25,
    RESET_S,
    ROUTINE_S,
    Book,
    Count,
    of_the_down,
)

UNDEFINED: Final = -1
"""No rule says what to show: between periods, and while a signal is being given."""
SIGNAL_NS: Final = 200 * MS
"""What a keeper says with two taps takes so long; until then nobody can show it."""
TWO_TAPS: Final = frozenset({"foul_defense", "injury_defense", "official_timeout"})


class Step(NamedTuple):
    """From ``at`` on this ``numeral`` is shown; None is dark."""

    at: int
    numeral: int | None


def signal_ns(happening: Happening) -> int:
    """How long it takes until all is told that decides the number."""
    twice = happening.what is What.PUMP or happening.endings & TWO_TAPS
    return SIGNAL_NS if twice else 0


class Truth:
    """The boards of one game under ``book``, one happening after another."""

    def __init__(self, book: Book) -> None:
        self.steps = [Step(0, UNDEFINED)]
        self._book = book
        self._named: set[str] = set()
        self._count = Count(UNDEFINED, at_once=False)
        self._began_at: int | None = None

    def happens(self, happening: Happening) -> None:
        """Time passes to the happening, then it decides."""
        self._pass_time(happening.at)
        at = happening.at + signal_ns(happening)
        if at > happening.at:
            self._show(happening.at, UNDEFINED)
        match happening.what:
            case What.READY:
                self._named = set()
                self._run(at, self._count.seconds)
            case What.SNAP:
                self._named = set()
                self._hold(at, ROUTINE_S)
            case What.PUMP:
                self._run(at, RESET_S)
            case What.PERIOD_OVER:
                self._named = set()
                self._hold(at, UNDEFINED)
            case What.PREPARE | What.PENALTY_OVER:
                self._hold(at, HELD_25.seconds)
            case What.STOPPAGE if "delay_of_game" in happening.endings:
                pass  # zero stays until the penalty is completed (NCAA 3-4-2-a; NJFOA 3A)
            case What.DEAD | What.STOPPAGE:
                self._named |= happening.endings
                count = of_the_down(self._book, self._named)
                (self._run if count.at_once else self._hold)(at, count.seconds)

    def _show(self, at: int, numeral: int) -> None:
        self.steps.append(Step(at, numeral))

    def _hold(self, at: int, seconds: int) -> None:
        self._count, self._began_at = Count(seconds, at_once=False), None
        self._show(at, seconds)

    def _run(self, at: int, seconds: int) -> None:
        self._count, self._began_at = Count(seconds, at_once=True), at
        self._show(at, seconds)

    def _pass_time(self, to: int) -> None:
        """A running count falls by one a second, to zero at its end."""
        if self._began_at is None:
            return
        for gone in range(1, self._count.seconds + 1):
            at = self._began_at + gone * S
            if self.steps[-1].at < at < to:
                self._show(at, self._count.seconds - gone)


def truth_of(happenings: Iterable[Happening], book: Book) -> list[Step]:
    """The steps of a whole game."""
    truth = Truth(book)
    for happening in happenings:
        truth.happens(happening)
    return truth.steps
