"""What can happen to the play clock: orders by a key, the console or the service."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import NamedTuple


class Role(enum.Enum):
    """Who gives an order."""

    KEEPER = "keeper"
    FIELD = "field"
    SHADOW = "shadow"
    """Recorded, never drives: a keeper in training."""
    SERVICE = "service"
    """The service itself: faults only."""


class Number(enum.Enum):
    """A number of the rule set, so that one key serves every code."""

    ROUTINE = "routine"
    """40 in a 40/25 code."""
    ADMINISTRATIVE = "administrative"
    """25 in a 40/25 code."""


@dataclass(frozen=True, slots=True)
class PlayEnded:
    """The ball is dead, or the game has stopped. ``facts`` change the ruling (``fourth_down``)."""

    ending: str
    facts: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Score:
    """A score, told by a key that cannot say which: the play clock reads it as a touchdown; told
    again in the same dead ball as a field goal or a safety; in a try as the end of the try."""


@dataclass(frozen=True, slots=True)
class HoldNumber:
    """A bare number, shown and held for the ready."""

    number: Number


@dataclass(frozen=True, slots=True)
class RunNumber:
    """A reset that runs at once: one pumped palm for 25, two for 40."""

    number: Number


@dataclass(frozen=True, slots=True)
class Ready:
    """The referee's ready for play."""


@dataclass(frozen=True, slots=True)
class Snap:
    """The snap or free kick."""


@dataclass(frozen=True, slots=True)
class Stop:
    """The referee stops the play clock. Given again: show what follows."""


@dataclass(frozen=True, slots=True)
class NoCount:
    """No count is needed. ``period_over``: because the period has ended."""

    period_over: bool = False


@dataclass(frozen=True, slots=True)
class SetCount:
    """The referee's timing correction, from the console only. ``seconds`` 0-99."""

    seconds: int

    def __post_init__(self) -> None:
        if not 0 <= self.seconds <= 99:
            raise ValueError(f"count {self.seconds}: must be 0 to 99 seconds")


@dataclass(frozen=True, slots=True)
class Undo:
    """Take back the last accepted key event."""


@dataclass(frozen=True, slots=True)
class ToggleBoards:
    """Boards off, or relight them when they are off."""


@dataclass(frozen=True, slots=True)
class BoardsFault:
    """The boards must go dark because of ``reason``; only a relight brings them back."""

    reason: str


@dataclass(frozen=True, slots=True)
class MarkMoment:
    """Mark this moment in the record."""


Event = (
    PlayEnded
    | Score
    | HoldNumber
    | RunNumber
    | Ready
    | Snap
    | Stop
    | NoCount
    | SetCount
    | Undo
    | ToggleBoards
    | BoardsFault
    | MarkMoment
)


class Order(NamedTuple):
    """An event with its giver. ``at`` is when the thumb moved, not when the press arrived.

    ``handset`` is 0 for the console, None for the service itself. Taps of one gesture share
    ``gesture_at``, the instant of the first; ``amends`` says that this order replaces what the
    gesture did so far. ``game_clock_s`` are the whole seconds that a running game clock showed at
    the order, None when it is stopped or nobody knows.
    """

    event: Event
    at: int
    handset: int | None = 0
    role: Role = Role.KEEPER
    gesture_at: int | None = None
    amends: bool = False
    game_clock_s: int | None = None


def plain(event: Event, routine_s: int, administrative_s: int) -> str:
    """The event in a few plain words, for the console and the journal, with the rule set's two
    numbers in seconds."""
    numbers = {Number.ROUTINE: routine_s, Number.ADMINISTRATIVE: administrative_s}
    match event:
        case PlayEnded(ending, facts):
            words = ending.replace("_", " ")
            named = ", ".join(sorted(fact.replace("_", " ") for fact in facts))
            words = "routine end of play" if ending == "routine" else words
            return f"{words} ({named})" if named else words
        case HoldNumber(number):
            return f"{numbers[number]}, held"
        case RunNumber(number):
            return f"reset to {numbers[number]}, running"
        case NoCount(period_over):
            return "no count, period over" if period_over else "no count"
        case SetCount(seconds):
            return f"count set to {seconds}"
        case BoardsFault(reason):
            return f"boards off: {reason}"
    return _PLAIN[type(event)]


_PLAIN: dict[type, str] = {
    Score: "score",
    Ready: "ready for play",
    Snap: "snap or free kick",
    Stop: "stop",
    Undo: "undo",
    ToggleBoards: "boards off or on",
    MarkMoment: "moment marked",
}
