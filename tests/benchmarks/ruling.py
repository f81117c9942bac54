"""From the start of ``playclock ruling`` to its end.

``python3 -m tests.benchmarks.ruling [-n RUNS]``. The floor is a Python that imports argparse and
tomllib and ends; runs of both alternate. Both find their byte code compiled.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Sequence

from tests.benchmarks import figures
from tests.benchmarks.rig import MS, ROOT, compiled, now

RATIO = 2.5
BARE = [sys.executable, "-c", "import argparse, tomllib"]
RULING = [sys.executable, "-m", "controller", "ruling", "foul_defense", "--rules", "nfhs"]


def whole_ms(command: Sequence[str]) -> float:
    """Milliseconds of one whole process. Raises ``CalledProcessError`` when it fails."""
    started_at = now()
    subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    return (now() - started_at) / MS


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(prog="ruling", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("-n", type=int, default=40, metavar="RUNS", help="of either")
    args = parser.parse_args(argv)
    bare, ruling = [], []
    with compiled():
        whole_ms(BARE), whole_ms(RULING)
        for _ in range(args.n):
            bare.append(whole_ms(BARE))
            ruling.append(whole_ms(RULING))
    print(figures.load())
    print(figures.row("bare argparse and tomllib", bare, "ms"))
    print(figures.row("playclock ruling", ruling, "ms"))
    ratio = figures.median(ruling) / figures.median(bare)
    print(figures.verdict("median to the floor's", ratio, RATIO, " x"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
