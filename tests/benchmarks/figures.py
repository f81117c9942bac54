"""Figures of a sample, and how they are printed beside their goals."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

KERNEL_LOAD = Path("/proc/loadavg")


def percentile(sample: Sequence[float], percent: float) -> float:
    """The smallest value that ``percent`` % of the sample do not exceed (nearest rank).

    Raises ``ValueError`` for an empty sample or a percentage outside 0-100.
    """
    if not sample or not 0 <= percent <= 100:
        raise ValueError(f"{percent} % of {len(sample)} values: must be 0-100 % of at least one")
    return sorted(sample)[max(1, math.ceil(len(sample) * percent / 100)) - 1]


def median(sample: Sequence[float]) -> float:
    """The 50th percentile by nearest rank."""
    return percentile(sample, 50)


def row(name: str, sample: Sequence[float], unit: str) -> str:
    """One line: the sample's size, median, 90th and 99th percentile and maximum."""
    if not sample:
        return f"  {name:<28} n     0"
    p50, p90, p99, top = (percentile(sample, p) for p in (50, 90, 99, 100))
    return (
        f"  {name:<28} n {len(sample):5}   p50 {p50:8.3f}   p90 {p90:8.3f}   "
        f"p99 {p99:8.3f}   max {top:8.3f} {unit}"
    )


@dataclass(frozen=True, slots=True)
class Finding:
    """One figure in words, its limit in words, and whether it was kept."""

    what: str
    measured: str
    limit: str
    kept: bool

    def __str__(self) -> str:
        verdict = "kept" if self.kept else "BROKEN"
        return f"  {self.what:<46} {self.measured:>16}   limit {self.limit:<22} {verdict}"


def at_most(what: str, value: float, limit: float, unit: str = "") -> Finding:
    """A number that must not exceed its limit."""
    return Finding(what, f"{value:.3f}{unit}", f"{limit:g}{unit}", value <= limit)


def equal(what: str, value: object, wanted: object) -> Finding:
    """Something that must be exactly as wanted."""
    return Finding(what, str(value), str(wanted), value == wanted)


def broken(findings: Iterable[Finding]) -> list[str]:
    """The lines of those whose limit was not kept."""
    return [str(each) for each in findings if not each.kept]


def load() -> str:
    """How busy the machine is besides: the kernel's load average of the last minute."""
    return f"load average {KERNEL_LOAD.read_text('ascii').split()[0]}"
