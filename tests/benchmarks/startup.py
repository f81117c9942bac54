"""From the start of the process: of the service to its first frame, of a ruling to its end.

``python3 -m tests.benchmarks.startup [-n STARTS]``. The floors are a Python that imports asyncio
and pyserial and writes one byte, and one that imports argparse and tomllib and ends; starts of
either and of its floor alternate. All are timed from before the process is made, and all find their
byte code compiled.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

from tests.benchmarks import figures, rig
from tests.shared.installation import Tty

RATIO = 2.5
BARE = (
    "import asyncio, serial, os, sys;"
    "os.write(os.open(sys.argv[1], os.O_WRONLY | os.O_NOCTTY), b'.')"
)
BARE_COMMAND = [sys.executable, "-c", "import argparse, tomllib"]
RULING = [sys.executable, "-m", "controller", "ruling", "foul_defense", "--rules", "nfhs"]


def first_byte_ms(command: Sequence[str], tty: Tty) -> float:
    """Milliseconds from the start of ``command`` to its first byte on ``tty``.

    Raises ``TimeoutError`` when none comes.
    """
    loop, came_at = rig.SelectLoop(), list[int]()
    loop.watch(tty.master, lambda _, at: came_at.append(at))
    started_at = rig.now()
    with rig.process(command):
        if not loop.serve(started_at + rig.START_S * rig.S, lambda: bool(came_at)):
            raise TimeoutError(f"{command}: no byte within {rig.START_S} s")
        return (came_at[0] - started_at) / rig.MS


def bare_ms() -> float:
    """One start of the service's floor."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        tty = Tty(Path(name) / "floor")
        stack.callback(tty.unplug)
        return first_byte_ms([sys.executable, "-c", BARE, str(tty.link)], tty)


def service_ms() -> float:
    """One start of the service, its folder new."""
    with tempfile.TemporaryDirectory() as name, rig.installation(Path(name)) as site:
        return first_byte_ms(rig.service(site), site.ttys["boards"])


def whole_ms(command: Sequence[str]) -> float:
    """Milliseconds of one whole process. Raises ``CalledProcessError`` when it fails."""
    started_at = rig.now()
    subprocess.run(command, cwd=rig.ROOT, check=True, stdout=subprocess.DEVNULL)
    return (rig.now() - started_at) / rig.MS


def compare(starts: dict[str, Callable[[], float]], times: int) -> None:
    """Print the figures of a floor and of what is measured, in this order, ``times`` of each."""
    for start in starts.values():
        start()  # compiles
    rounds = [[start() for start in starts.values()] for _ in range(times)]
    bare, measured = zip(*rounds, strict=True)
    for name, sample in zip(starts, (bare, measured), strict=True):
        print(figures.row(name, sample, "ms"))
    ratio = figures.median(measured) / figures.median(bare)
    print(figures.at_most("median to the floor's", ratio, RATIO, " x"))


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(prog="startup", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("-n", type=int, default=20, metavar="STARTS", help="of each")
    args = parser.parse_args(argv)
    print(figures.load())
    with rig.compiled():
        compare({"bare asyncio and pyserial": bare_ms, "service": service_ms}, args.n)
        compare(
            {
                "bare argparse and tomllib": lambda: whole_ms(BARE_COMMAND),
                "playclock ruling": lambda: whole_ms(RULING),
            },
            args.n,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
