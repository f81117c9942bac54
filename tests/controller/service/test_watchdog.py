"""The watchdog is fed while the boards are told, and only then."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import AsyncIterator, Callable
from itertools import pairwise
from pathlib import Path

import pytest

from controller.service.watchdog import FEEDS, Notifier, Watchdog
from drivers.base import Key
from tests.controller.fakes import Game, in_game

PATIENCE_S = 2.0


class Manager:
    """Hears what a service manager would, with the instant."""

    def __init__(self, game: Game) -> None:
        self.game = game
        self.said: list[tuple[int, str]] = []

    def hear(self, what: str) -> None:
        self.said.append((self.game.clock(), what))

    @property
    def words(self) -> list[str]:
        """Everything but the food."""
        return [what for _, what in self.said if what != "WATCHDOG=1"]

    def meals(self, since_at: int = 0) -> int:
        return sum(what == "WATCHDOG=1" and at > since_at for at, what in self.said)


@contextlib.asynccontextmanager
async def watched(game: Game, patience_s: float | None = PATIENCE_S) -> AsyncIterator[Manager]:
    """The game with a watchdog beside it."""
    manager = Manager(game)
    task = asyncio.create_task(Watchdog(game.service, manager.hear, patience_s).run())
    try:
        yield manager
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@in_game
async def test_ready_comes_with_the_first_frame_and_food_all_game(game: Game) -> None:
    async with watched(game) as manager:
        await game.at(10)
        assert manager.words[:2] == ["READY=1", "STATUS=boards blank"]
        assert 10 * FEEDS / PATIENCE_S - 3 <= manager.meals() <= 10 * FEEDS / PATIENCE_S
        gaps = [at for at, what in manager.said if what == "WATCHDOG=1"]
        longest_ns = max(b - a for a, b in pairwise(gaps))
        assert longest_ns < PATIENCE_S / 2 * 1e9


@in_game
async def test_words_come_only_when_the_boards_change(game: Game) -> None:
    async with watched(game) as manager:
        await game.at(1)
        game.handset.press(Key.DEAD_BALL)
        await game.present(20)
        assert manager.words == ["READY=1", "STATUS=boards blank", "STATUS=boards lit"]
        game.north.lie("17")
        await game.at(20.1)
        assert manager.words[-1] == "STATUS=boards off: north shows a wrong numeral"


async def meals_after(game: Game, manager: Manager, harm: Callable[[], object]) -> int:
    """How often it is fed from one feed after ``harm`` at 2 s to the tenth second."""
    await game.at(2)
    harm()
    await game.at(2 + PATIENCE_S / FEEDS)
    since_at = game.clock()
    await game.at(10)
    return manager.meals(since_at)


@in_game
async def test_a_dead_timer_starves_it(game: Game) -> None:
    """A bug that no longer sets the one timer: nothing is computed again."""
    async with watched(game) as manager:
        assert await meals_after(game, manager, game.service._timer.disarm) == 0


@in_game
async def test_a_driver_that_hangs_starves_it(game: Game) -> None:
    async with watched(game) as manager:
        assert await meals_after(game, manager, lambda: setattr(game.north, "stuck", True)) == 0


@in_game
async def test_a_pulled_cable_does_not_starve_it(game: Game) -> None:
    async with watched(game) as manager:
        meals = await meals_after(game, manager, lambda: game.north.lose_for(1_000))
        assert meals >= 7 * FEEDS / PATIENCE_S


@in_game
async def test_a_board_that_never_opens_is_a_declared_fault_and_ready(game: Game) -> None:
    async with watched(game) as manager:
        game.south.lose_for(1_000)
        await game.at(3)
        assert "READY=1" in manager.words


@in_game
async def test_a_manager_without_patience_gets_words_only(game: Game) -> None:
    async with watched(game, None) as manager:
        await game.at(5)
        assert manager.words == ["READY=1", "STATUS=boards blank"]
        assert manager.meals() == 0


def test_without_a_manager_nothing_happens() -> None:
    notifier = Notifier({})
    notifier.tell("READY=1")
    assert not notifier.listening
    assert notifier.watchdog_s is None
    notifier.close()


@pytest.mark.parametrize("abstract", [False, True])
def test_each_word_is_a_datagram(tmp_path: Path, abstract: bool) -> None:
    name = f"playclock-test-{os.getpid()}"
    address = "@" + name if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name if abstract else address)
        manager.settimeout(5)
        notifier = Notifier({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "2000000"})
        notifier.tell("READY=1")
        notifier.tell("STATUS=boards lit")
        assert [manager.recv(100), manager.recv(100)] == [b"READY=1", b"STATUS=boards lit"]
        assert notifier.listening
        assert notifier.watchdog_s == 2.0
        notifier.close()


def test_a_manager_that_is_gone_or_full_stops_nothing(tmp_path: Path) -> None:
    address = str(tmp_path / "notify")
    notifier = Notifier({"NOTIFY_SOCKET": address})
    notifier.tell("READY=1")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        for _ in range(2_000):
            notifier.tell("WATCHDOG=1")
    notifier.tell("WATCHDOG=1")
    notifier.close()


@pytest.mark.parametrize(
    ("more", "watchdog_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "500000"}, 0.5),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "500000", "WATCHDOG_PID": str(os.getpid())}, 0.5),
        ({"WATCHDOG_USEC": "500000", "WATCHDOG_PID": "1"}, None),
    ],
)
def test_whether_the_manager_waits_for_food(more: dict[str, str], watchdog_s: float | None) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": "/nowhere"} | more)
    assert notifier.watchdog_s == watchdog_s
    notifier.close()
