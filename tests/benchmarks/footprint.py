"""Memory and processor time of the service while a count runs on two boards.

``python3 -m tests.benchmarks.footprint [--seconds S]``. Counts follow each other for that long;
processor time is that of all threads, user and system, from ``/proc`` (proc(5)), beside a Python
that does nothing, which says what of the memory is the interpreter's.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from drivers.base import Key
from tests.benchmarks import figures, rig
from tests.benchmarks.vital_signs import Spell, Vitals

MEMORY_MIB, CPU_PERCENT = 30.0, 1.0
COUNT_S = 41
SETTLE_S = 3
BARE = "import asyncio, serial; print(end='.', flush=True); input()"


def bare_mib() -> float:
    """Memory of a Python that has imported asyncio and pyserial and waits."""
    command = [sys.executable, "-c", BARE]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe) as bare:
        assert bare.stdout is not None
        bare.stdout.read(1)
        resident = Vitals.of(bare.pid, rig.now()).resident_kib / 1024
        bare.communicate(b"\n")
    return resident


class Bench(rig.Bench):
    """The service, with counts one after another."""

    def run(self, seconds: float) -> tuple[float, float, int]:
        """Gives the share of a core in percent, the memory in MiB and the SHOWs sent."""
        self.counterpart.wait_for_start()
        self.loop.serve(rig.now() + SETTLE_S * rig.S)
        self._start_count(rig.now())
        shows = self.counterpart.screen.shows
        begun = Vitals.of(self.process.pid, rig.now())
        self.loop.serve(begun.at + round(seconds * rig.S))
        ended = Vitals.of(self.process.pid, rig.now())
        percent = Spell((begun, ended)).cpu_percent
        return percent, ended.resident_kib / 1024, self.counterpart.screen.shows - shows

    def _start_count(self, at: int) -> None:
        self.counterpart.press(Key.DEAD_BALL)
        self.loop.at("count", at + COUNT_S * rig.S + 500 * rig.MS, self._start_count)


def measured(seconds: float) -> tuple[float, float, int]:
    """Share of a core in percent, memory in MiB and SHOWs of a service watched for ``seconds``."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        return Bench(Path(name), stack).run(seconds)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(prog="footprint", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=int, default=82, help="to watch, 30 or more to count")
    args = parser.parse_args(argv)
    with rig.compiled():
        measured(0.1)  # compiles
        percent, resident, shows = measured(args.seconds)
        bare = bare_mib()
    print(figures.load())
    print(
        f"  {shows} SHOWs in {args.seconds} s; a bare Python with both imports has "
        f"{bare:.1f} MiB, the service {resident / bare:.2f} x that"
    )
    print(figures.at_most("memory", resident, MEMORY_MIB, " MiB"))
    print(figures.at_most("processor, of one core", percent, CPU_PERCENT, " %"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
