"""A mutant: one file of the rules with one thing in it changed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
RULES = ROOT / "controller" / "rules"


@dataclass(frozen=True, slots=True)
class Mutant:
    """``name`` tells file, place and change, and stays the same when lines move.

    ``lines`` are those whose running can show the change; None where it shows at import.
    ``text`` gives the whole changed file.
    """

    file: str
    name: str
    lines: range | None
    text: Callable[[], str]


def numbered(mutants: Iterable[Mutant]) -> Iterator[Mutant]:
    """The mutants with a number behind a name that was there before."""
    seen: Counter[str] = Counter()
    for mutant in mutants:
        seen[mutant.name] += 1
        again = seen[mutant.name]
        yield mutant if again == 1 else replace(mutant, name=f"{mutant.name} ({again})")
