"""A keeper who knows the rules and errs: presses of a game, and the errors made in them.

The keeper does not look at the boards, so that an error is only mended where its kind says so; and
reacts at once, because a late hand costs the same with every setting. The rates are common
practice, no source.
"""

from __future__ import annotations

import enum
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from tests.scenarios.keeper_errors.field import Happening, What
from tests.scenarios.keeper_errors.truth import SIGNAL_NS, signal_ns
from tests.shared.frames import MS_NS
from tests.shared.published import RUNS_40, Book, of_the_down


class Kind(enum.Enum):
    """The kinds of error."""

    REPEATED = "the press repeated"
    EARLY_FLAG = "flag before the whistle"
    NO_SNAP = "snap forgotten"
    NO_READY = "ready forgotten"
    LATE_END = "end of play remembered late"
    NO_END = "end of play forgotten"
    WRONG_NUMBER = "wrong number, then the right"
    WRONG_STOPPAGE = "wrong stoppage, then DEAD BALL"


@dataclass(frozen=True)
class Rates:
    """The share of presses in which each error is made."""

    repeated: float = 0.05
    early_flag: float = 0.6
    """Of the flags: they fall before the whistle, and the thumb is quick."""
    no_snap: float = 0.05
    no_ready: float = 0.02
    no_end: float = 0.02
    late_end: float = 0.01
    wrong_number: float = 0.02
    wrong_stoppage: float = 0.005


NEVER = Rates(0, 0, 0, 0, 0, 0, 0, 0)
"""A keeper without error."""


class Press(NamedTuple):
    """A key goes down."""

    at: int
    key: str


class Error(NamedTuple):
    """The error is made at ``at``: the first wrong press, or the one left out."""

    at: int
    kind: Kind


OF_A_STOPPAGE: Final = {
    "charged_timeout": "TIME_OUT",
    "official_timeout": "TIME_OUT",
    "injury_offense": "INJURY",
    "injury_defense": "INJURY",
    "foul": "FLAG",
    "foul_defense": "FLAG",
    "foul_before_snap": "FLAG",
    "delay_of_game": "FLAG",
}
OF_A_PLAY: Final = {
    What.READY: "READY",
    What.SNAP: "SNAP",
    What.PUMP: "NUMBER_25",
    What.PREPARE: "NUMBER_25",
    What.PENALTY_OVER: "NUMBER_25",
    What.PERIOD_OVER: "NO_COUNT",
}


def right_key(happening: Happening, book: Book) -> str:
    """The key that tells it; twice where :func:`signal_ns` is not zero."""
    if happening.what in OF_A_PLAY:
        return OF_A_PLAY[happening.what]
    stopped = sorted(happening.endings & OF_A_STOPPAGE.keys())
    if stopped:
        return OF_A_STOPPAGE[stopped[0]]
    return "DEAD_BALL" if of_the_down(book, happening.endings) == RUNS_40 else "NUMBER_25"


class Keeper:
    """Keeps one game under ``book``."""

    def __init__(self, rng: random.Random, rates: Rates, book: Book) -> None:
        self._rng, self._rates, self._book = rng, rates, book
        self.presses: list[Press] = []
        self.errors: list[Error] = []

    def keep(self, happenings: Sequence[Happening]) -> None:
        """Press through a whole game."""
        for number, happening in enumerate(happenings):
            following = happenings[number + 1 : number + 2]
            self._until_at = following[0].at if following else happening.at
            self._sees(happening)
        self.presses.sort()
        self.errors.sort(key=lambda error: error.at)

    def _sees(self, happening: Happening) -> None:
        key = right_key(happening, self._book)
        at, rates = happening.at, self._rates
        if happening.what is What.SNAP and self._errs(rates.no_snap):
            self._made(at, Kind.NO_SNAP)
        elif happening.what is What.READY and self._errs(rates.no_ready):
            self._made(at, Kind.NO_READY)
        elif happening.flag_at is not None and self._errs(rates.early_flag):
            self._made(happening.flag_at, Kind.EARLY_FLAG)
            self._press(happening.flag_at, key, twice=signal_ns(happening) > 0)
            self._press(at, "DEAD_BALL")
            self._again(at, "DEAD_BALL")
        elif happening.what is What.DEAD and key in ("DEAD_BALL", "NUMBER_25"):
            self._end_of_play(at, key)
        else:
            self._surely(at, key, twice=signal_ns(happening) > 0)

    def _end_of_play(self, at: int, key: str) -> None:
        rates = self._rates
        if self._errs(rates.no_end):
            self._made(at, Kind.NO_END)
        elif self._errs(rates.late_end) and (late_at := self._after(at, 2, 6)) < self._until_at:
            self._made(at, Kind.LATE_END)
            self._surely(late_at, key)
        elif self._errs(rates.wrong_number):
            self._made(at, Kind.WRONG_NUMBER)
            self._press(at, "NUMBER_25" if key == "DEAD_BALL" else "DEAD_BALL")
            self._press(self._after(at, 0.3, 1.5), key)
        elif key == "DEAD_BALL" and self._errs(rates.wrong_stoppage):
            self._made(at, Kind.WRONG_STOPPAGE)
            self._press(at, self._rng.choice(("FLAG", "TIME_OUT", "INJURY")))
            self._press(self._after(at, 0.3, 1.5), key)
        else:
            self._surely(at, key)

    def _surely(self, at: int, key: str, *, twice: bool = False) -> None:
        """The right press, and perhaps once more, to be sure."""
        self._press(at, key, twice=twice)
        self._again(at, key, twice=twice)

    def _again(self, at: int, key: str, *, twice: bool = False) -> None:
        again_at = self._after(at, 1, 3)
        if self._errs(self._rates.repeated) and again_at < self._until_at:
            self._made(again_at, Kind.REPEATED)
            self._press(again_at, key, twice=twice)

    def _press(self, at: int, key: str, *, twice: bool = False) -> None:
        self.presses.append(Press(at, key))
        if twice:
            self.presses.append(Press(at + SIGNAL_NS, key))

    def _errs(self, share: float) -> bool:
        return self._rng.random() < share

    def _after(self, at: int, shortest_s: float, longest_s: float) -> int:
        return at + round(self._rng.uniform(shortest_s, longest_s) * 1000) * MS_NS

    def _made(self, at: int, kind: Kind) -> None:
        self.errors.append(Error(at, kind))
