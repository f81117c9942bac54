"""What an attack has tried and what came of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

MOST_TOLD = 5


@dataclass(slots=True)
class Tally:
    """``attempts`` in all; ``failures`` says of those that a page promises otherwise what came.

    ``many`` multiplies what may be tried more or less often.
    """

    many: int = 1
    attempts: int = 0
    failures: list[str] = field(default_factory=list)

    def tried(self, held: bool, told: str, attempts: int = 1) -> None:
        """So many attempts were made; if not ``held``, one has succeeded."""
        self.attempts += attempts
        if not held:
            self.failures.append(told)

    @property
    def told(self) -> str:
        """The first failures."""
        return "\n".join(self.failures[:MOST_TOLD])


@dataclass(frozen=True, slots=True)
class Attack:
    """One kind of attack: ``name`` by its row or rule, ``against`` whom; ``many`` times as much is
    worth a long run. ``needs`` are the marks of its test."""

    name: str
    against: str
    made: Callable[[Tally, Path], None]
    many: int = 0
    needs: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.name}, {self.against}"
