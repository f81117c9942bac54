"""Orders are kept before anything of them is shown, moments right after."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from controller.journal.recorder import Recorder
from controller.recovery.checkpoint import RENEWED_NS, Checkpointer
from controller.recovery.snapshot_codec import Checkpoint, PendingOrder
from controller.rules.phases import Expired, Running
from controller.rules.play_clock import PlayClock
from drivers.base import Key
from tests.controller.fakes import RULES, Game, S, in_game, in_idle
from tests.shared.virtual_time import VirtualClock


class Kept:
    """Keeps every checkpoint in memory."""

    def __init__(self) -> None:
        self.checkpoints: list[Checkpoint] = []
        self.orders: list[PendingOrder] = []
        self.on_order: Callable[[], None] = lambda: None

    def save_order(self, pending: PendingOrder) -> None:
        self.on_order()
        self.orders.append(pending)

    def save(self, checkpoint: Checkpoint) -> None:
        self.checkpoints.append(checkpoint)


def keep(game: Game) -> Kept:
    """Have the moments of a running game kept."""
    kept = Kept()
    game.service._checkpointer._store = kept
    return kept


@in_idle
async def test_a_press_is_kept_before_its_frame_and_its_row_before_the_journal(game: Game) -> None:
    kept = keep(game)
    kept.on_order = lambda: game.log.append(("keep", game.clock()))
    del game.log[:]
    before = len(kept.checkpoints)
    at = game.clock()
    game.handset.press(Key.DEAD_BALL)
    order = [what for what, _ in game.log if what != "observe"]
    assert order[:2] == ["keep", "show"]
    assert order.index("tell") < order.index("append")
    (pending,) = kept.orders
    assert (pending.order.at, pending.decided_at) == (at, at)
    (checkpoint,) = kept.checkpoints[before:]
    assert isinstance(checkpoint.state.down.phase, Running)
    (text,) = checkpoint.rows
    assert '"routine end of play"' in text and f",{checkpoint.event_number}," in text


@in_idle
async def test_zero_is_kept_with_its_row(game: Game) -> None:
    game.handset.press(Key.DEAD_BALL)
    await game.present(41.5)
    kept = keep(game)
    await game.present(43)
    zero_at = next(at for at, numerals in game.north.shown if numerals == 0)
    checkpoint = next(e for e in kept.checkpoints if isinstance(e.state.down.phase, Expired))
    assert checkpoint.saved_at == zero_at
    assert any("count reached zero" in each for each in checkpoint.rows)


@in_game
async def test_a_moment_is_renewed_every_second_whatever_happens(game: Game) -> None:
    await game.at(1)
    kept = keep(game)
    await game.at(11)
    assert 10 <= len(kept.checkpoints) <= 11
    gaps = [b.saved_at - a.saved_at for a, b in pairwise(kept.checkpoints)]
    assert max(gaps) <= RENEWED_NS + 100_000_000


@in_idle
async def test_rows_on_disk_are_kept_no_longer(game: Game) -> None:
    kept = keep(game)
    game.handset.press(Key.DEAD_BALL)
    await game.at(4)
    assert kept.checkpoints[-1].rows == []


@in_idle
async def test_darkness_by_a_fault_is_kept_with_its_reason(game: Game) -> None:
    kept = keep(game)
    game.handset.press(Key.DEAD_BALL)
    game.north.lie("17")
    assert kept.checkpoints[-1].dark_why == "north shows a wrong numeral"


@in_idle
async def test_an_orderly_end_is_kept_as_one(game: Game) -> None:
    kept = keep(game)
    game.service.stop()
    await game.task
    assert kept.checkpoints[-1].in_order
    assert not any(each.in_order for each in kept.checkpoints[:-1])


def test_without_a_place_nothing_is_kept_and_nothing_is_wrong() -> None:
    clock = VirtualClock()
    checkpointer = Checkpointer()
    checkpointer.keep(PlayClock(RULES), Recorder(None, clock()), clock())
    assert checkpointer.due_at == clock() + S
