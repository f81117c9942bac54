"""The journal: every event of every game, on disk within 250 ms and never in the clock's way.

The event loop calls :meth:`Journal.append`, which puts the row in memory and returns. One thread
owns the file: it sleeps until a row comes, gathers for 50 ms and writes what is there in one
transaction, synced to the disk. While the disk refuses (full, read-only, locked, damaged, removed)
the rows stay in memory, the thread opens the file again after growing pauses, and ``on_fault``
says so once; the clock notices nothing. A damaged file may be moved away while the service runs:
the next attempt begins a new one.

At most ``limit`` rows wait. Beyond it the oldest are kept and the newest are lost, so that the
record is whole up to a moment, and a row there tells how many are missing.

The thread shares the interpreter with the clock, so it does little in Python: tens of us a row,
in pieces between calls into SQLite, which give the interpreter away.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from pathlib import Path
from queue import Empty, SimpleQueue

from controller.journal.file import NOT_TOLD, Head, JournalFile, Opening, Origin
from controller.journal.head import HeadKeeper
from controller.journal.row import Dated, Row

HEALED = "healed"
"""What ``on_fault`` is told when the journal is written again."""
GATHER_S = 0.05
"""Counted from the first row that waits, and never prolonged by later ones: with it a row is on
the disk within 250 ms as long as two syncs take less than 200 ms; or three, once a minute, when the
head is kept."""
BACKOFF_S = (0.25, 0.5, 1.0, 2.0, 5.0)
STALLED_NS = 2_000_000_000
"""A disk that has not answered for so long is a fault: nobody knows whether it ever will."""


def _now() -> int:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def this_boot() -> str:
    """The kernel's random name of the present boot (``random(4)``)."""
    return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


