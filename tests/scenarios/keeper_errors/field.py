"""Whole random games as they happen on the field: what, and when. No clock and no keeper is here.

The mix of endings, the stoppages and the gaps are rounded figures of common practice, no source.
"""

from __future__ import annotations

import enum
import random
from collections.abc import Mapping
from typing import Final, NamedTuple

from tests.shared.frames import MS_NS
from tests.shared.published import ROUTINE_S, Book, of_the_down

PERIODS: Final = 4
ENDS: Final[Mapping[str, float]] = {
    "runner_down_inbounds": 44,
    "line_to_gain_reached": 16,
    "incomplete_pass": 17,
    "out_of_bounds": 11,
    "punt": 5,
    "touchdown": 3.5,
    "change_of_possession": 2.5,
    "field_goal": 1,
}
"""How scrimmage downs end, in percent."""
FLAGGED, ON_DEFENSE = 0.05, 0.3
"""The share of downs with a foul during the down, and of those the fouls of the defense only."""
STOPPAGES: Final[Mapping[str, float]] = {
    "charged_timeout": 0.05,
    "official_timeout": 0.015,
    "injury_or_helmet_any": 0.024,
    "foul": 0.03,
}
"""What stops a count that has begun at the dead ball: the share of such counts. This foul is one
before the snap."""
TEAMS: Final[Mapping[str, Mapping[str, float]]] = {
    "foul": {"foul_offense": 1 - ON_DEFENSE, "foul_defense": ON_DEFENSE},
    "injury_or_helmet_any": {"injury_offense": 0.5, "injury_defense": 0.5},
}
"""What is known only some seconds later, and then as which, in shares."""
PUMPED, DELAYED, RUN_OUT, NO_HUDDLE = 0.015, 0.006, 0.006, 0.03
"""Of the same: reset by a pumped palm; a delay foul; zero without a foul; the next snap soon."""

Gap = tuple[float, float, float]
"""Shortest, longest and most frequent seconds."""
LIVE: Final[Gap] = (2, 12, 4.5)
FROM_DEAD_BALL: Final[Gap] = (16, 39.5, 34)
"""To the snap, in the routine count."""
HURRIED: Final[Gap] = (8.5, 16, 13)
FROM_READY: Final[Gap] = (8, 24, 14)
TO_READY: Final[Mapping[str, Gap]] = {
    "charged_timeout": (60, 95, 70),
    "official_timeout": (18, 60, 30),
    "injury_or_helmet_any": (45, 240, 90),
    "start_of_period": (10, 40, 20),
    "try_over": (35, 90, 50),
    "field_goal": (35, 90, 50),
}
ELSE_TO_READY: Final[Gap] = (18, 50, 28)
"""From what stopped the game to the referee's ready."""
TO_TOLD: Final[Gap] = (4, 17.5, 9)
"""From what stopped the game until the referee tells the team."""
BREAK: Final[Gap] = (60, 120, 80)
HALF_TIME: Final[Gap] = (600, 1200, 900)


class What(enum.Enum):
    """What happens on the field."""

    PREPARE = "a number is wanted before the first play"
    READY = "the referee's ready"
    SNAP = "snap or free kick"
    DEAD = "the ball is dead"
    STOPPAGE = "a stoppage between downs"
    TOLD = "the referee tells the team"
    PUMP = "one palm pumped"
    PENALTY_OVER = "the penalty for a delay is completed"
    PERIOD_OVER = "the period is over"


class Happening(NamedTuple):
    """``endings`` say how the down ended or what stopped the game. ``flag_at`` is when the flag of
    this down fell, if one did."""

    at: int
    what: What
    endings: frozenset[str] = frozenset()
    flag_at: int | None = None


