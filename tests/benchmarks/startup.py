"""From the start of the process to the first frame on the boards' port.

``python3 -m tests.benchmarks.startup [-n STARTS]``. The floor is a Python that imports asyncio and
pyserial and writes one byte; starts of both alternate. Both are timed from before the process is
made to the read of the first byte, and both find their byte code compiled.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from tests.benchmarks import figures
from tests.benchmarks.rig import (
    MS,
    START_S,
    S,
    SelectLoop,
    compiled,
    installation,
    now,
    process,
    service,
)
from tests.shared.installation import Tty

RATIO = 2.5
BARE = (
    "import asyncio, serial, os, sys;"
    "os.write(os.open(sys.argv[1], os.O_WRONLY | os.O_NOCTTY), b'.')"
)


def first_byte_ms(command: Sequence[str], tty: Tty) -> float:
    """Milliseconds from the start of ``command`` to its first byte on ``tty``.

    Raises ``TimeoutError`` when none comes.
    """
    loop, came_at = SelectLoop(), list[int]()
    loop.watch(tty.master, lambda _, at: came_at.append(at))
    started_at = now()
    with process(command):
        if not loop.serve(started_at + START_S * S, lambda: bool(came_at)):
            raise TimeoutError(f"{command}: no byte within {START_S} s")
        return (came_at[0] - started_at) / MS


def bare_ms() -> float:
    """One start of the floor."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        tty = Tty(Path(name) / "floor")
        stack.callback(tty.unplug)
        return first_byte_ms([sys.executable, "-c", BARE, str(tty.link)], tty)


def service_ms() -> float:
    """One start of the service, its folder new."""
    with tempfile.TemporaryDirectory() as name, installation(Path(name)) as site:
        return first_byte_ms(service(site), site.ttys["boards"])


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(prog="startup", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("-n", type=int, default=20, metavar="STARTS", help="of either")
    args = parser.parse_args(argv)
    bare, service = [], []
    with compiled():
        bare_ms(), service_ms()
        for _ in range(args.n):
            bare.append(bare_ms())
            service.append(service_ms())
    print(figures.load())
    print(figures.row("bare asyncio and pyserial", bare, "ms"))
    print(figures.row("service", service, "ms"))
    ratio = figures.median(service) / figures.median(bare)
    print(figures.verdict("median to the floor's", ratio, RATIO, " x"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
