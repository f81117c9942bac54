"""Has every moment of the service kept before anything of it is shown."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Protocol

from controller.journal.recorder import Recorder
from controller.recovery.snapshot_codec import Checkpoint, PendingOrder
from controller.rules.events import Order
from controller.rules.play_clock import PlayClock
from drivers.base import Acknowledgement, Result

RENEWED_NS = 1_000_000_000
"""A moment is kept anew so often even if nothing happens: it tells how long an outage was."""


class CheckpointStore(Protocol):
    """Where moments are kept: :class:`controller.recovery.recovery.Recovery`."""

    def carry(self, carried: PendingOrder) -> None: ...

    def save(self, moment: Checkpoint) -> None: ...


class Checkpointer:
    """Puts the moments together. ``counters`` gives the handsets' own counters, ``keys`` are the
    fingerprints of the keys they belong to; ``keeping`` None keeps nothing."""

    def __init__(
        self,
        keeping: CheckpointStore | None = None,
        counters: Callable[[], Mapping[int, int]] = dict,
        acknowledged: Acknowledgement | None = None,
        keys: Mapping[int, str] | None = None,
    ) -> None:
        self._keeping = keeping
        self._keys = keys or {}
        self._counters = counters
        self.acknowledged = acknowledged
        self.due_at = 0
        """When a moment is wanted next even if nothing happens."""
        self.off_why = self.dark_why = ""

    def carry(self, order: Order, received_at: int, now: int, told: Acknowledgement | None) -> None:
        """Keep an order that was decided ``now``: before its frame leaves."""
        if told is not None:
            self.acknowledged = told
        if self._keeping is not None:
            counter, answer = (told.counter, told.result) if told else (0, Result.NONE)
            carried = PendingOrder(order, received_at, now, counter, answer, time.time_ns())
            self._keeping.carry(carried)

    def keep(
        self, play_clock: PlayClock, recorder: Recorder, now: int, *, in_order: bool = False
    ) -> None:
        """Keep this moment, with all rows that are not on disk."""
        self.due_at = now + RENEWED_NS
        rows = recorder.kept
        if self._keeping is None:
            return
        numbers = recorder.numbers
        self._keeping.save(
            Checkpoint(
                saved_at=now,
                in_order=in_order,
                game=numbers.game,
                event_number=numbers.event,
                numbered=numbers.settled,
                state=play_clock.state,
                gesture=play_clock.gesture,
                off_why=self.off_why,
                dark_why=self.dark_why,
                counters=self._counters(),
                acknowledged=self.acknowledged,
                rows=rows,
                rows_left_out=recorder.left_out,
                keys=self._keys,
            )
        )
