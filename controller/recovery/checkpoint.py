"""Has everything that a restart needs kept before anything of it is shown."""

from __future__ import annotations

import time
from typing import Protocol

from controller.journal.recorder import Recorder
from controller.recovery.snapshot_codec import Checkpoint, PendingOrder
from controller.rules.events import Order
from controller.rules.play_clock import PlayClock

RENEWED_NS = 1_000_000_000
"""A checkpoint is kept again so often even if nothing happens: it tells how long an outage was."""


class CheckpointStore(Protocol):
    """Where checkpoints are kept: :class:`controller.recovery.recovery.Recovery`."""

    def save_order(self, pending: PendingOrder) -> None: ...

    def save(self, checkpoint: Checkpoint) -> None: ...


class Checkpointer:
    """Puts the checkpoints together; ``store`` None keeps nothing."""

    def __init__(self, store: CheckpointStore | None = None) -> None:
        self._store = store
        self.due_at = 0
        """When a checkpoint is wanted next even if nothing happens."""

    def keep_order(self, order: Order, received_at: int, now: int) -> None:
        """Keep an order that was decided ``now``: before its frame leaves."""
        if self._store is not None:
            self._store.save_order(PendingOrder(order, received_at, now, time.time_ns()))

    def keep(
        self,
        play_clock: PlayClock,
        recorder: Recorder,
        now: int,
        *,
        off_why: str = "",
        dark_why: str = "",
        in_order: bool = False,
    ) -> None:
        """Keep what is so now, why the boards are off or dark, and all rows that are not on disk.
        ``in_order`` when the game was closed properly."""
        self.due_at = now + RENEWED_NS
        rows = recorder.kept
        if self._store is None:
            return
        numbers = recorder.numbers
        self._store.save(
            Checkpoint(
                saved_at=now,
                in_order=in_order,
                game=numbers.game,
                event_number=numbers.event,
                numbered=numbers.settled,
                state=play_clock.state,
                gesture=play_clock.gesture,
                off_why=off_why,
                dark_why=dark_why,
                rows=rows,
                rows_left_out=recorder.left_out,
                keeper=recorder.keeper,
                recent=recorder.recent,
            )
        )
