"""One process of the service: alive until it is killed, and then it changes nothing any more.

A killed process cannot be stopped in the middle of a turn in here, so it is cut off from the world
instead: its ports, its snapshot and its journal take nothing from that very call on.
"""

from __future__ import annotations

import enum
from collections.abc import Callable
from pathlib import Path

from controller.recovery.recovery import Recovery, RestartPlan
from controller.recovery.snapshot_codec import Checkpoint, PendingOrder
from drivers.base import Clock


class Where(enum.Enum):
    """Where in a turn a process is killed."""

    BEFORE_SNAPSHOT = "before the snapshot"
    WITHIN_SNAPSHOT = "within the snapshot"
    AFTER_SNAPSHOT = "after the snapshot, before the frame"
    WITHIN_FRAME = "within the frame"
    AFTER_FRAME = "after the frame"
    SOON_AFTER = "a moment after the turn"


class Life:
    """``clock`` is that of its boot; ``killed`` is told when it ends."""

    def __init__(self, clock: Clock, killed: Callable[[], None]) -> None:
        self.clock = clock
        self.alive = True
        self.pressing = False
        """True while a press is being decided."""
        self._armed: Where | None = None
        self._in_press = False
        self._cut_at = 0
        self.forgot = False
        """Killed with the present turn's decision in no snapshot."""
        self._killed = killed

    def arm(self, where: Where | None, cut_at: int, *, in_press: bool) -> None:
        """Be killed in the next turn that comes to ``where``, or the next press that does; of what
        is being written then, ``cut_at`` bytes are."""
        self._armed, self._cut_at, self._in_press = where, cut_at, in_press

    @property
    def armed(self) -> bool:
        """True while it is to be killed."""
        return self._armed is not None

    def due(self, where: Where) -> bool:
        """True when this is where to die."""
        return self.alive and self._armed is where and (self.pressing or not self._in_press)

    def end(self) -> None:
        """The process is no more."""
        if self.alive:
            self.alive = False
            self._killed()

    def dies_within(self, data: bytes, port: str) -> int | None:
        """How much of a write to ``port`` is done before the kill; None when it is not now."""
        within, after = self.due(Where.WITHIN_FRAME), self.due(Where.AFTER_FRAME)
        if port != "boards" or not (within or after):
            return None
        self.end()
        return len(data) if after else self._cut_at % len(data)

    def cut(self, old: bytes, new: bytes) -> bytes:
        """What is there after a write of ``new`` over ``old`` that got no further."""
        first = next(i for i, (a, b) in enumerate(zip(old, new, strict=True)) if a != b)
        cut = first + 1 + self._cut_at
        return new[:cut] + old[cut:]


class Kept:
    """The snapshots of one life: those of a real :class:`Recovery` until it is killed."""

    def __init__(self, continuity: Recovery, path: Path, life: Life) -> None:
        self._continuity, self._path, self._life = continuity, path, life

    @property
    def plan(self) -> RestartPlan:
        return self._continuity.plan

    def save_order(self, pending: PendingOrder) -> None:
        self._write(lambda: self._continuity.save_order(pending))

    def save(self, checkpoint: Checkpoint) -> None:
        self._write(lambda: self._continuity.save(checkpoint))

    def _write(self, write: Callable[[], None]) -> None:
        life = self._life
        if not life.alive:
            return
        if life.due(Where.BEFORE_SNAPSHOT):
            life.forgot = True
        elif life.due(Where.WITHIN_SNAPSHOT):
            old = self._path.read_bytes()
            write()
            new = self._path.read_bytes()
            cut = life.cut(old, new)
            with self._path.open("r+b") as file:
                file.write(cut)
            life.forgot = cut != new
        else:
            write()
            if not life.due(Where.AFTER_SNAPSHOT):
                return
        life.end()
