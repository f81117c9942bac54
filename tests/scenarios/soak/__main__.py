"""Runs the soaks and prints their figures for people; see the package's own words."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.benchmarks.figures import Finding, broken, load
from tests.scenarios.soak import day, flood
from tests.scenarios.soak import minutes as real


def main(argv: Sequence[str] | None = None) -> int:
    """Run what was asked for; 0 if every limit was kept."""
    parser = argparse.ArgumentParser(prog="soak", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--hours", type=float, help="of virtual time")
    parser.add_argument("--minutes", type=float, help="of real time")
    parser.add_argument("--flood", type=float, help="minutes of real time, the receiver flooded")
    args = parser.parse_args(argv)
    both = args.hours is None and args.minutes is None and args.flood is None
    found: list[Finding] = []
    if both or args.hours:
        found += hours(args.hours or 24)
    if both or args.minutes:
        found += minutes(args.minutes or 20)
    if args.flood:
        found += flooded(args.flood)
    return 1 if broken(found) else 0


def hours(length: float) -> list[Finding]:
    """The soak in virtual time."""
    print(f"{length:g} hours of virtual time, {load()}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        run = day.day(Path(folder), length)
    for each in run.samples:
        print(
            f"  hour {each.hour:6.2f}: {each.blocks} objects, RSS "
            f"{each.vitals.resident_kib / 1024:.2f} MiB (anonymous "
            f"{each.vitals.anonymous_kib / 1024:.2f}), traced {each.traced / 1024:.0f} KiB, "
            f"{each.vitals.descriptors} descriptors, {each.tasks} tasks, {each.handles} timers"
        )
    print(f"  {run.plays} plays, {run.presses} presses, {run.feeds} feeds of the watchdog")
    print(f"  faults {dict(run.faults)}, {run.relights} relights, rows {dict(run.rows)}")
    print(f"  took {run.real_s:.0f} s, {run.samples[-1].vitals.cpu_s:.0f} s of processor time")
    found = day.findings(run)
    print("\n".join(map(str, found)), flush=True)
    return found


def minutes(length: float) -> list[Finding]:
    """The soak in real time."""
    print(f"{length:g} minutes of real time, {load()}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        run = real.soak(Path(folder), length)
    for name, window in zip(("beginning", "end"), real.windows(run), strict=True):
        print(f"  {name}: {window}")
    print(f"  {run.presses} presses, {len(run.rows)} rows, {load()}")
    found = real.findings(run)
    print("\n".join(map(str, found)), flush=True)
    return found


def flooded(length: float) -> list[Finding]:
    """The flood in real time."""
    print(f"{length:g} minutes of flood, {load()}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        run = flood.flood(Path(folder), length)
    for each in flood.minutes_of(run):
        print(f"  {each}")
    pace = run.sent_bytes / (60 * run.minutes) / 1000
    print(f"  {pace:.1f} kB a second in {run.frames} frames, {run.presses} presses, {load()}")
    print(f"  printed by the service:\n{run.said}", end="")
    found = flood.findings(run)
    print("\n".join(map(str, found)), flush=True)
    return found


if __name__ == "__main__":
    sys.exit(main())
