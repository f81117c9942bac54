"""What the keys of a handset mean, told once more from the keys' table in ``README.md`` and the
words of ``controller/rules/gestures.py``'s page alone: a tap acts at once, more taps or a hold of
the same key replace what it did.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.rules.events import (
    Event,
    HoldNumber,
    MarkMoment,
    NoCount,
    Number,
    PlayEnded,
    Ready,
    RunNumber,
    Snap,
    Stop,
    ToggleBoards,
    Undo,
)
from tests.scenarios.simulation.world import MS

AGAIN_NS = 600 * MS
OF_ONE_HOLD_NS = 3_000 * MS
ONE_THUMB_NS = 150 * MS

_25, _40 = Number.ADMINISTRATIVE, Number.ROUTINE

TAPS: dict[str, dict[str, list[Event | None]]] = {
    "twelve": {
        "DEAD_BALL": [PlayEnded("routine")],
        "READY": [Ready()],
        "NUMBER_25": [HoldNumber(_25), RunNumber(_25)],
        "SNAP": [Snap()],
        "NUMBER_40": [HoldNumber(_40), RunNumber(_40)],
        "STOP": [Stop()],
        "FLAG": [PlayEnded("foul"), PlayEnded("foul_defense")],
        "TIME_OUT": [PlayEnded("charged_timeout"), PlayEnded("official_timeout")],
        "INJURY": [PlayEnded("injury_offense"), PlayEnded("injury_defense")],
        "UNDO": [Undo()],
        "NO_COUNT": [NoCount(), NoCount(), NoCount(period_over=True)],
        "BOARDS_OFF": [None, MarkMoment(), ToggleBoards()],
    },
    "four": {
        "NUMBER_40": [PlayEnded("routine"), PlayEnded("routine"), HoldNumber(_40)],
        "NUMBER_25": [HoldNumber(_25), RunNumber(_25)],
        "READY": [Ready()],
        "UNDO": [Undo(), Undo(), Undo(), ToggleBoards()],
    },
}
HOLDS: dict[str, dict[str, Event]] = {
    "twelve": {"NO_COUNT": NoCount(period_over=True), "BOARDS_OFF": ToggleBoards()},
    "four": {"NUMBER_40": HoldNumber(_40), "UNDO": ToggleBoards()},
}


class Asked(NamedTuple):
    """What a thumb asks for; ``event`` None for nothing."""

    event: Event | None
    since_at: int
    instead: bool = False
    """In place of what the same gesture did before."""
    two_keys: bool = False
    """Two number keys at once: the crew is told that one was taken."""


class Thumb:
    """The thumb on one handset."""

    def __init__(self, layout: str) -> None:
        self._taps, self._holds = TAPS[layout], HOLDS[layout]
        self._key = ""
        self._count = 0
        self._first_at = self._last_at = 0

    def moves(self, key: str, held: bool, at: int) -> Asked:
        """A key goes down, or has been down for its hold time."""
        if key not in self._taps:
            return Asked(None, at)
        if held:
            return self._holds_down(key, at)
        numbers = {"NUMBER_25", "NUMBER_40"}
        if {key, self._key} == numbers and at - self._last_at < ONE_THUMB_NS:
            if key == "NUMBER_40":
                return Asked(None, at, two_keys=True)
            self._key, self._count, self._last_at = key, 1, at
            return Asked(self._taps[key][0], self._first_at, instead=True, two_keys=True)
        if key != self._key or at - self._last_at > AGAIN_NS:
            self._key, self._count, self._first_at = key, 0, at
        self._count += 1
        self._last_at = at
        meant = self._taps[key]
        event = meant[min(self._count, len(meant)) - 1]
        before = meant[min(self._count - 1, len(meant)) - 1] if self._count > 1 else event
        return Asked(event, self._first_at, instead=event is not None and event != before)

    def _holds_down(self, key: str, at: int) -> Asked:
        if key not in self._holds:
            return Asked(None, at)
        of_its_tap = key == self._key and at - self._last_at <= OF_ONE_HOLD_NS
        since_at = self._first_at if of_its_tap else at
        if of_its_tap:
            self._key = ""
        return Asked(self._holds[key], since_at, instead=of_its_tap)
