"""A keeper who knows the rules and errs: presses of a game, and the errors made in them.

The keeper does not look at the boards, so that an error is only mended where its kind says so; and
reacts at once, because a late hand costs the same with every setting. The rates are common
practice, no source.
"""

from __future__ import annotations

import enum
import random
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final, NamedTuple

from tests.scenarios.keeper_errors.field import Happening, What
from tests.scenarios.keeper_errors.truth import AGAIN_NS, HOLD_NS, SIGNAL_NS, signal_ns
from tests.shared.frames import MS_NS
from tests.shared.published import RUNS_40, Book, of_the_down

PERIOD_HOLD_NS: Final = 1_000 * MS_NS
BY_WORD: Final = 0.3
"""The share of teams that are told on the console."""
ANSWERS_S: Final = (0.8, 2.0)
"""From the question whether the play has ended to the press."""


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
    LATE_TOLD = "team told after the ready"
    NO_TRY_START = "ready and snap of a try left out"
    PLAIN_SCORE = "score told as a bare 25"
    PLAIN_PERIOD = "end of a period told as no count"


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
    late_told: float = 0.15
    no_try_start: float = 0.2
    plain_score: float = 0.1
    plain_period: float = 0.3


NEVER = Rates(*(0 for _ in fields(Rates)))
"""A keeper without error."""


class Press(NamedTuple):
    """A key goes down, or with ``held`` has been down for its hold time. ``word`` is an ending
    typed on the console instead."""

    at: int
    key: str
    held: bool = False
    word: str = ""


class Forgotten(NamedTuple):
    """An end of play that nobody told. Asked at ``until_at`` or before whether the play has ended,
    the keeper tells it ``after_ns`` later with ``presses``, which are dated from the first."""

    at: int
    until_at: int
    after_ns: int
    presses: tuple[Press, ...]


class Error(NamedTuple):
    """The error is made at ``at``: the first wrong press, or the one left out."""

    at: int
    kind: Kind


OF_A_STOPPAGE: Final = {
    "charged_timeout": "TIME_OUT",
    "official_timeout": "TIME_OUT",
    "injury_or_helmet_any": "INJURY",
    "injury_defense": "INJURY",
    "foul": "FLAG",
    "foul_defense": "FLAG",
    "delay_of_game": "FLAG",
}
"""A word that says the team has two taps of the same key; that it is the offense, none."""
OF_A_PLAY: Final = {
    What.READY: "READY",
    What.SNAP: "SNAP",
    What.PUMP: "NUMBER_25",
    What.PREPARE: "NUMBER_25",
    What.PENALTY_OVER: "NUMBER_25",
    What.PERIOD_OVER: "NO_COUNT",
}
SCORES: Final = frozenset({"touchdown", "field_goal"})
PROMISED: Final = frozenset({"try_over", "free_kick"})
"""Ends of a play that was told to come: the whistle is all that is pressed."""


def right_key(happening: Happening, book: Book) -> str:
    """The key that tells it."""
    if happening.what in OF_A_PLAY:
        return OF_A_PLAY[happening.what]
    if happening.endings & SCORES:
        return "NUMBER_25"
    stopped = sorted(happening.endings & OF_A_STOPPAGE.keys())
    if stopped:
        return OF_A_STOPPAGE[stopped[0]]
    if happening.endings & PROMISED:
        return "DEAD_BALL"
    return "DEAD_BALL" if of_the_down(book, happening.endings) == RUNS_40 else "NUMBER_25"


def right_presses(happening: Happening, book: Book, at: int) -> tuple[Press, ...]:
    """What tells it from ``at`` on; everything in ``signal_ns`` of it."""
    key = right_key(happening, book)
    first = Press(at, key)
    if happening.what is What.PERIOD_OVER:
        return (first, Press(at + PERIOD_HOLD_NS, key, held=True))
    if happening.endings & SCORES:
        again_at = at + AGAIN_NS
        held = (first, Press(at + HOLD_NS, key, held=True))
        again = (Press(again_at, key), Press(again_at + HOLD_NS, key, held=True))
        flag = Press(at + HOLD_NS + SIGNAL_NS, "FLAG")
        return (
            *held,
            *(again if "field_goal" in happening.endings else ()),
            *((flag,) if "foul" in happening.endings else ()),
        )
    return (first, Press(at + SIGNAL_NS, key)) if signal_ns(happening) else (first,)


