"""From a press to its numerals on the boards' port, beside the smallest C program.

``python3 -m tests.benchmarks.latency [-n PRESSES]``. Blocks of presses go by turns to the floor
(``floor.c``: poll a pty, write a frame to another) and to the service with journal and
authentication on. Measured: from just before the write of the PRESS to just after the read of the
first SHOW with the new numerals; a pty has no line time, so there is none in either figure.

A press while the service waits for a board's answer waits too: those are told apart.
"""

from __future__ import annotations

import argparse
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path

from drivers.base import Key
from tests.benchmarks import figures, rig
from tests.benchmarks.rig import MS, Screen, now
from tests.shared.frames import DARK_NUMERALS, Show, make_show
from tests.shared.installation import Tty

GAP_MS = (20, 40)
LOST_AFTER_NS = 500 * MS
FLOOR_NUMERALS = 88
SETTLE_NS = 1500 * MS
"""By then the journal is open and the service has put its memory in order."""
SEED = 40

CYCLE = (
    (Key.NO_COUNT, DARK_NUMERALS),
    (Key.DEAD_BALL, 40),
    (Key.FLAG, 25),
    (Key.SNAP, 40),
    (Key.NUMBER_25, 25),
    (Key.SNAP, 40),
    (Key.TIME_OUT, 25),
    (Key.SNAP, 40),
    (Key.INJURY, 25),
    (Key.SNAP, 40),
)
"""Keys and the numerals each puts up. No key follows itself within 0.6 s except with another in
between, so none is a double tap, and no order repeats the one before."""

BLOCK = 5 * len(CYCLE)
"""Presses to one side before the other has its turn."""

MEDIAN_RATIO, P99_RATIO, WINDOW_SHARE_PERCENT, WINDOW_MS = 2.0, 3.0, 3.0, 19.3


@dataclass(slots=True)
class Sample:
    """Milliseconds from press to numerals."""

    free: list[float] = field(default_factory=list)
    waited: list[float] = field(default_factory=list)
    """Presses that met a wait for an answer."""
    queued: list[float] = field(default_factory=list)
    """Those of ``free`` that found two frames on their way, so that a third had to wait."""
    lost: int = 0

    @property
    def presses(self) -> int:
        return len(self.free) + len(self.waited) + self.lost


class Bench(rig.Bench):
    """Drives floor and service by turns in one loop."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        super().__init__(folder, stack)
        self.random = random.Random(SEED)
        self.floor, self.service = Sample(), Sample()
        frame = make_show(Show(4711, 1, FLOOR_NUMERALS, 15, 0, 3))
        self._floor_in, self._floor_out = Tty(folder / "in"), Tty(folder / "out")
        for tty in (self._floor_in, self._floor_out):
            stack.callback(tty.unplug)
        self._floor_screen = Screen()
        self.loop.watch(self._floor_out.master, self._floor_screen.read)
        ends = self._floor_in.link, self._floor_out.link
        stack.enter_context(rig.process([built(folder), *ends, frame.hex()]))
        stack.callback(self._floor_in.unplug)  # which ends the floor

    def run(self, presses: int) -> None:
        """Press ``presses`` times on either side."""
        self.counterpart.wait_for_start()
        self.loop.serve(now() + SETTLE_NS)
        self._press_service(*CYCLE[-1])
        self.service = Sample()  # that one was to get where the cycle begins
        done = 0
        while done < presses:
            block = min(BLOCK, presses - done)
            for _ in range(block):
                self._press_floor()
            for number in range(done, done + block):
                self._press_service(*CYCLE[number % len(CYCLE)])
            done += block
        self.loop.serve(now() + 500 * MS)

    def _press_floor(self) -> None:
        self._pause()
        frame = b"\0" * 25  # as long as a PRESS
        took = self._press(self._floor_in.master, frame, self._floor_screen, FLOOR_NUMERALS)
        if took is None:
            self.floor.lost += 1
        else:
            self.floor.free.append((took[1] - took[0]) / MS)

    def _press_service(self, key: Key, numerals: int) -> None:
        self._pause()
        peer = self.counterpart
        queued = peer.queued(now())
        took = self._press(peer.receiver_fd, peer.frame_of(key), peer.screen, numerals)
        if took is None:
            self.service.lost += 1
            return
        took_ms = (took[1] - took[0]) / MS
        if peer.was_asking(*took):
            self.service.waited.append(took_ms)
        else:
            self.service.free.append(took_ms)
            if queued:
                self.service.queued.append(took_ms)

    def _pause(self) -> None:
        self.loop.serve(now() + round(self.random.uniform(*GAP_MS) * MS))

    def _press(
        self, descriptor: int, frame: bytes, screen: Screen, numerals: int
    ) -> tuple[int, int] | None:
        """Give when the press was written and when it was shown; None if it was lost."""
        screen.want(numerals)
        pressed_at = now()  # before the write: what it wakes may be done before it returns
        os.write(descriptor, frame)
        self.loop.serve(pressed_at + LOST_AFTER_NS, screen.found)
        return None if screen.seen_at is None else (pressed_at, screen.seen_at)


def built(folder: Path) -> Path:
    """The floor, compiled into ``folder``."""
    source = Path(__file__).with_name("floor.c")
    program = folder / "floor"
    subprocess.run(["gcc", "-O2", "-Wall", "-Werror", "-o", program, source], check=True)
    return program


def journalled(journal: Path) -> int:
    """How many accepted presses are on record."""
    with closing(sqlite3.connect(journal)) as base:
        return int(base.execute("SELECT count(*) FROM journal WHERE kind = 'press'").fetchone()[0])


def report(floor: Sample, service: Sample, rows: int) -> str:
    """The figures in words, beside their goals."""
    lines: list[object] = [
        figures.load(),
        figures.row("floor", floor.free, "ms"),
        figures.row("service", service.free, "ms"),
        figures.row("  of these third on the line", service.queued, "ms"),
        figures.row("service, waits for an answer", service.waited, "ms"),
    ]
    for percent, goal in ((50, MEDIAN_RATIO), (99, P99_RATIO)):
        if floor.free and service.free:
            took, least = (figures.percentile(each.free, percent) for each in (service, floor))
            lines.append(figures.at_most(f"p{percent} to the floor's", took / least, goal, " x"))
    share = 100 * len(service.waited) / service.presses
    missing = service.presses + 1 - service.lost - rows
    lines += [
        figures.at_most("presses that met a wait", share, WINDOW_SHARE_PERCENT, " %"),
        figures.at_most("longest of them", max(service.waited, default=0.0), WINDOW_MS, " ms"),
        figures.at_most("lost by the service", service.lost, 0),
        figures.at_most("lost by the floor", floor.lost, 0),
        figures.at_most("presses not in the journal", missing, 0),
    ]
    return "\n".join(map(str, lines))


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark and print it; 1 if a press was lost."""
    parser = argparse.ArgumentParser(prog="latency", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("-n", type=int, default=5000, metavar="PRESSES", help="on either side")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as name:
        with ExitStack() as stack:
            bench = Bench(Path(name), stack)
            with rig.undisturbed():
                bench.run(args.n)
        rows = journalled(bench.site.journal)
    print(report(bench.floor, bench.service, rows))
    return 1 if bench.floor.lost or bench.service.lost else 0


if __name__ == "__main__":
    sys.exit(main())
