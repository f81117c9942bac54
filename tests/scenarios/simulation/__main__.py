"""``python -m tests.scenarios.simulation``: play games and print what is left of them."""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.scenarios.simulation.faults import KINDS
from tests.scenarios.simulation.game import Game, Plan, play
from tests.shared.board_node import DARK, ODD
from tests.shared.frames import S_NS
from tests.shared.virtual_time import START_AT

AROUND_NS = 8 * S_NS
"""So much before and after a problem is shown."""
SHOWN = 3
"""So many problems are shown with what was around them."""
NAMES = {DARK: "dark", ODD: "no numeral"}


def main() -> int:
    """Play the games that the command line asks for; 1 when one of them has a problem."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.scenarios.simulation", description=__doc__
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--games", type=int, default=1, help="so many seeds from --seed on")
    parser.add_argument("--plays", type=int, default=160)
    parser.add_argument("--pace", type=float, default=1.0, help="1 is the pace of a real game")
    parser.add_argument("--every", type=float, default=45.0, help="mean seconds between faults")
    parser.add_argument("--kinds", default="", help="draw from these faults only, with commas")
    parser.add_argument("--timeline", action="store_true", help="print it whole")
    args = parser.parse_args()
    kinds = {name: KINDS[name] for name in args.kinds.split(",") if name} or None
    sums = Sums()
    failed = []
    for seed in range(args.seed, args.seed + args.games):
        began = time.perf_counter()
        with tempfile.TemporaryDirectory(prefix="game") as folder:
            played = play(
                Plan(seed, args.plays, args.pace, args.every, kinds), Path(folder) / "game"
            )
        sums.add(played)
        print(f"{in_a_line(played)}, took {time.perf_counter() - began:.1f} s", flush=True)
        if played.verdict.problems:
            failed.append(again(played.plan))
        if played.verdict.problems or args.timeline:
            print(*timeline(played, whole=args.timeline), sep="\n")
    print(*sums.table(), *failed, sep="\n")
    return 1 if failed else 0


def again(plan: Plan) -> str:
    """The command that plays the same game."""
    kinds = f"--kinds '{','.join(plan.kinds)}' " if plan.kinds else ""
    return (
        f"again: python -m tests.scenarios.simulation --seed {plan.seed} --plays {plan.plays} "
        f"--pace {plan.pace} --every {plan.every_s} {kinds}--timeline"
    )


def in_a_line(played: Game) -> str:
    """A game in short."""
    verdict = played.verdict
    return (
        f"seed {played.plan.seed}: {(played.end_at - START_AT) / 60 / S_NS:.0f} min, "
        f"{played.truth.accepted} orders, {len(played.pair.log)} frames, "
        f"{len(played.struck)} faults, "
        f"wrong {sum(verdict.wrong_s.values()):.1f} s, dark {sum(verdict.dark_s.values()):.0f} s, "
        f"{len(verdict.problems)} problems"
    )


class Sums:
    """Seconds a game by class of fault, both boards added up, and the longest spells."""

    def __init__(self) -> None:
        self.games = 0
        self.kinds: set[str] = set()
        """The classes of faults that struck."""
        self._wrong: Counter[str] = Counter()
        self._dark: Counter[str] = Counter()
        self._longest: Counter[str] = Counter()

    def add(self, played: Game) -> None:
        """Another game."""
        self.games += 1
        self.kinds.update(played.struck)
        self._wrong.update(played.verdict.wrong_s)
        self._dark.update(played.verdict.dark_s)
        for what, lasts_ns in played.verdict.longest.items():
            self._longest[what] = max(self._longest[what], lasts_ns)

    def table(self) -> list[str]:
        """Lines to print."""
        heads = ("wrong", "dark", "longest: wrong", "dark", "differ")
        lines = [f"{f'{self.games} games, seconds a game':36}" + "".join(f"{h:>15}" for h in heads)]
        for kind in sorted({*self._wrong, *self._dark}):
            spells = (self._longest[f"{what}, {kind}"] for what in ("wrong", "dark", "differ"))
            longest = (lasts_ns / S_NS for lasts_ns in spells)
            cells = (self._wrong[kind] / self.games, self._dark[kind] / self.games, *longest)
            lines.append(f"{kind:36}" + "".join(f"{cell:15.3f}" for cell in cells))
        total = sum(self._wrong.values()), sum(self._dark.values())
        lines.append(f"{'all':36}" + "".join(f"{each / self.games:15.3f}" for each in total))
        return lines


def timeline(played: Game, *, whole: bool) -> list[str]:
    """What happened, in order; around the first problems only, unless ``whole``."""
    lines = list(played.schedule.log.lines)
    for node in played.pair.nodes:
        for at, shown, ordered in node.history:
            meant = "" if shown == ordered else f" (meant {NAMES.get(ordered, ordered)})"
            lines.append((at, f"    node {node.number}: {NAMES.get(shown, shown)}{meant}"))
    lines += [(at, f"    wire: {NAMES.get(told, told)}") for at, told in played.pair.told]
    lines += [
        (asked.at, f"      node {asked.node} asked: {asked.word}")
        for asked in played.pair.asked
        if asked.word != "right"
    ]
    for step in played.truth.steps:
        lines.append((step.at, f"  truth: {step.numeral}{' OFF' if step.off else ''}"))
    problems = sorted((at, f"PROBLEM {text}") for at, text in played.verdict.problems)
    near = [at for at, _ in problems[:SHOWN]]
    lines = [*lines, *problems]
    return [
        f"{(at - START_AT) / S_NS:12.4f} {text}"
        for at, text in sorted(lines, key=lambda line: line[0])
        if whole or text.startswith("PROBLEM") or any(abs(at - when) < AROUND_NS for when in near)
    ]


if __name__ == "__main__":
    raise SystemExit(main())
