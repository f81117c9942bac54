"""What a soak found: each figure beside its limit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One figure in words, the limit in words, and whether it was kept."""

    what: str
    measured: str
    limit: str
    kept: bool

    def __str__(self) -> str:
        verdict = "kept" if self.kept else "BROKEN"
        return f"  {self.what:<46} {self.measured:>16}   limit {self.limit:<22} {verdict}"


def at_most(what: str, value: float, limit: float, unit: str = "") -> Finding:
    """A number that must not exceed its limit."""
    return Finding(what, f"{value:.2f}{unit}", f"{limit:.2f}{unit}", value <= limit)


def equal(what: str, value: object, wanted: object) -> Finding:
    """Something that must be exactly as wanted."""
    return Finding(what, str(value), str(wanted), value == wanted)


def broken(findings: Iterable[Finding]) -> list[str]:
    """The lines of those whose limit was not kept."""
    return [str(each) for each in findings if not each.kept]
