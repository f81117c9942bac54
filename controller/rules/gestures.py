"""From key edges to events: taps, repeated taps and holds.

The first press acts at key-down; a second tap or a hold amends it. Nothing here waits: a double is
recognized when its second tap arrives, and a hold is timed by the handset, which sends it.
Keys are named as in ``drivers.base.Key``; a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from controller.rules.events import (
    Event,
    HoldNumber,
    MarkMoment,
    NoCount,
    Number,
    PlayEnded,
    Ready,
    RunNumber,
    Score,
    Snap,
    Stop,
    ToggleBoards,
    Undo,
)

MS_NS: Final = 1_000_000
REPEAT_NS: Final = 600 * MS_NS
"""The longest gap between the taps of one gesture."""
HOLD_NS: Final = 3_000 * MS_NS
"""A hold this long after its key-down is not of that press any more."""
TOGETHER_NS: Final = 150 * MS_NS
"""Two different number keys closer than this are one thumb on two keys."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a key means: ``taps[n-1]`` after n taps (None: nothing more), ``held`` for the hold."""

    taps: tuple[Event | None, ...]
    held: Event | None = None


class Gesture(NamedTuple):
    """What a press asks for. ``event`` None asks for nothing, and ``reason`` says why.

    ``started_at`` is the first tap; ``amends`` that the event replaces what the gesture did so far;
    ``doubtful`` that two number keys were pressed at once and this one was taken.
    """

    event: Event | None
    started_at: int
    amends: bool = False
    doubtful: bool = False
    reason: str = ""


_HOLD_25: Final = HoldNumber(Number.ADMINISTRATIVE)
_HOLD_40: Final = HoldNumber(Number.ROUTINE)
_ROUTINE: Final = PlayEnded("routine")
_KEY_25: Final = Meaning((_HOLD_25, RunNumber(Number.ADMINISTRATIVE), Score()), held=Score())

TWELVE: Final[Mapping[str, Meaning]] = {
    "DEAD_BALL": Meaning((_ROUTINE,)),
    "READY": Meaning((Ready(),)),
    "NUMBER_25": _KEY_25,
    "SNAP": Meaning((Snap(),)),
    "NUMBER_40": Meaning((_HOLD_40, RunNumber(Number.ROUTINE))),
    "STOP": Meaning((Stop(),)),
    "FLAG": Meaning((PlayEnded("foul"), PlayEnded("foul_defense"))),
    "TIME_OUT": Meaning((PlayEnded("charged_timeout"), PlayEnded("official_timeout"))),
    "INJURY": Meaning((PlayEnded("injury_or_helmet_any"), PlayEnded("injury_defense"))),
    "UNDO": Meaning((Undo(),)),
    "NO_COUNT": Meaning((NoCount(), NoCount(), NoCount(True)), held=NoCount(True)),
    "BOARDS_OFF": Meaning((MarkMoment(), None, None, ToggleBoards()), held=ToggleBoards()),
}
"""The keeper's handset. A thumb in a hurry taps twice or three times, so that dark boards take four
quick taps of BOARDS OFF; the mark of the first stays in the record."""

FOUR: Final[Mapping[str, Meaning]] = {
    "NUMBER_40": Meaning((_ROUTINE, _ROUTINE, _HOLD_40), held=_HOLD_40),
    "NUMBER_25": _KEY_25,
    "READY": Meaning((Ready(),)),
    "UNDO": Meaning((Undo(), Undo(), Undo(), ToggleBoards()), held=ToggleBoards()),
}
"""The back judge's handset. Four quick taps of UNDO stand for its hold, so that taking back three
presses in a row stays possible."""

LAYOUTS: Final[Mapping[str, Mapping[str, Meaning]]] = {"twelve": TWELVE, "four": FOUR}

_NUMBER_KEYS: Final = ("NUMBER_25", "NUMBER_40")


@dataclass(slots=True)
class _Run:
    key: str
    count: int
    started_at: int
    last_at: int


class Gestures:
    """The gestures of one handset. ``layout`` is one of :data:`LAYOUTS`."""

    def __init__(self, layout: str) -> None:
        if layout not in LAYOUTS:
            raise ValueError(f"layout {layout!r}: one of {', '.join(LAYOUTS)}")
        self._meanings = LAYOUTS[layout]
        self._run: _Run | None = None

    def pressed(self, key: str, held: bool, at: int) -> Gesture:
        """A key edge at ``at``: key-down, or still down after its hold time."""
        meaning = self._meanings.get(key)
        if meaning is None:
            return Gesture(None, at, reason=f"this handset has no key {key}")
        if held:
            return self._held(key, meaning, at)
        run = self._run
        if run is not None and self._together(run, key, at):
            return self._two_numbers(run, key, meaning, at)
        if run is None or run.key != key or at - run.last_at > REPEAT_NS:
            run = self._run = _Run(key, 0, at, at)
        run.count += 1
        run.last_at = at
        return self._tap(run, meaning)

    @staticmethod
    def _tap(run: _Run, meaning: Meaning) -> Gesture:
        index = min(run.count, len(meaning.taps)) - 1
        event = meaning.taps[index]
        amends = index > 0 and meaning.taps[index] != meaning.taps[index - 1]
        if event is None:
            return Gesture(None, run.started_at, reason="another tap of this key does nothing yet")
        return Gesture(event, run.started_at, amends)

    def _held(self, key: str, meaning: Meaning, at: int) -> Gesture:
        if meaning.held is None:
            return Gesture(None, at, reason="holding this key does nothing more")
        run = self._run
        if run is None or run.key != key or at - run.last_at > HOLD_NS:
            return Gesture(meaning.held, at)
        self._run = None
        return Gesture(meaning.held, run.started_at, amends=True)

    @staticmethod
    def _together(run: _Run, key: str, at: int) -> bool:
        both = run.key in _NUMBER_KEYS and key in _NUMBER_KEYS and run.key != key
        return both and at - run.last_at < TOGETHER_NS

    def _two_numbers(self, run: _Run, key: str, meaning: Meaning, at: int) -> Gesture:
        """The held number wins over one that runs; of two held ones the administrative number,
        which a crew in doubt uses (PIAA play clock mechanics 2019)."""
        if key != "NUMBER_25":
            return Gesture(None, at, doubtful=True, reason="two number keys at once: 25 stands")
        self._run = _Run(key, 1, run.started_at, at)
        return Gesture(meaning.taps[0], run.started_at, amends=True, doubtful=True)