class Journal:
    """Takes rows from the event loop and writes them in its own thread.

    ``software``, ``rules_hash`` and ``game_kind`` stand in every row. ``wall_clock`` gives
    nanoseconds since 1970 UTC, ``synchronised`` whether a time source keeps it. ``on_fault`` is
    called with a text in plain words when writing begins to fail or fails for another reason, and
    with :data:`HEALED` afterwards, mostly from the journal's thread: give it a hop into the loop
    (``lambda text: loop.call_soon_threadsafe(told, text)``).
    ``runtime_head`` is a file of tmpfs in which the head is kept at every commit.

    ``open_file`` and ``wait`` are for tests: the file, and the pause of the thread in seconds
    (by default until :meth:`close` at most).
    """

    def __init__(
        self,
        path: Path,
        *,
        software: str,
        rules_hash: str,
        on_fault: Callable[[str], object],
        synchronised: Callable[[], bool | None],
        game_kind: str = NOT_TOLD,
        wall_clock: Callable[[], int] = time.time_ns,
        boot_id: str | None = None,
        runtime_head: Path | None = None,
        limit: int = 10_000,
        open_file: Callable[[Path, Origin], JournalFile] = JournalFile,
        wait: Callable[[float], object] | None = None,
    ) -> None:
        self._path = path
        self._origin = Origin(boot_id or this_boot(), software, rules_hash, game_kind)
        self._on_fault = on_fault
        self._synchronised = synchronised
        self._wall_clock = wall_clock
        self._limit = limit
        self._open_file = open_file

        self._queue: SimpleQueue[Dated | None] = SimpleQueue()
        self._lost = 0
        self._game_and_play = (0, 0)
        self._closing = threading.Event()
        self._wait = wait or self._closing.wait
        self._attempted = threading.Event()
        self._thread = threading.Thread(target=self._work, name="journal", daemon=True)

        # Written by the thread, each in one assignment; the loop may read them. The fault is the
        # loop's too, when memory is full.
        self._file: JournalFile | None = None
        self._pending: list[Dated] = []
        self._opening: Opening | None = None
        self._head: Head = (0, "")
        self._doubt = ""
        self._heads = HeadKeeper(path, runtime_head)
        self._journalled = 0
        self._fault = ""
        self._fault_since_at = 0
        self._asked_at: int | None = None
        """Since when the disk has owed an answer."""

    @property
    def head(self) -> Head:
        """Number and digest (hexadecimal) of the newest row on disk: for the crew to note."""
        return self._head

    @property
    def journalled(self) -> int:
        """The highest event number of this boot known to be on disk; 0 before the first."""
        return self._journalled

    @property
    def waiting(self) -> int:
        """Rows that are in memory only."""
        return self._queue.qsize() + len(self._pending)

    @property
    def fault(self) -> str:
        """Why the journal is not being written, in plain words; empty while all is well."""
        asked_at = self._asked_at
        stalled = asked_at is not None and _now() - asked_at > STALLED_NS
        return self._fault or (f"{self._path}: the disk does not answer" if stalled else "")

    @property
    def doubt(self) -> str:
        """Why the journal, when it was opened, was not the one that the run before had left, in
        plain words; empty while all is well."""
        return self._doubt

    def start(self) -> None:
        """Start the thread; rows may be appended before. SQLite loads now: after the boards."""
        self._thread.start()

    def opening(self, timeout_s: float) -> Opening | None:
        """Where the journal stood when it was opened; waits for that, so not in the event loop.

        None if the file could not be opened or that took longer: number from 1, and rows whose
        event number turns out to be another event's are written without one.
        """
        self._attempted.wait(timeout_s)
        return self._opening

    def append(self, row: Row, wall_ns: int | None = None) -> None:
        """Hand over a row of the wall time ``wall_ns``, by default of now. Never blocks and never
        fails."""
        self._game_and_play = (row.game, row.play)
        if self.waiting >= self._limit:
            self._lost += 1
            if self._lost == 1 and not self._fault:
                self._say(f"{self._path}: the disk is too slow, new rows are being lost")
            return
        if self._lost:
            self._queue.put(self._take_lost())
        self._queue.put(Dated(row, self._wall_clock() if wall_ns is None else wall_ns))

    def close(self, timeout_s: float) -> bool:
        """Write what waits, in one last attempt, and stop. True if every row is on disk.

        Blocks for at most ``timeout_s``: call it when the boards are dark.
        """
        if self._lost:
            self._queue.put(self._take_lost())
        self._closing.set()
        self._queue.put(None)
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._thread.is_alive() and not self._drain()

    def _work(self) -> None:
        failures = 0
        while True:
            self._drain()
            written = self._timed_write()
            self._attempted.set()
            if self._closing.is_set() and (not written or self._queue.empty()):
                break
            if written:
                failures = 0
                self._keep(self._next())
                self._wait(GATHER_S)
            else:
                self._wait(BACKOFF_S[min(failures, len(BACKOFF_S) - 1)])
                failures += 1
        self._heads.put_on_disk(_now())
        self._heads.close()
        self._close_file()

    def _next(self) -> Dated | None:
        """The next row. While none comes there is time to keep the head."""
        while True:
            try:
                return self._queue.get(timeout=self._heads.due_s(_now()))
            except Empty:
                self._heads.put_on_disk(_now())

    def _keep(self, dated: Dated | None) -> None:
        if dated is not None:  # None only wakes the thread
            self._pending.append(dated)

    def _drain(self) -> int:
        """Move what is queued to the pending rows; gives their number."""
        for _ in range(self._queue.qsize()):
            self._keep(self._queue.get_nowait())
        return len(self._pending)

    def _timed_write(self) -> bool:
        asked_at = self._asked_at = _now()
        written = self._write()
        self._asked_at = None
        if written and _now() - asked_at > STALLED_NS:
            detail = f"the disk did not answer for {(_now() - asked_at) / 1e9:.1f} s"
            self._queue.put(self._own_row("healed", "journal written again", detail))
        return written

    def _write(self) -> bool:
        """One attempt to open the file, if need be, and to write the pending rows."""
        try:
            if self._file is None:
                self._file = self._open_file(self._path, self._origin)
                self._opened(self._file, self._file.opening())
            rows = self._pending
            if self._fault:
                rows = [*rows, self._healing()]
            if rows:
                self._head = self._file.add(rows, self._synchronised())
                self._heads.keep(self._head)
        except Exception as error:  # a bug here must neither stop the clock nor go unsaid
            self._close_file()
            lossy = "; memory is full too, new rows are being lost" if self._lost else ""
            self._say(f"{self._path}: {_plain(error, self._path)}{lossy}")
            return False
        numbers = [dated.row.event_number or 0 for dated in self._pending]
        self._journalled = max(self._journalled, *numbers, 0)
        self._pending = []
        if self._fault:
            self._say("")
        return True

    def _opened(self, file: JournalFile, opening: Opening) -> None:
        if self._opening is None:
            self._doubt = self._heads.doubt(opening.head[0], file.digest_of)
            self._opening = opening
            if self._doubt:
                left = self._heads.left
                ended = f"; what was left ended with {left[0]}:{left[1]}" if left else ""
                event, detail = "the record is not the one that was left", self._doubt + ended
                self._pending.insert(0, self._own_row("fault", event, detail))
        self._head = opening.head
        self._journalled = max(self._journalled, opening.event_number)

    def _close_file(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(Exception):  # it failed before; its error has been said
                file.close()

    def _say(self, fault: str) -> None:
        if fault == self._fault:
            return
        if not self._fault:
            self._fault_since_at = _now()
        self._fault = fault
        with contextlib.suppress(RuntimeError):  # the loop is closed already: nobody to tell
            self._on_fault(fault or HEALED)

    def _take_lost(self) -> Dated:
        lost, self._lost = self._lost, 0
        return self._own_row("fault", "journal rows lost", f"{lost} rows did not fit in memory")

    def _healing(self) -> Dated:
        late_s = (_now() - self._fault_since_at) / 1e9
        detail = f"{len(self._pending)} rows written up to {late_s:.1f} s late: {self._fault}"
        return self._own_row("healed", "journal written again", detail)

    def _own_row(self, kind: str, event: str, detail: str) -> Dated:
        game, play = self._game_and_play
        if not game and self._opening is not None:
            game = self._opening.game + 1  # the one that this run begins
        row = Row(
            kind=kind,
            game=game,
            play=play,
            event_number=None,
            received_at=_now(),
            event=event,
            detail=detail,
        )
        return Dated(row, self._wall_clock())


def _plain(error: Exception, path: Path) -> str:
    text = str(error) or type(error).__name__
    if isinstance(error, OSError) and error.strerror:
        text = f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return text.removeprefix(f"{path}: ")