class Field:
    """One game under ``book``; the same ``rng`` gives the same game."""

    def __init__(self, rng: random.Random, book: Book) -> None:
        self._rng, self._book = rng, book
        self._at = 0
        self._waits = False
        """The referee must give a ready before the next snap."""
        self._next = "scrimmage"
        self.happenings: list[Happening] = []

    def play(self, plays: int) -> list[Happening]:
        """A game of so many downs, kicks and tries included."""
        for number in range(plays):
            if number % -(-plays // PERIODS) == 0:
                self._period(kicked=number % -(-plays // 2) == 0)
            self._down()
        self._gap((5, 20, 10))
        self._tell(What.PERIOD_OVER)
        return self.happenings

    def _tell(self, what: What, *endings: str, flag_at: int | None = None) -> None:
        self.happenings.append(Happening(self._at, what, frozenset(endings), flag_at))

    def _gap(self, gap: Gap) -> None:
        self._at += round(self._rng.triangular(*gap) * 1000) * MS_NS

    def _period(self, *, kicked: bool) -> None:
        if self.happenings:
            self._gap((5, 20, 10))
            self._tell(What.PERIOD_OVER)
            self._gap(HALF_TIME if kicked else BREAK)
        self._tell(What.PREPARE, "start_of_period")
        self._gap(TO_READY["start_of_period"])
        self._waits = True
        self._next = "free_kick" if kicked else "scrimmage"

    def _down(self) -> None:
        if self._waits:
            self._ready()
        self._tell(What.SNAP)
        snapped_at = self._at
        self._gap(LIVE)
        endings, kind = [self._end_of_down()], self._next
        flag_at = None
        if kind == "scrimmage" and self._book[endings[0]].at_once and self._is(FLAGGED):
            live_ms = (self._at - snapped_at) / MS_NS
            flag_at = snapped_at + round(live_ms * self._rng.random()) * MS_NS
            endings.append("foul")
        self._tell(What.DEAD, *endings, flag_at=flag_at)
        self._next = {
            "touchdown": "try",
            "try_over": "free_kick",
            "field_goal": "free_kick",
        }.get(endings[0], "scrimmage")
        self._between(endings)

    def _end_of_down(self) -> str:
        if self._next == "free_kick":
            return "free_kick"
        if self._next == "try":
            return "try_over"
        return self._rng.choices(list(ENDS), list(ENDS.values()))[0]

    def _is(self, share: float) -> bool:
        return self._rng.random() < share

    def _ready(self) -> None:
        self._tell(What.READY)
        self._gap(FROM_READY)

    def _between(self, endings: list[str]) -> None:
        """From the dead ball up to the ready, or to the snap where the count began by itself."""
        self._waits = not of_the_down(self._book, endings).at_once
        if self._waits:
            self._until_ready(endings[-1])
            return
        draw = self._rng.random()
        for name, share in STOPPAGES.items():
            draw -= share
            if draw < 0:
                self._stoppage(name)
                return
        for share, happens in (
            (PUMPED, self._pump),
            (DELAYED, self._delay),
            (RUN_OUT, self._run_out),
            (NO_HUDDLE, lambda: self._gap(HURRIED)),
        ):
            draw -= share
            if draw < 0:
                happens()
                return
        self._gap(FROM_DEAD_BALL)

    def _stoppage(self, name: str) -> None:
        self._gap((10, 35, 25) if name == "foul" else (2, 20, 5))
        self._tell(What.STOPPAGE, name)
        self._until_ready(name)
        self._waits = True

    def _until_ready(self, ending: str) -> None:
        """From what stopped the game to the ready; on the way the team is told, if it matters."""
        stopped_at = self._at
        if ending in TEAMS:
            self._gap(TO_TOLD)
            teams = TEAMS[ending]
            self._tell(What.TOLD, *self._rng.choices(list(teams), list(teams.values())))
        told_at, self._at = self._at, stopped_at
        self._gap(TO_READY.get(ending, ELSE_TO_READY))
        self._at = max(self._at, told_at + 500 * MS_NS)

    def _pump(self) -> None:
        self._gap((12, 22, 17))
        self._tell(What.PUMP)
        self._gap(FROM_READY)

    def _run_out(self) -> None:
        self._gap((ROUTINE_S + 0.5, ROUTINE_S + 2, ROUTINE_S + 1))

    def _delay(self) -> None:
        self._run_out()
        self._tell(What.STOPPAGE, "delay_of_game")
        self._gap((8, 20, 12))
        self._tell(What.PENALTY_OVER, "delay_of_game")
        self._gap((8, 20, 12))
        self._waits = True
