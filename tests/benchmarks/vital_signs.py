"""What the kernel knows of a process: memory, descriptors, threads, processor time, wake-ups."""

from __future__ import annotations

import contextlib
import os
import re
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Self

SELF = os.getpid()


@dataclass(frozen=True, slots=True)
class Vitals:
    """A process at one instant.

    ``resident_kib`` is all its memory, ``anonymous_kib`` that part which is no file: neither is
    rounded, as ``statm`` may be. ``cpu_s`` and ``switches`` (voluntary: it slept) since its start,
    of all its threads.
    """

    at: int
    resident_kib: int
    anonymous_kib: int
    descriptors: int
    threads: int
    cpu_s: float
    switches: int

    @classmethod
    def of(cls, pid: int, at: int) -> Self:
        """Take them now, which is the instant ``at`` (proc_pid_smaps(5), proc_pid_status(5))."""
        process = Path(f"/proc/{pid}")
        memory = (process / "smaps_rollup").read_text("ascii")
        tasks = [int(task.name) for task in (process / "task").iterdir()]
        fields = (process / "stat").read_text("ascii").rpartition(")")[2].split()
        return cls(
            at=at,
            resident_kib=_number("Rss", memory),
            anonymous_kib=_number("Anonymous", memory),
            descriptors=len(list((process / "fd").iterdir())),
            threads=len(tasks),
            cpu_s=(int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK"),
            switches=sum(_switches(process / "task" / str(task)) for task in tasks),
        )


def _switches(task: Path) -> int:
    with contextlib.suppress(FileNotFoundError):  # it has ended meanwhile
        return _number("voluntary_ctxt_switches", (task / "status").read_text("ascii"))
    return 0


def _number(name: str, text: str) -> int:
    found = re.search(rf"^{name}:\s+(\d+)", text, re.MULTILINE)
    if found is None:
        raise ValueError(f"{name}: not told by this kernel")
    return int(found[1])


@dataclass(frozen=True, slots=True)
class Spell:
    """Some samples in a row, in short."""

    samples: tuple[Vitals, ...]

    @property
    def resident_kib(self) -> float:
        """The median, so that one busy moment is no growth."""
        return median(each.resident_kib for each in self.samples)

    @property
    def anonymous_kib(self) -> float:
        return median(each.anonymous_kib for each in self.samples)

    @property
    def growth_kib(self) -> int:
        """From the first sample to the last."""
        return self.samples[-1].resident_kib - self.samples[0].resident_kib

    @property
    def descriptors(self) -> set[int]:
        return {each.descriptors for each in self.samples}

    @property
    def threads(self) -> set[int]:
        return {each.threads for each in self.samples}

    @property
    def cpu_percent(self) -> float:
        """Of one core."""
        return 100 * (self.samples[-1].cpu_s - self.samples[0].cpu_s) / self._seconds

    @property
    def tick_percent(self) -> float:
        """The step in which it is counted."""
        return 100 / os.sysconf("SC_CLK_TCK") / self._seconds

    @property
    def switches_a_second(self) -> float:
        return (self.samples[-1].switches - self.samples[0].switches) / self._seconds

    @property
    def _seconds(self) -> float:
        return (self.samples[-1].at - self.samples[0].at) / 1e9
