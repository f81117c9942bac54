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


class Decision(NamedTuple):
    """An order was decided.

    ``reason`` is filled for everything but plain acceptance; ``assumed`` names what nobody
    pressed ("ready", "snap"). ``down`` counts the snaps of the game.
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


Effect = Marked | ReachedZero
