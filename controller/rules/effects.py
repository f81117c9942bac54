"""What the play clock answers: the shell acts on these and on nothing else."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import NamedTuple

from controller.rules.events import Order
from controller.rules.rulings import Ruling


class Result(enum.Enum):
    """What became of an order; each has its own cue."""

    RUNNING = "running"
    HELD = "held"
    NO_CHANGE = "no change"
    REFUSED = "refused"
    ASSUMED = "assumed"


class GaveWay(NamedTuple):
    """A word that said less gave way to an exact one, ``after_ns`` after it was told."""

    word: str
    after_ns: int


class Decision(NamedTuple):
    """An order was decided.

    ``reason`` is filled for everything but plain acceptance; ``assumed`` names what nobody
    pressed ("ready", "snap"), ``promised`` what was taken to have ended because it was told before
    that it would follow ("try over", "free kick ended"). ``down`` counts the snaps of the game.
    ``taken_back`` is the order that an Undo took back. ``left_s`` are the numerals at the instant
    of the order, before it did anything; None for no count.
    """

    order: Order
    result: Result
    reason: str
    assumed: str
    phase_before: str
    phase_after: str
    ruling: Ruling | None
    named: frozenset[str]
    down: int
    promised: str = ""
    gave_way: GaveWay | None = None
    taken_back: Order | None = None
    left_s: int | None = None

    @property
    def changed(self) -> bool:
        """True when the order was accepted and did something."""
        return self.result in (Result.RUNNING, Result.HELD, Result.ASSUMED)


@dataclass(frozen=True, slots=True)
class Marked:
    """A running count reached a number the crew is cued at: ``seconds`` left."""

    seconds: int
    at: int


@dataclass(frozen=True, slots=True)
class ReachedZero:
    """A count ran out. Whether that is a foul is an official's decision, never the clock's."""

    at: int


@dataclass(frozen=True, slots=True)
class Nudged:
    """The ball has been live for longer than any play lasts: did the play end?"""

    at: int


Effect = Marked | ReachedZero | Nudged
