"""One game from a seed: what the boards showed through the core, against the truth."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.rules.events import Order
from controller.rules.gestures import Gestures
from controller.rules.phases import Boards
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RuleSet
from controller.rules.settings import Settings
from tests.scenarios.keeper_errors.field import Field
from tests.scenarios.keeper_errors.keeper import Error, Keeper, Press, Rates
from tests.scenarios.keeper_errors.truth import truth_of
from tests.shared.frames import S_NS
from tests.shared.published import Book
from tests.shared.truth import UNDEFINED, Spell, Step, spells

NO_ERROR = "without an error"
"""To whom wrong seconds are put down that no error came before: there must be none."""


@dataclass
class Sums:
    """Errors made, and wrong-numeral seconds by the kind of error, of ``games`` games."""

    games: int = 0
    made: Counter[str] = field(default_factory=Counter)
    wrong_s: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))

    @property
    def total_s(self) -> float:
        """Wrong-numeral seconds a game."""
        return sum(self.wrong_s.values()) / max(1, self.games)


class Game(NamedTuple):
    """The truth of a game, the presses and the errors in them."""

    truth: list[Step]
    presses: list[Press]
    errors: list[Error]


def game(seed: int, book: Book, rates: Rates, plays: int) -> Game:
    """The same seed gives the same game on the field, whatever the rates."""
    happenings = Field(random.Random(f"field {seed}"), book).play(plays)
    keeper = Keeper(random.Random(f"keeper {seed}"), rates, book)
    keeper.keep(happenings)
    return Game(truth_of(happenings, book), keeper.presses, keeper.errors)


def orders(presses: Iterable[Press]) -> Iterator[Order]:
    """What a handset of twelve keys makes of them."""
    gestures = Gestures("twelve")
    for at, key in presses:
        gesture = gestures.pressed(key, held=False, at=at)
        if gesture.event is not None:
            yield Order(gesture.event, at, 1, gesture_at=gesture.started_at, amends=gesture.amends)


def shown(presses: Iterable[Press], rules: RuleSet, settings: Settings) -> list[Step]:
    """What the boards show, from the play clock's own deadlines as the service asks for them."""
    clock = PlayClock(rules, settings)
    steps = [Step(0, None)]

    def show(at: int) -> None:
        steps.append(Step(at, clock.numerals(at) if clock.boards is Boards.LIT else None))

    for order in orders(presses):
        while (due := clock.deadline) is not None and due <= order.at:
            clock.pass_time(due)
            show(due)
        clock.handle(order, order.at)
        show(order.at)
    return steps


def wrong(truth: Sequence[Step], boards: Sequence[Step]) -> Iterator[Spell]:
    """The longest spells for which the boards differ from the truth, where that is defined."""
    return spells(
        truth,
        boards,
        lambda true, shown: true.numeral not in (UNDEFINED, shown.numeral),
        max(truth[-1].at, boards[-1].at),
    )


def add(sums: Sums, played: Game, rules: RuleSet, settings: Settings) -> None:
    """Add one game kept with ``settings``. A spell is put down to the newest error before it."""
    sums.games += 1
    sums.made.update(kind.value for _, kind in played.errors)
    error_at = [at for at, _ in played.errors]
    for from_at, to_at in wrong(played.truth, shown(played.presses, rules, settings)):
        place = bisect_right(error_at, from_at)
        kind = played.errors[place - 1].kind.value if place else NO_ERROR
        sums.wrong_s[kind] += (to_at - from_at) / S_NS
