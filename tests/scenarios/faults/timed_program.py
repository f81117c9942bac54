"""The program with every callback of its event loop timed.

``python3 -m tests.scenarios.faults.timed_program FILE AFTER_S run ...``: the longest callbacks from
``AFTER_S`` seconds after the start until SIGUSR1 go to FILE, which is complete once it is there.
Not counted is the time in which a thread of the program could have run, had the machine not been
busy with something else (schedstats, Linux Documentation/scheduler/sched-stats.rst).
"""

from __future__ import annotations

import asyncio
import contextlib
import heapq
import json
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from controller.cli import main
from controller.service.event_loop import UrgentSelector

KEPT = 20


@dataclass(frozen=True, slots=True, order=True)
class Took:
    """How long a callback took, in ms: ``own_ms`` busy or waiting, ``wall_ms`` with the time in
    which the machine did something else."""

    own_ms: float
    wall_ms: float
    what: str


def starved_ns() -> int:
    """For how long threads of this process have been ready and had no processor."""
    total = 0
    for task in Path("/proc/self/task").iterdir():
        with contextlib.suppress(OSError):  # ended meanwhile
            total += int((task / "schedstat").read_bytes().split()[1])
    return total


class Stopwatch:
    """Keeps the longest callbacks."""

    def __init__(self, after_s: float) -> None:
        self.longest: list[Took] = []
        self.count = 0
        self._from = time.monotonic() + after_s

    def time(self, act: Callable[[], Any], what: str) -> None:
        """Call ``act``."""
        starved, began_at = starved_ns(), time.monotonic_ns()
        try:
            act()
        finally:
            wall_ns = time.monotonic_ns() - began_at
            own_ns = max(0, wall_ns - max(0, starved_ns() - starved))
            if time.monotonic() > self._from:
                self.count += 1
                keep = heapq.heappush if len(self.longest) < KEPT else heapq.heappushpop
                keep(self.longest, Took(own_ns / 1e6, wall_ns / 1e6, what))


def install(watch: Stopwatch) -> None:
    """Have every callback of every event loop timed."""
    run, add_urgent = asyncio.events.Handle._run, UrgentSelector.add_urgent

    def timed_run(handle: asyncio.Handle) -> None:
        task = getattr(handle._callback, "__self__", None)  # type: ignore[attr-defined]
        watch.time(lambda: run(handle), f"{handle!r:.200} {task!r:.200}")

    def timed_urgent(selector: UrgentSelector, fd: int, callback: Callable[[], None]) -> None:
        add_urgent(selector, fd, lambda: watch.time(callback, f"{callback!r:.200}"))

    asyncio.events.Handle._run = timed_run  # type: ignore[method-assign, assignment]
    UrgentSelector.add_urgent = timed_urgent  # type: ignore[method-assign, assignment]


def tell(watch: Stopwatch, file: Path) -> None:
    """Write what took longest, all at once."""
    longest = [asdict(each) for each in sorted(watch.longest, reverse=True)]
    draft = file.with_suffix(".new")
    draft.write_text(json.dumps({"count": watch.count, "longest": longest}))
    draft.rename(file)


if __name__ == "__main__":
    stopwatch = Stopwatch(float(sys.argv[2]))
    install(stopwatch)
    signal.signal(signal.SIGUSR1, lambda *_: tell(stopwatch, Path(sys.argv[1])))
    sys.exit(main(sys.argv[3:]))
