"""``python -m tests.scenarios.keeper_errors``: keep games with errors and print what they cost.

``--sweep`` also plays the same games for other values of each window, the others as they are.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from controller.rulebook.loader import load_rule_set
from controller.rules.settings import Settings
from tests.scenarios.keeper_errors.keeper import NEVER, Rates
from tests.scenarios.keeper_errors.played import NO_ERROR, Game, Sums, add, game
from tests.shared.published import BOOKS

WHOLE: Final = 160
"""Plays of a whole game, kicks and tries included (common practice, no source)."""
ON: Final = Settings()
OFF: Final = Settings(same_down_s=0, stoppage_holds_s=0, same_press_s=0)
NO_NUDGE: Final = Settings(nudge_s=0)
SWEPT: Final[Mapping[str, tuple[float, ...]]] = {
    "same_down_s": (0, 1, 2, 3, 4, 6, 8),
    "stoppage_holds_s": (0, 5, 10, 15, 20, 25, 28),
    "same_press_s": (0, 0.5, 1, 1.5, 3, 5),
}
"""Values in seconds, within the allowed ranges."""


def games(code: str, seeds: Iterable[int], rates: Rates, plays: int = WHOLE) -> list[Game]:
    """The games of these seeds under the newest season of ``code``."""
    return [game(seed, BOOKS[code], rates, plays) for seed in seeds]


def kept(code: str, played: Iterable[Game], settings: Settings) -> Sums:
    """The same games, kept by a play clock with ``settings``."""
    rules, sums = load_rule_set(code), Sums()
    for each in played:
        add(sums, each, rules, settings)
    return sums


def table(code: str, on: Sums, off: Sums, quiet: Sums) -> list[str]:
    """Errors and wrong-numeral seconds a game by kind: as it is by default, with the windows off,
    and without the nudge."""
    columns = (on, off, quiet)
    rows = [
        f"{code + ', a game':36}{'errors':>9}{'wrong s':>10}{'windows off':>13}{'no nudge':>10}"
    ]
    for kind in sorted(set(on.made).union(*(each.wrong_s for each in columns))):
        with_s, off_s, quiet_s = (each.wrong_s[kind] / on.games for each in columns)
        rows.append(
            f"  {kind:34}{on.made[kind] / on.games:9.2f}{with_s:10.2f}{off_s:13.2f}{quiet_s:10.2f}"
        )
    made = on.made.total() / on.games
    rows.append(
        f"  {'all':34}{made:9.2f}{on.total_s:10.2f}{off.total_s:13.2f}{quiet.total_s:10.2f}"
    )
    rows.append(f"  windows off to on: {off.total_s / max(on.total_s, 1e-9):.2f} x")
    return rows


def sweep(code: str, played: Sequence[Game]) -> list[str]:
    """Wrong-numeral seconds a game for each value of each window."""
    rows = []
    for name, values in SWEPT.items():
        sums = [kept(code, played, replace(ON, **{name: value})).total_s for value in values]
        cells = (f"{value:g}: {total_s:.1f}" for value, total_s in zip(values, sums, strict=True))
        rows.append(f"  {name:18}" + "   ".join(cells))
    return rows


def main(argv: Sequence[str] | None = None) -> int:
    """Play and print; 1 when the boards are wrong without an error."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.scenarios.keeper_errors", description=__doc__
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--games", type=int, default=20, help="so many seeds from --seed on")
    parser.add_argument("--plays", type=int, default=WHOLE)
    parser.add_argument("--sweep", action="store_true", help="try other values of the windows")
    args = parser.parse_args(argv)
    if args.games < 1 or args.plays < 1:
        parser.error("--games and --plays: at least 1")
    seeds = range(args.seed, args.seed + args.games)
    print(f"{args.games} games of {args.plays} plays, seeds {seeds[0]} to {seeds[-1]}")
    sound = True
    for code in BOOKS:
        faultless = kept(code, games(code, seeds, NEVER, args.plays), ON)
        erring = games(code, seeds, Rates(), args.plays)
        on, off, quiet = (kept(code, erring, settings) for settings in (ON, OFF, NO_NUDGE))
        print(*table(code, on, off, quiet), sep="\n")
        print(f"  a keeper without error: {faultless.total_s:.1f} s")
        sound &= not faultless.wrong_s and NO_ERROR not in on.wrong_s
        if args.sweep:
            print(*sweep(code, erring), sep="\n")
    return 0 if sound else 1


if __name__ == "__main__":
    sys.exit(main())
