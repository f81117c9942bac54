"""A night of games through the rules core, with every invariant held at every order.

``python3 -m tests.benchmarks.night [-n GAMES] [--plays PLAYS] [--seed SEED]``. The games are those
of ``tests.scenarios.keeper_errors``, with a second handset, corrections and boards put off among
the presses.
The floor is a loop that only keeps the last few orders: what this Python needs to look at an order
at all. Times are of the processor, this process alone.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Callable, Sequence
from typing import Final

from controller.rulebook.loader import load_rule_set
from controller.rules import events
from controller.rules.events import Order
from controller.rules.play_clock import UNDO_DEPTH, PlayClock
from controller.rules.rulings import RuleSet
from tests.benchmarks import figures
from tests.exploration.invariants import decide
from tests.scenarios.keeper_errors.field import Field
from tests.scenarios.keeper_errors.keeper import Keeper, Rates
from tests.scenarios.keeper_errors.played import Hand
from tests.shared.published import NFHS

PLAYS: Final = 160
SAMPLES: Final = (30, 100, 300)
"""After so many games the plays per second are told: they stay the same if nothing grows."""
NIGHT_S: Final = 10.0
LINEAR: Final = 1.3
FLOORS: Final = 50
CORE_RATIO: Final = 150.0
CHECKED_RATIO: Final = 320.0
"""A little above what was measured: 121 to 129, and 213 to 282."""

KEEPER: Final[Sequence[events.Event]] = (
    *(events.Undo(), events.Undo(), events.Undo(), events.Stop(), events.Stop()),
    *(events.Ready(), events.Snap()),
    *(events.MarkMoment(), events.NoCount(), events.SetCount(17), events.SetCount(0)),
    *(events.ToggleBoards(), events.ToggleBoards()),
    *map(events.PlayEnded, ("snap", "media_timeout", "touchdown")),
    events.PlayEnded("incomplete_pass", frozenset({"fourth_down"})),
    events.PlayEnded("referee_pump"),
)
FIELD: Final[Sequence[events.Event]] = (
    *(events.PlayEnded("routine"), events.HoldNumber(events.Number.ADMINISTRATIVE)),
    *(events.RunNumber(events.Number.ADMINISTRATIVE), events.HoldNumber(events.Number.ROUTINE)),
    *(events.Ready(), events.Undo(), events.ToggleBoards()),
)
MORE: Final = 0.1
"""After this share of the presses somebody gives one of these orders as well."""


def game(seed: int, plays: int) -> list[Order]:
    """The orders of one game."""
    rng = random.Random(f"night {seed}")
    keeper = Keeper(rng, Rates(), NFHS)
    keeper.keep(Field(rng, NFHS).play(plays))
    given: list[Order] = []
    hand = Hand()
    for order in filter(None, map(hand.order, sorted(keeper.presses))):
        if given and rng.random() < MORE:
            at = rng.randint(given[-1].at, order.at)
            given.append(_another(rng, at))
        given.append(order)
    return given


def _another(rng: random.Random, at: int) -> Order:
    draw = rng.random()
    if draw < 0.7:
        return Order(rng.choice(KEEPER), at, 0)
    if draw < 0.95:
        return Order(rng.choice(FIELD), at, 2, events.Role.FIELD, at)
    if draw < 0.97:
        return Order(events.Ready(), at, 3, events.Role.SHADOW)
    return Order(events.BoardsFault("no answer"), at, None, events.Role.SERVICE)


def core(given: Sequence[Order], rules: RuleSet) -> None:
    """One game, as the service has it decided."""
    clock = PlayClock(rules)
    for order in given:
        clock.handle(order, order.at)


def checked(given: Sequence[Order], rules: RuleSet) -> None:
    """The same with every invariant held. Raises AssertionError."""
    clock = PlayClock(rules)
    for order in given:
        decide(clock, order)


def floor(given: Sequence[Order], rules: RuleSet) -> None:
    """The least that can be done with orders, keep the last ones; so often that it takes as long
    as a game, because a busy machine does not slow short and long stretches alike."""
    for _ in range(FLOORS):
        history: tuple[Order, ...] = ()
        for order in given:
            history = (*history[1 - UNDO_DEPTH :], order)


def took_s(
    play: Callable[[Sequence[Order], RuleSet], None], games: Sequence[Sequence[Order]]
) -> list[float]:
    """Processor seconds of each game."""
    rules, took = load_rule_set("nfhs"), []
    for given in games:
        began = time.process_time()
        play(given, rules)
        took.append(time.process_time() - began)
    return took


def report(made_s: float, plays: int, games: Sequence[Sequence[Order]]) -> str:
    """Play the night and put the figures beside their goals."""
    few = games[: SAMPLES[0]]
    bare, plain, held = took_s(floor, few), took_s(core, few), took_s(checked, games)
    orders_of_few, given = sum(map(len, few)), sum(map(len, games))
    least = sum(bare) / FLOORS / orders_of_few
    bare_core = sum(plain) / orders_of_few
    whole = sum(held) / given
    lines: list[object] = [figures.load(), f"  {len(games)} games of {plays} plays, {given} orders"]
    for size in (*(each for each in SAMPLES if each < len(games)), len(games)):
        pace = size * plays / sum(held[:size])
        lines.append(f"  {size:4} games: {pace:9.0f} plays/s, every invariant held")
    part = max(1, len(games) // 3)
    growth = figures.median(held[-part:]) / figures.median(held[:part])
    lines += [
        f"  an order: floor {least * 1e6:.2f} us, core {bare_core * 1e6:.1f} us,"
        f" with its invariants {whole * 1e6:.1f} us",
        figures.at_most("core to the floor's", bare_core / least, CORE_RATIO, " x"),
        figures.at_most("with invariants to the floor's", whole / least, CHECKED_RATIO, " x"),
        figures.at_most("a game of the last third to the first's", growth, LINEAR, " x"),
        figures.at_most("the night, its games made beforehand", sum(held), NIGHT_S, " s"),
        f"  its games were made in {made_s:.1f} s",
    ]
    return "\n".join(map(str, lines))


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark and print it. Raises AssertionError when an invariant does not hold."""
    parser = argparse.ArgumentParser(prog="night", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("-n", type=int, default=SAMPLES[-1], metavar="GAMES")
    parser.add_argument("--plays", type=int, default=PLAYS)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(argv)
    if args.n < 1 or args.plays < 1:
        parser.error("-n and --plays: at least 1")
    began = time.process_time()
    games = [game(seed, args.plays) for seed in range(args.seed, args.seed + args.n)]
    print(report(time.process_time() - began, args.plays, games))
    return 0


if __name__ == "__main__":
    sys.exit(main())
