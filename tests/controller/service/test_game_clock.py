"""The feed of the game clock: which reading an order knows of."""

from __future__ import annotations

import pytest

from controller.rulebook.loader import load_rule_set
from controller.rules.events import Order, Ready
from controller.service.game_clock import FRESH_NS, LONGEST_S, GameClock
from drivers.base import Key
from tests.controller.fakes import Game, S
from tests.shared.virtual_time import VirtualClock, run

ORDER = Order(Ready(), 10 * S)


def test_without_a_feed_an_order_is_as_it_was() -> None:
    assert GameClock().known_to(ORDER) is ORDER


@pytest.mark.parametrize(
    ("read_at", "left_s"),
    [(10 * S, 38), (10 * S - FRESH_NS + 1, 38), (10 * S - FRESH_NS, None), (0, None)],
)
def test_a_reading_counts_for_less_than_2_s(read_at: int, left_s: int | None) -> None:
    game_clock = GameClock()
    game_clock.read(38, True, read_at)
    assert game_clock.known_to(ORDER).game_clock_s == left_s


def test_the_newest_reading_counts_and_a_stopped_clock_says_nothing() -> None:
    game_clock = GameClock()
    game_clock.read(38, True, 9 * S)
    game_clock.read(37, True, 10 * S)
    assert game_clock.known_to(ORDER).game_clock_s == 37
    game_clock.read(37, False, 10 * S)
    assert game_clock.known_to(ORDER).game_clock_s is None


@pytest.mark.parametrize("left_s", [-1, LONGEST_S + 1])
def test_nonsense_is_refused_and_the_reading_before_it_stands(left_s: int) -> None:
    game_clock = GameClock()
    game_clock.read(38, True, 9 * S)
    with pytest.raises(ValueError, match=f"game clock {left_s}: must be 0 to 5999 seconds"):
        game_clock.read(left_s, True, 10 * S)
    assert game_clock.known_to(ORDER).game_clock_s == 38


def test_the_boards_stay_blank_and_the_record_says_why() -> None:
    async def main(clock: VirtualClock) -> None:
        async with Game(clock, rules=load_rule_set("ncaa")) as game:
            game.handset.press(Key.SNAP)
            await game.at(3)
            game.service.game_clock.read(38, True, clock())
            await game.at(4)
            game.handset.press(Key.DEAD_BALL)
            assert game.lamps() == (None, None)
            last = game.journal.of("press")[-1]
            assert last.reason == "0:38 left on the game clock: no count is started"
            assert last.phase_after == "IDLE"
            await game.at(8)
            game.handset.press(Key.DEAD_BALL)  # the feed has been silent since
            assert game.lamps() == (40, 40)

    run(main)
