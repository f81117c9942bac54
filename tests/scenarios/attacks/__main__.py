"""``python -m tests.scenarios.attacks``: make every attack and print what came of it.

``--long`` makes those many times that are worth it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.scenarios.attacks.matrix import ATTACKS
from tests.scenarios.attacks.tally import Attack, Tally


def outcome(attack: Attack, many: int) -> Tally:
    """Make one attack in a folder of its own."""
    tally = Tally(many)
    with tempfile.TemporaryDirectory() as folder:
        attack.made(tally, Path(folder))
    return tally


def line(name: str, against: str, attempts: int, failed: int) -> str:
    """One line of the table."""
    survived = attempts - failed
    return f"{name:32}{against:18}{attempts:>10,}{survived:>10,}{failed:>8,}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; 1 when an attack has succeeded."""
    parser = argparse.ArgumentParser(prog="python -m tests.scenarios.attacks", description=__doc__)
    parser.add_argument("--long", action="store_true", help="many times where it is worth it")
    long = parser.parse_args(arguments).long
    print(f"{'attack':32}{'against':18}{'attempts':>10}{'survived':>10}{'failed':>8}")
    attempts, failures = 0, []
    for attack in ATTACKS:
        tally = outcome(attack, attack.many or 1 if long else 1)
        attempts += tally.attempts
        failures += [f"{attack}: {failure}" for failure in tally.failures]
        print(line(attack.name, attack.against, tally.attempts, len(tally.failures)), flush=True)
    print(line("all", "", attempts, len(failures)))
    print("".join(f"\n{failure}" for failure in failures))
    return int(bool(failures))


if __name__ == "__main__":
    sys.exit(main())
