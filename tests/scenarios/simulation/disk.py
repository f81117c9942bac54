"""The disk under the journal: rows reach it some time after they were handed over, or much later.

What is on it when a process ends goes through the real file, which numbers, chains and leaves out
what is there already.
"""

from __future__ import annotations

from pathlib import Path

from controller.journal.file import JournalFile, Opening, Origin
from controller.journal.row import Dated, Row
from tests.scenarios.simulation.life import Life
from tests.scenarios.simulation.world import MS, World

GATHER_NS, SYNC_NS = 50 * MS, 8 * MS


class Disk:
    """``stalled_until_at`` is when the disk takes anything again."""

    def __init__(self, path: Path, world: World) -> None:
        self.path, self.world = path, world
        self.stalled_until_at = 0
        self.last_row_at = 0
        """Of the newest row on the disk, by the clock of the present boot."""

    def pen(self, life: Life, origin: Origin) -> Pen:
        """The journal of another process."""
        return Pen(self, life, origin)


class Pen:
    """A :class:`controller.journal.recorder.Journalling`."""

    def __init__(self, disk: Disk, life: Life, origin: Origin) -> None:
        self._disk, self._life = disk, life
        self._file = JournalFile(disk.path, origin)
        self._opening = self._file.opening()
        self.journalled, self.fault = 0, ""
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
        world = self._disk.world
        begins_at = max(world.clock() + GATHER_NS, self._disk.stalled_until_at)
        world.at(begins_at + SYNC_NS, act)  # type: ignore[arg-type]

    def _open(self, at: int) -> None:
        self._opened = True
        self.journalled = max(self.journalled, self._opening.event_number)

    def _write(self, at: int) -> None:
        if not self._life.alive:
            return
        if at < self._disk.stalled_until_at:
            self._later(self._write)
            return
        self._due = False
        self._written += self._waiting
        numbers = [dated.row.event_number or 0 for dated in self._waiting]
        self.journalled = max([self.journalled, *numbers])
        self._waiting = []
