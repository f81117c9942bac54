"""One process of the service: alive until it is killed, and then it changes nothing any more.

A killed process cannot be stopped in the middle of a turn in here, so it is cut off from the world
instead: its ports, its snapshot and its journal take nothing from that very call on. Journal
rows reach the disk some time after they were handed over, or much later; what is on it when a
process ends goes through the real file, which numbers, chains and leaves out what is there already.
"""

from __future__ import annotations

import enum
from collections.abc import Callable
from pathlib import Path

from controller.journal.file import JournalFile, Opening, Origin
from controller.journal.row import Dated, Row
from controller.recovery.recovery import Recovery, RestartPlan
from controller.recovery.snapshot_codec import Checkpoint, PendingOrder
from controller.recovery.snapshot_file import MARK_AT
from drivers.base import Clock
from tests.scenarios.simulation.schedule import Schedule
from tests.shared.frames import MS_NS

GATHER_NS, SYNC_NS = 50 * MS_NS, 8 * MS_NS


class KillPoint(enum.Enum):
    """Where in a turn a process is killed."""

    BEFORE_SNAPSHOT = "before the snapshot"
    WITHIN_SNAPSHOT = "within the snapshot"
    AFTER_SNAPSHOT = "after the snapshot, before the frame"
    WITHIN_FRAME = "within the frame"
    AFTER_FRAME = "after the frame"
    SOON_AFTER = "a moment after the turn"


class Process:
    """``clock`` is that of its boot; ``killed`` is told when it ends."""

    def __init__(self, clock: Clock, killed: Callable[[], None]) -> None:
        self.clock = clock
        self.alive = True
        self.pressing = False
        """True while a press is being decided."""
        self._armed: KillPoint | None = None
        self._in_press = False
        self._cut_at = 0
        self.forgot = False
        """Killed with the present turn's decision in no snapshot."""
        self._killed = killed

    def arm(self, where: KillPoint | None, cut_at: int, *, in_press: bool) -> None:
        """Be killed in the next turn that comes to ``where``, or the next press that does; of what
        is being written then, ``cut_at`` bytes are."""
        self._armed, self._cut_at, self._in_press = where, cut_at, in_press

    @property
    def armed(self) -> bool:
        """True while it is to be killed."""
        return self._armed is not None

    def due(self, where: KillPoint) -> bool:
        """True when this is where to die."""
        return self.alive and self._armed is where and (self.pressing or not self._in_press)

    def end(self) -> None:
        """The process is no more."""
        if self.alive:
            self.alive = False
            self._killed()

    def dies_within(self, data: bytes, port: str) -> int | None:
        """How much of a write to ``port`` is done before the kill; None when it is not now."""
        within, after = self.due(KillPoint.WITHIN_FRAME), self.due(KillPoint.AFTER_FRAME)
        if port != "boards" or not (within or after):
            return None
        self.end()
        return len(data) if after else self._cut_at % len(data)

    def cut(self, old: bytes, new: bytes) -> bytes:
        """What is there after a write of ``new`` over ``old`` that got no further."""
        first = next(i for i, (a, b) in enumerate(zip(old, new, strict=True)) if a != b)
        cut = first + 1 + self._cut_at
        return new[:cut] + old[cut:]


class KillableRecovery:
    """The snapshots of one process: those of a real :class:`Recovery` until it is killed."""

    def __init__(self, recovery: Recovery, path: Path, process: Process) -> None:
        self._recovery, self._path, self._process = recovery, path, process

    @property
    def plan(self) -> RestartPlan:
        return self._recovery.plan

    def troubles(self) -> dict[str, str]:
        return self._recovery.troubles()

    def save_order(self, pending: PendingOrder) -> None:
        self._write(lambda: self._recovery.save_order(pending))

    def save(self, checkpoint: Checkpoint) -> None:
        self._write(lambda: self._recovery.save(checkpoint))

    def _write(self, write: Callable[[], None]) -> None:
        process = self._process
        if not process.alive:
            return
        if process.due(KillPoint.BEFORE_SNAPSHOT):
            process.forgot = True
        elif process.due(KillPoint.WITHIN_SNAPSHOT):
            old = self._path.read_bytes()
            write()
            new = self._path.read_bytes()[:MARK_AT]
            cut = process.cut(old[:MARK_AT], new)
            with self._path.open("r+b") as file:
                file.write(cut + old[MARK_AT:])  # the mark comes last
            process.forgot = cut != new
        else:
            write()
            if not process.due(KillPoint.AFTER_SNAPSHOT):
                return
        process.end()


class Disk:
    """``stalled_until_at`` is when the disk takes anything again."""

    def __init__(self, path: Path, schedule: Schedule) -> None:
        self.path, self.schedule = path, schedule
        self.stalled_until_at = 0
        self.last_row_at = 0
        """Of the newest row on the disk, by the clock of the present boot."""


class KillableJournal:
    """The journal of one process, a :class:`controller.journal.recorder.Journalling`."""

    def __init__(self, disk: Disk, process: Process, origin: Origin) -> None:
        self._disk, self._process = disk, process
        self._file = JournalFile(disk.path, origin)
        self._opening = self._file.opening()
        self.journalled, self.fault, self.doubt = 0, "", ""
        self.head = self._opening.head
        self._opened = False
        self._written: list[Dated] = []
        self._waiting: list[Dated] = []
        self._due = False
        self._later(self._open)

    def opening(self, timeout_s: float) -> Opening | None:
        return self._opening if self._opened else None

    def append(self, row: Row, wall_ns: int) -> None:
        self._waiting.append(Dated(row, wall_ns))
        if not self._due:
            self._due = True
            self._later(self._write)

    def close(self, *, in_order: bool) -> None:
        """The process has ended; with ``in_order`` it wrote everything."""
        if in_order:
            self._written += self._waiting
        self._file.add(self._written, None)
        self._file.close()
        if self._written:
            self._disk.last_row_at = self._written[-1].row.received_at

    def _later(self, act: object) -> None:
        schedule = self._disk.schedule
        begins_at = max(schedule.clock() + GATHER_NS, self._disk.stalled_until_at)
        schedule.at(begins_at + SYNC_NS, act)  # type: ignore[arg-type]

    def _open(self, at: int) -> None:
        self._opened = True
        self.journalled = max(self.journalled, self._opening.event_number)

    def _write(self, at: int) -> None:
        if not self._process.alive:
            return
        if at < self._disk.stalled_until_at:
            self._later(self._write)
            return
        self._due = False
        self._written += self._waiting
        numbers = [dated.row.event_number or 0 for dated in self._waiting]
        self.journalled = max([self.journalled, *numbers])
        self._waiting = []