class Keeper:
    """Keeps one game under ``book``."""

    def __init__(self, rng: random.Random, rates: Rates, book: Book) -> None:
        self._rng, self._rates, self._book = rng, rates, book
        self._skips = False
        """The try that comes next is not followed before its end."""
        self.presses: list[Press] = []
        self.errors: list[Error] = []
        self.forgotten: list[Forgotten] = []

    def keep(self, happenings: Sequence[Happening]) -> None:
        """Press through a whole game."""
        for number, happening in enumerate(happenings):
            following = happenings[number + 1 : number + 2]
            self._until_at = following[0].at if following else happening.at
            self._after_at = happenings[min(number + 2, len(happenings) - 1)].at
            self._sees(happening)
        self.presses.sort()
        self.errors.sort(key=lambda error: error.at)

    def _sees(self, happening: Happening) -> None:
        at, rates = happening.at, self._rates
        if happening.what in (What.READY, What.SNAP) and self._skips:
            return
        if happening.what is What.SNAP and self._errs(rates.no_snap):
            self._made(at, Kind.NO_SNAP)
        elif happening.what is What.READY and self._errs(rates.no_ready):
            self._made(at, Kind.NO_READY)
        elif happening.what is What.TOLD:
            self._told(happening)
        elif happening.what is What.PERIOD_OVER and self._errs(rates.plain_period):
            self._made(at, Kind.PLAIN_PERIOD)
            self._press(Press(at, "NO_COUNT"))
        elif happening.flag_at is not None and self._errs(rates.early_flag):
            self._made(happening.flag_at, Kind.EARLY_FLAG)
            self._press(Press(happening.flag_at, "FLAG"))
            rest = happening._replace(endings=happening.endings - {"foul"})
            self._surely(at, *right_presses(rest, self._book, at))
        elif happening.what is What.DEAD and happening.flag_at is None:
            self._end_of_play(happening)
        else:
            self._surely(at, *right_presses(happening, self._book, at))

    def _end_of_play(self, happening: Happening) -> None:
        at, rates = happening.at, self._rates
        right = right_presses(happening, self._book, at)
        key = right[0].key
        self._skips = False
        if self._errs(rates.no_end):
            self._made(at, Kind.NO_END)
            after_ns = round(self._rng.uniform(*ANSWERS_S) * 1000) * MS_NS
            self.forgotten.append(Forgotten(at, self._until_at, after_ns, right))
        elif self._errs(rates.late_end) and (late_at := self._after(at, 2, 6)) < self._until_at:
            self._made(at, Kind.LATE_END)
            self._surely(late_at, *right_presses(happening, self._book, late_at))
        elif happening.endings & SCORES and self._errs(rates.plain_score):
            self._made(at, Kind.PLAIN_SCORE)
            self._press(Press(at, key))
        elif self._errs(rates.wrong_number):
            self._made(at, Kind.WRONG_NUMBER)
            self._press(Press(at, "NUMBER_25" if key == "DEAD_BALL" else "DEAD_BALL"))
            mended_at = self._after(at, 0.3, 1.5)
            self._press(*right_presses(happening, self._book, mended_at))
        elif key == "DEAD_BALL" and self._errs(rates.wrong_stoppage):
            self._made(at, Kind.WRONG_STOPPAGE)
            self._press(Press(at, self._rng.choice(("FLAG", "TIME_OUT", "INJURY"))))
            self._press(Press(self._after(at, 0.3, 1.5), key))
        else:
            self._surely(at, *right)
        if "touchdown" in happening.endings and self._errs(rates.no_try_start):
            self._made(self._until_at, Kind.NO_TRY_START)
            self._skips = True

    def _told(self, happening: Happening) -> None:
        """The team: on the console in words, else by two taps where it is the defense."""
        at = happening.at
        [word] = happening.endings
        if self._errs(self._rates.late_told):
            at = self._after(self._until_at, 0.5, 4)
            if at >= self._after_at:
                return
            self._made(happening.at, Kind.LATE_TOLD)
        if self._errs(BY_WORD):
            self._press(Press(at, "", word=word))
        elif word in OF_A_STOPPAGE:
            self._press(*right_presses(happening, self._book, at))

    def _surely(self, at: int, *presses: Press) -> None:
        """The right presses, and perhaps once more, to be sure."""
        self._press(*presses)
        again_at = self._after(at, 1, 3)
        if self._errs(self._rates.repeated) and again_at < self._until_at:
            again_at = max(again_at, presses[-1].at + 1_000 * MS_NS)
            self._made(again_at, Kind.REPEATED)
            self._press(*(each._replace(at=each.at - at + again_at) for each in presses))

    def _press(self, *presses: Press) -> None:
        self.presses.extend(presses)

    def _errs(self, share: float) -> bool:
        return self._rng.random() < share

    def _after(self, at: int, shortest_s: float, longest_s: float) -> int:
        return at + round(self._rng.uniform(shortest_s, longest_s) * 1000) * MS_NS

    def _made(self, at: int, kind: Kind) -> None:
        self.errors.append(Error(at, kind))
