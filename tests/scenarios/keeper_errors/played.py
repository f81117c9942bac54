"""One game from a seed: what the boards showed through the core, against the truth."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.rules.effects import Nudged
from controller.rules.events import Order, PlayEnded
from controller.rules.gestures import Gestures
from controller.rules.phases import Boards
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RuleSet
from controller.rules.settings import Settings
from tests.scenarios.keeper_errors.field import Field
from tests.scenarios.keeper_errors.keeper import Error, Forgotten, Keeper, Press, Rates
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
    """The truth of a game, the presses, the errors in them, and what was forgotten."""

    truth: list[Step]
    presses: list[Press]
    errors: list[Error]
    forgotten: list[Forgotten]


def game(seed: int, book: Book, rates: Rates, plays: int) -> Game:
    """The same seed gives the same game on the field, whatever the rates."""
    happenings = Field(random.Random(f"field {seed}"), book).play(plays)
    keeper = Keeper(random.Random(f"keeper {seed}"), rates, book)
    keeper.keep(happenings)
    return Game(truth_of(happenings, book), keeper.presses, keeper.errors, keeper.forgotten)


class Hand:
    """Presses of a handset of twelve keys and words typed on the console, as orders."""

    def __init__(self) -> None:
        self._gestures = Gestures("twelve")

    def order(self, press: Press) -> Order | None:
        """What a press asks for; None for nothing."""
        if press.word:
            return Order(PlayEnded(press.word), press.at)
        asked = self._gestures.pressed(press.key, held=press.held, at=press.at)
        if asked.event is None:
            return None
        return Order(asked.event, press.at, 1, gesture_at=asked.started_at, amends=asked.amends)


def orders(presses: Iterable[Press]) -> Iterator[Order]:
    """What all these presses ask for."""
    hand = Hand()
    for press in presses:
        order = hand.order(press)
        if order is not None:
            yield order


def shown(
    presses: Iterable[Press],
    rules: RuleSet,
    settings: Settings,
    forgotten: Sequence[Forgotten] = (),
) -> list[Step]:
    """What the boards show, from the play clock's own deadlines as the service asks for them. A
    nudge reminds the keeper of what was ``forgotten``."""
    clock, hand = PlayClock(rules, settings), Hand()
    steps = [Step(0, None)]
    to_come = sorted(presses)

    def show(at: int) -> None:
        steps.append(Step(at, clock.numerals(at) if clock.boards is Boards.LIT else None))

    while to_come:
        if (due := clock.deadline) is not None and due <= to_come[0].at:
            for effect in clock.pass_time(due):
                if isinstance(effect, Nudged):
                    to_come = sorted([*to_come, *reminded(due, forgotten)])
            show(due)
            continue
        order = hand.order(to_come.pop(0))
        if order is not None:
            clock.handle(order, order.at)
            show(order.at)
    return steps


def reminded(asked_at: int, forgotten: Iterable[Forgotten]) -> list[Press]:
    """What a keeper presses who is asked whether the play has ended: nothing while it has not, and
    nothing when what comes next is seen first."""
    for each in forgotten:
        at = asked_at + each.after_ns
        if each.at <= asked_at and at < each.until_at:
            return [press._replace(at=press.at - each.at + at) for press in each.presses]
    return []


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
    boards = shown(played.presses, rules, settings, played.forgotten)
    for from_at, to_at in wrong(played.truth, boards):
        place = bisect_right(error_at, from_at)
        kind = played.errors[place - 1].kind.value if place else NO_ERROR
        sums.wrong_s[kind] += (to_at - from_at) / S_NS
