"""``python -m tests.exploration``: explore the rule sets, and print how far that got."""

from __future__ import annotations

import argparse
import multiprocessing
from functools import partial
from typing import Any

from tests.exploration.explorer import Explorer
from tests.exploration.sets import rule_sets


def explored(name: str, options: bool, **how: Any) -> Explorer:
    """One rule set explored, by its name."""
    rules, _ = rule_sets(options)[name]
    return Explorer(rules, **how).run()


def main() -> None:
    """Explore what the command line asks for. An invariant that does not hold ends it."""
    parser = argparse.ArgumentParser(prog="python -m tests.exploration", description=__doc__)
    parser.add_argument("--only", default="", help="rule sets whose name begins with this")
    parser.add_argument("--options", action="store_true", help="also the sets changed by options")
    parser.add_argument("--whole", action="store_true", help="one end of play of every class")
    parser.add_argument("--hurried", action="store_true", help="also presses within two seconds")
    parser.add_argument("--depth", type=int, default=1_000)
    parser.add_argument("--most", type=int, default=1_000_000, help="states to go on from, each")
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args()
    sets = {
        n: others for n, (_, others) in rule_sets(args.options).items() if n.startswith(args.only)
    }
    work = partial(
        explored,
        options=args.options,
        whole=args.whole,
        hurried=args.hurried,
        depth=args.depth,
        most=args.most,
    )
    states = transitions = 0
    took_s = 0.0
    print(f"{'rule set':44} {'presses':>7} {'states':>7} {'transitions':>11} {'depth':>5} {'s':>7}")
    with multiprocessing.Pool(args.jobs) as pool:
        for name, done in zip(sets, pool.imap(work, sets), strict=True):
            end = "fixed point" if done.finished else "more is left"
            print(
                f"{name:44} {len(done.presses):7} {done.states:7} {done.transitions:11}"
                f" {done.level:5} {done.took_s:7.1f} {end}",
                flush=True,
            )
            if sets[name] and not args.options:
                print(f"    the same: {', '.join(sets[name])}")
            states, transitions = states + done.states, transitions + done.transitions
            took_s += done.took_s
    print(f"{len(sets)} rule sets, {states} states, {transitions} transitions, {took_s:.0f} s")


if __name__ == "__main__":
    main()
