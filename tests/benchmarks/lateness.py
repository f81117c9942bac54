"""How late the numerals of a running count come, beside a bare event loop.

``python3 -m tests.benchmarks.lateness [--counts N] [--seconds S]``. Each count is started by a
press. Its exact start is the press's instant in the journal, so numeral k is due k seconds after
it; measured is when its first SHOW was read. Meanwhile the floor, a bare asyncio loop with nothing
but ``call_at`` each second, writes to a pty of its own, and the same loop here reads both.
"""

from __future__ import annotations

import argparse
import sqlite3
import struct
import sys
import tempfile
from bisect import bisect_left
from collections.abc import Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path

from drivers.base import Key
from tests.benchmarks import figures, rig
from tests.shared.frames import Show
from tests.shared.installation import Tty

COUNT_S = 40
PHASE_NS = 500 * rig.MS
"""The floor's ticks lie half a second from the count's, so that neither is in the other's way."""
P99_MS, ABOVE_FLOOR_MS = 3.0, 1.5

BARE_LOOP = """
import asyncio, os, struct, sys, time

def tick(loop, fd, due_at, due):
    os.write(fd, struct.pack(">Q", due_at))
    loop.call_at(due + 1, tick, loop, fd, due_at + 10**9, due + 1)

loop = asyncio.new_event_loop()
fd = os.open(sys.argv[1], os.O_WRONLY | os.O_NOCTTY)
due_at = int(sys.argv[2])
due = loop.time() + (due_at - time.clock_gettime_ns(time.CLOCK_BOOTTIME)) / 1e9
loop.call_at(due, tick, loop, fd, due_at, due)
loop.run_forever()
"""
_DUE = struct.Struct(">Q")


class Ticks:
    """Reads the floor: every tick names the instant at which it was due."""

    def __init__(self) -> None:
        self._unread = b""
        self.late_ms: list[float] = []

    def read(self, data: bytes, at: int) -> None:
        """Take bytes that were there at ``at``."""
        self._unread += data
        while len(self._unread) >= _DUE.size:
            (due_at,) = _DUE.unpack_from(self._unread)
            self._unread = self._unread[_DUE.size :]
            self.late_ms.append((at - due_at) / rig.MS)


def start_floor(loop: rig.SelectLoop, folder: Path, stack: ExitStack, due_at: int) -> Ticks:
    """Start the bare loop, whose first tick is then due, and read its ticks."""
    ticks, tty = Ticks(), Tty(folder / "floor")
    stack.callback(tty.unplug)
    loop.watch(tty.master, ticks.read)
    stack.enter_context(rig.process([sys.executable, "-c", BARE_LOOP, str(tty.link), str(due_at)]))
    return ticks


class Changes:
    """Remembers when numerals first came, over all counts."""

    def __init__(self) -> None:
        self._numerals = -1
        self.seen: list[tuple[int, int]] = []

    def shown(self, show: Show, at: int) -> None:
        """A SHOW was read at ``at``."""
        if show.numerals != self._numerals:
            self._numerals = show.numerals
            self.seen.append((show.numerals, at))


class Bench(rig.Bench):
    """Runs the counts, the floor beside them."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        super().__init__(folder, stack)
        self.ticks, self.changes = Ticks(), Changes()
        self.counterpart.screen.listeners.append(self.changes.shown)

    def run(self, counts: int, seconds: int) -> None:
        """Run ``counts`` counts, each watched for its first ``seconds``."""
        self.counterpart.wait_for_start()
        self.loop.serve(rig.now() + rig.S)
        for number in range(counts):
            self.counterpart.press(Key.DEAD_BALL)
            if not number:
                due_at = rig.now() + PHASE_NS + rig.S
                self.ticks = start_floor(self.loop, self.site.folder, self.stack, due_at)
            self.loop.serve(rig.now() + seconds * rig.S + PHASE_NS)
            self.counterpart.press(Key.NO_COUNT)
            self.loop.serve(rig.now() + 2 * rig.S)


def starts(journal: Path) -> list[int]:
    """The exact instants at which the counts started."""
    query = "SELECT edge_at FROM journal WHERE kind = 'press' AND phase_after = 'RUNNING'"
    with closing(sqlite3.connect(journal)) as base:
        return [int(edge_at) for (edge_at,) in base.execute(query + " ORDER BY seq")]


@dataclass(frozen=True, slots=True)
class Due:
    """A numeral and the instant at which it must come."""

    numerals: int
    at: int


@dataclass(slots=True)
class Lateness:
    """How late numerals came, in milliseconds, and how many never did."""

    late_ms: list[float] = field(default_factory=list)
    missed: int = 0

    @classmethod
    def of(cls, expected: Sequence[Due], seen: Sequence[tuple[int, int]]) -> Lateness:
        """Look for each within half a second before to one second after it is due."""
        found = cls()
        instants = [at for _, at in seen]
        for due in expected:
            first = bisect_left(instants, due.at - rig.S // 2)
            last = bisect_left(instants, due.at + rig.S)
            came = [at for numerals, at in seen[first:last] if numerals == due.numerals]
            if came:
                found.late_ms.append((came[0] - due.at) / rig.MS)
            else:
                found.missed += 1
        return found


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(prog="lateness", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--counts", type=int, default=3, help="counts to run, one after another")
    parser.add_argument("--seconds", type=int, default=COUNT_S, help="of each count, 1 to 40")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as name:
        with ExitStack() as stack:
            bench = Bench(Path(name), stack)
            with rig.undisturbed():
                bench.run(args.counts, args.seconds)
        started_at = starts(bench.site.journal)
    seconds = range(1, args.seconds + 1)
    dues = [Due(COUNT_S - k, start_at + k * rig.S) for start_at in started_at for k in seconds]
    found = Lateness.of(dues, bench.changes.seen)
    late, floor = found.late_ms, bench.ticks.late_ms
    p99 = figures.percentile(late, 99)
    print(figures.load())
    print(figures.row("bare loop", floor, "ms"))
    print(figures.row("numerals", late, "ms"))
    print(figures.at_most("p99 of the numerals", p99, P99_MS, " ms"))
    above = p99 - figures.percentile(floor, 99)
    print(figures.at_most("above the bare loop's", above, ABOVE_FLOOR_MS, " ms"))
    print(figures.at_most("counts that never started", args.counts - len(started_at), 0))
    print(figures.at_most("numerals that never came", found.missed, 0))
    return 0 if len(started_at) == args.counts and not found.missed else 1


if __name__ == "__main__":
    sys.exit(main())
