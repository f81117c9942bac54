"""``python -m tests.fuzz [TARGET] [--executions N] [--seed N] [--input HEX]``."""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from tests.fuzz.guided import Target, fuzz
from tests.fuzz.targets import TARGETS


def report(target: Target, folder: Path, executions: int, seed: int) -> None:
    """Fuzz one target and print what it reached."""
    began = time.perf_counter()
    outcome = fuzz(target, folder, executions, seed)
    rate = executions / (time.perf_counter() - began)
    print(f"{outcome.summary(target)}, {rate:.0f}/s", flush=True)


def main() -> None:
    """Run one target or all; an input that breaks a contract ends it with the traceback."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("target", nargs="?", choices=[target.name for target in TARGETS])
    parser.add_argument("--executions", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--input", metavar="HEX", help="run this one input; - is the empty one")
    options = parser.parse_args()
    chosen = [target for target in TARGETS if options.target in (None, target.name)]
    for target in chosen:
        with tempfile.TemporaryDirectory() as folder:
            if options.input is not None:
                target.check(bytes.fromhex(options.input.strip("-")), Path(folder))
            else:
                report(target, Path(folder), options.executions, options.seed)


if __name__ == "__main__":
    main()
