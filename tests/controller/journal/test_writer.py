from __future__ import annotations

import errno
import json
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from controller.journal import writer
from controller.journal.file import Head, JournalFile, Opening, Origin
from controller.journal.head import kept_beside, read_kept
from controller.journal.reader import JournalReader
from controller.journal.row import Dated
from controller.journal.writer import BACKOFF_S, GATHER_S, HEALED, Journal
from tests.controller.journal_rows import (
    KICKOFF_NS,
    NOBODY,
    ordinary_user,
    row,
    sql,
    write,
)

NOWHERE = Path("/nowhere/journal")
"""Of a journal whose file is a fake: its head, which is none, shall be kept nowhere."""
PATIENCE_S = 5.0
"""How long a test waits for the thread before it fails; never waited out when all is well."""


def make(path: Path, faults: list[str], **changes: Any) -> Journal:
    usual: dict[str, Any] = {
        "software": "0.1.0",
        "rules_hash": "rules-1",
        "on_fault": faults.append,
        "synchronised": lambda: True,
        "wall_clock": lambda: KICKOFF_NS,
        "boot_id": "boot-a",
        "wait": lambda _seconds: None,
    }
    return Journal(path, **(usual | changes))


def events(path: Path) -> list[tuple[int | None, str]]:
    with JournalReader(path) as reader:
        assert reader.verify().problem == ""
        return [(entry.row.event_number, entry.row.event) for entry in reader.entries()]


def until(reached: Callable[[], bool]) -> None:
    """Let the journal's thread run until it has got there."""
    end = time.monotonic() + PATIENCE_S
    while not reached():
        assert time.monotonic() < end, "the thread did not get there"
        os.sched_yield()


def journal_one_row(journal: Journal) -> None:
    """Start it with a row, and close it once that is on the disk."""
    journal.append(row(1))
    journal.start()
    until(lambda: journal.journalled >= 1)
    assert journal.close(PATIENCE_S)


def noting(faults: list[str], act: Callable[[], object]) -> Callable[[str], None]:
    """Notes each fault and each healing; a fault also has ``act`` done."""

    def on_fault(text: str) -> None:
        faults.append(text)
        if text != HEALED:
            act()

    return on_fault


class FakeFile(JournalFile):
    """Notes what it is asked to add; fails as told by ``errors``, one for each attempt."""

    def __init__(self, log: list[object], errors: Iterator[Exception | None]) -> None:
        self._log = log
        self._errors = errors

    def opening(self) -> Opening:
        return Opening(0, 0, 0, (0, ""))

    def add(self, rows: Sequence[Dated], wall_synchronised: bool | None) -> Head:
        error = next(self._errors, None)
        if error is not None:
            self._log.append("failed")
            raise error
        self._log.append([dated.row.event_number for dated in rows])
        return (1, "ab")

    def close(self) -> None:
        pass


def fake(log: list[object], *errors: Exception | None) -> Callable[[Path, Origin], JournalFile]:
    file = FakeFile(log, iter(errors))
    return lambda _path, _origin: file


def test_rows_are_on_disk_after_closing(tmp_path: Path) -> None:
    faults: list[str] = []
    journal = make(tmp_path / "journal", faults)
    journal.append(row(1))  # before the start: kept
    journal.start()
    journal.append(row(2))
    assert journal.close(PATIENCE_S)
    assert events(tmp_path / "journal") == [(1, "play ended"), (2, "play ended")]
    assert (journal.journalled, journal.head[0], journal.waiting, faults) == (2, 2, 0, [])


def test_the_wall_time_is_that_of_the_handing_over(tmp_path: Path) -> None:
    moments = iter([KICKOFF_NS, KICKOFF_NS + 1_500_000_000])
    journal = make(tmp_path / "journal", [], wall_clock=lambda: next(moments), boot_id=None)
    journal.append(row(1))
    journal.append(row(2))
    journal.start()
    assert journal.close(PATIENCE_S)
    with JournalReader(tmp_path / "journal") as reader:
        first, second = reader.entries()
    assert (second.wall_time - first.wall_time).total_seconds() == 1.5
    boot_id = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    assert first.boot_id == boot_id
    assert first.wall_synchronised is True


def test_one_gathering_of_50_ms_then_one_transaction_whatever_comes_meanwhile() -> None:
    log: list[object] = []
    closed = threading.Event()

    def wait(seconds: float) -> None:
        log.append(seconds)
        if len(log) == 1:
            for number in (2, 3, 4):
                journal.append(row(number))
        else:
            closed.wait(PATIENCE_S)

    journal = make(NOWHERE, [], open_file=fake(log), wait=wait)
    journal.start()
    assert journal.opening(PATIENCE_S) is not None
    journal.append(row(1))
    until(lambda: journal.journalled >= 4)
    closed.set()
    assert journal.close(PATIENCE_S)
    assert log[:2] == [GATHER_S, [1, 2, 3, 4]]
    assert GATHER_S <= 0.05, "the rest of the 250 ms belongs to the disk"


def test_handing_over_does_not_wait_for_the_disk() -> None:
    stuck, free = threading.Event(), threading.Event()

    class StuckFile(FakeFile):
        def add(self, rows: Sequence[Dated], wall_synchronised: bool | None) -> Head:
            stuck.set()
            assert free.wait(PATIENCE_S)
            return super().add(rows, wall_synchronised)

    log: list[object] = []
    file = StuckFile(log, iter(()))
    journal = make(NOWHERE, [], open_file=lambda _path, _origin: file)
    journal.start()
    journal.append(row(1))
    assert stuck.wait(PATIENCE_S)
    for number in range(2, 500):
        journal.append(row(number))
    assert (journal.waiting, journal.journalled) == (499, 0)
    free.set()
    assert journal.close(PATIENCE_S)
    assert log == [[1], list(range(2, 500))]


def test_a_failing_disk_is_told_once_retried_more_slowly_and_its_healing_told() -> None:
    log: list[object] = []
    faults: list[str] = []
    full = [OSError(errno.ENOSPC, "No space left on device")] * 7
    journal = make(NOWHERE, faults, open_file=fake(log, *full), wait=log.append)
    journal.start()
    assert journal.opening(PATIENCE_S) == Opening(0, 0, 0, (0, ""))
    journal.append(row(1))
    until(lambda: journal.journalled >= 1)
    assert journal.close(PATIENCE_S)
    waits = [entry for entry in log if isinstance(entry, float)]
    assert waits[:8] == [GATHER_S, *BACKOFF_S, BACKOFF_S[-1], BACKOFF_S[-1]]
    assert log.count("failed") == 7
    assert [entry for entry in log if isinstance(entry, list)] == [[1, None]]
    assert faults == [f"{NOWHERE}: No space left on device", HEALED]
    assert journal.fault == ""


def test_the_pauses_begin_short_again_with_each_fault() -> None:
    log: list[object] = []
    lost = OSError(errno.EIO, "I/O")
    file = fake(log, lost, lost, None, lost, None)
    journal = make(NOWHERE, [], open_file=file, wait=log.append)
    journal.start()
    assert journal.opening(PATIENCE_S) is not None
    for number in (1, 2):
        journal.append(row(number))
        until(lambda number=number: journal.journalled >= number)  # type: ignore[misc]
    assert journal.close(PATIENCE_S)
    waits = [entry for entry in log if isinstance(entry, float)]
    assert waits[:5] == [GATHER_S, BACKOFF_S[0], BACKOFF_S[1], GATHER_S, BACKOFF_S[0]]


def test_memory_running_full_on_a_full_disk_is_told_once() -> None:
    faults: list[str] = []
    tries, paused = threading.Semaphore(0), threading.Semaphore(0)

    def wait(seconds: float) -> None:
        if seconds != GATHER_S:
            paused.release()
            assert tries.acquire(timeout=PATIENCE_S)

    full = [OSError("disk full")] * 3
    journal = make(NOWHERE, faults, open_file=fake([], *full), wait=wait, limit=2)
    journal.start()
    assert journal.opening(PATIENCE_S) is not None
    for number in range(1, 6):
        journal.append(row(number))
        if number == 1:
            assert paused.acquire(timeout=PATIENCE_S)
    tries.release(9)
    until(lambda: journal.journalled >= 2 and not journal.fault)
    assert journal.close(PATIENCE_S)
    lossy = f"{NOWHERE}: disk full; memory is full too, new rows are being lost"
    assert faults == [f"{NOWHERE}: disk full", lossy, HEALED]


def test_closing_what_never_started_says_that_its_rows_are_not_on_disk() -> None:
    journal = make(NOWHERE, [], open_file=fake([]))
    journal.append(row(1))
    assert not journal.close(PATIENCE_S)


def test_another_reason_is_another_fault() -> None:
    faults: list[str] = []
    errors = [sqlite3.OperationalError(text) for text in ("disk I/O error", "database is locked")]
    journal_one_row(make(NOWHERE, faults, open_file=fake([], *errors)))
    assert faults == [f"{NOWHERE}: disk I/O error", f"{NOWHERE}: database is locked", HEALED]


def test_closing_on_a_failing_disk_says_that_rows_are_not_on_it() -> None:
    errors = [OSError(errno.EIO, "I/O")] * 100_000
    closed = threading.Event()
    journal = make(
        NOWHERE, [], open_file=fake([], *errors), wait=lambda _s: closed.wait(PATIENCE_S)
    )
    journal.append(row(1))
    journal.start()
    closed.set()
    assert not journal.close(PATIENCE_S)
    assert journal.waiting == 1


def test_closing_does_not_wait_longer_than_asked() -> None:
    free = threading.Event()
    journal = make(NOWHERE, [], wait=lambda _s: free.wait(PATIENCE_S), open_file=fake([]))
    journal.append(row(1))
    journal.start()
    assert not journal.close(0.01)
    free.set()


def test_when_memory_is_full_the_oldest_rows_stay_and_the_loss_is_journalled(
    tmp_path: Path,
) -> None:
    faults: list[str] = []
    path = tmp_path / "journal"
    journal = make(path, faults, limit=3)
    for number in range(1, 8):
        journal.append(row(number))
    assert faults == [f"{path}: the disk is too slow, new rows are being lost"]
    journal.start()
    until(lambda: journal.journalled >= 3)
    until(lambda: not journal.fault)
    journal.append(row(8))
    assert journal.close(PATIENCE_S)
    assert events(path) == [
        *((number, "play ended") for number in (1, 2, 3)),
        (None, "journal written again"),
        (None, "journal rows lost"),
        (8, "play ended"),
    ]
    with JournalReader(path) as reader:
        assert "4 rows did not fit in memory" in [entry.row.detail for entry in reader.entries()]
    assert faults[-1] == HEALED


def test_a_loss_just_before_the_end_is_journalled_too(tmp_path: Path) -> None:
    journal = make(tmp_path / "journal", [], limit=1)
    journal.append(row(1))
    journal.append(row(2))
    journal.start()
    assert journal.close(PATIENCE_S)
    assert (None, "journal rows lost") in events(tmp_path / "journal")


def test_where_to_go_on_from(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, [row(4, game=2, play=17)])
    journal = make(path, [])
    journal.start()
    opening = journal.opening(PATIENCE_S)
    assert opening is not None
    assert (opening.game, opening.play, opening.event_number) == (2, 17, 4)
    assert journal.close(PATIENCE_S)
    assert journal.journalled == 4
    assert journal.head == opening.head


def one_run(path: Path, numbers: Iterable[int], **changes: Any) -> Journal:
    """A run of the service that journals these rows and ends in order."""
    journal = make(path, [], **changes)
    for number in numbers:
        journal.append(row(number))
    journal.start()
    assert journal.close(PATIENCE_S)
    return journal


def cut(path: Path, left: int) -> None:
    """What somebody does who wants the last rows gone: the chain stays whole."""
    sql(path, "DROP TRIGGER journal_keeps_rows", f"DELETE FROM journal WHERE seq > {left}")
    with JournalReader(path) as reader:
        assert reader.verify().problem == ""


NOT_THE_ONE = "the record is not the one that was left"


def test_a_run_that_goes_on_where_the_last_one_stopped_has_no_doubt(tmp_path: Path) -> None:
    path, runtime = tmp_path / "journal.sqlite3", tmp_path / "runtime"
    first = one_run(path, range(1, 6), runtime_head=runtime)
    assert read_kept(path) == first.head
    assert one_run(path, range(6, 8), runtime_head=runtime).doubt == ""
    assert one_run(path, [], runtime_head=runtime).doubt == ""
    assert read_kept(path) == (
        7,
        sql(path, "SELECT lower(hex(digest)) FROM journal WHERE seq = 7")[0][0],
    )


@pytest.mark.parametrize("left", [9, 4, 0])
def test_rows_cut_off_between_runs_are_told_and_stand_in_the_record(
    tmp_path: Path, left: int
) -> None:
    path = tmp_path / "journal.sqlite3"
    before = one_run(path, range(1, 11))
    cut(path, left)
    found = one_run(path, [11])
    words = f"the journal ends at row {left}, but row 10 was noted: rows cut off"
    assert found.doubt == words
    with JournalReader(path) as reader:
        told = [entry.row for entry in reader.entries()][left:]
    assert [(each.kind, each.event) for each in told] == [
        ("fault", NOT_THE_ONE),
        ("press", "play ended"),
    ]
    assert told[0].detail == f"{words}; what was left ended with 10:{before.head[1]}"
    assert one_run(path, [12]).doubt == "", "it is told once, and the record goes on"


def test_a_record_that_was_made_up_again_or_taken_away_is_told(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    one_run(path, range(1, 6))
    path.unlink()
    write(path, [row(number, event="another") for number in range(1, 9)])
    assert "rewritten up to there" in one_run(path, [9]).doubt
    path.unlink()
    gone = one_run(path, [1])
    assert gone.doubt.startswith("the journal ends at row 0, but row 10 was noted")
    assert events(path) == [(None, NOT_THE_ONE), (1, "play ended")]


def test_rows_cut_off_after_a_kill_show_against_what_tmpfs_has(tmp_path: Path) -> None:
    path, runtime = tmp_path / "journal.sqlite3", tmp_path / "runtime"
    one_run(path, range(1, 4), runtime_head=runtime)
    old = kept_beside(path).read_bytes()
    one_run(path, range(4, 8), runtime_head=runtime)
    kept_beside(path).write_bytes(old)  # it had no time to go to the disk
    cut(path, 5)
    assert "ends at row 5, but row 7 was noted" in one_run(path, [8], runtime_head=runtime).doubt


def test_a_kept_head_is_never_ahead_of_the_rows_on_the_disk(tmp_path: Path) -> None:
    """At each sync of the journal, and just after a commit, what is kept is of rows that are."""
    path, runtime = tmp_path / "journal.sqlite3", tmp_path / "runtime"
    looked: list[tuple[int, int]] = []

    def kept() -> int:
        line = runtime.read_text().partition(":")[0] if runtime.exists() else "0"
        head = read_kept(path)
        return max(int(line), head[0] if head else 0)

    class Watched(JournalFile):
        def add(self, rows: Sequence[Dated], wall_synchronised: bool | None) -> Head:
            looked.append((kept(), len(sql(path, "SELECT 1 FROM journal"))))
            head = super().add(rows, wall_synchronised)
            looked.append((kept(), head[0] - len(rows)))
            return head

    journal = make(path, [], open_file=Watched, runtime_head=runtime)
    journal.start()
    for number in range(1, 6):
        journal.append(row(number))
        until(lambda number=number: journal.journalled >= number)  # type: ignore[misc]
    assert journal.close(PATIENCE_S)
    assert len(looked) >= 10
    assert all(noted <= on_disk for noted, on_disk in looked)
    assert kept() == 5


ON_A_SMALL_DISK = """
import json, pathlib, subprocess, sys, threading, time
from controller.journal.writer import HEALED, Journal
from controller.journal.reader import JournalReader
from tests.controller.journal_rows import row

folder = pathlib.Path(sys.argv[1])
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", folder], check=True)
faults, told, healed = [], threading.Event(), threading.Event()

def on_fault(text):
    faults.append(text.replace(str(folder), ""))
    (healed if text == HEALED else told).set()

ballast = folder / "ballast"
ballast.write_bytes(bytes(100 * 1024))
journal = Journal(folder / "journal", software="", rules_hash="", on_fault=on_fault,
                  synchronised=lambda: None)
journal.start()
number = 0
while not told.is_set() and number < 2000:
    number += 1
    journal.append(row(number, detail="x" * 500))
    told.wait(0.002)
ballast.unlink()
healed.wait(10)
journal.append(row(number + 1))
closed = journal.close(5)
with JournalReader(folder / "journal") as reader:
    numbers = [entry.row.event_number for entry in reader.entries() if entry.row.event_number]
    whole = reader.verify().problem == ""
print(json.dumps([closed, whole, numbers == list(range(1, number + 2)), faults]))
"""


def test_a_disk_that_is_really_full(tmp_path: Path) -> None:
    """On a file system of 256 KiB, mounted in a namespace of its own and gone with it."""
    rights = [] if os.geteuid() == 0 else ["--user", "--map-root-user"]
    command = ["unshare", *rights, "--mount", sys.executable, "-c", ON_A_SMALL_DISK, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if "unshare" in done.stderr:  # in a plain chroot not even root may
        pytest.skip(f"the kernel lets this user mount nothing here: {done.stderr.strip()}")
    assert done.returncode == 0, done.stderr
    closed, whole, complete, faults = json.loads(done.stdout)
    assert (closed, whole, complete) == (True, True, True)
    assert faults[0].startswith("/journal: ")
    assert "full" in faults[0] or "I/O" in faults[0]
    assert faults[-1] == HEALED


def test_a_disk_that_does_not_answer_is_told_and_so_is_its_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = threading.Event()

    class Slow(JournalFile):
        def add(self, rows: Sequence[Dated], wall_synchronised: bool | None) -> Head:
            answers.wait(PATIENCE_S)
            return super().add(rows, wall_synchronised)

    monkeypatch.setattr(writer, "STALLED_NS", 1_000_000)
    path = tmp_path / "journal"
    journal = make(path, [], open_file=Slow)
    journal.append(row(1))
    assert journal.fault == ""
    journal.start()
    until(lambda: journal.fault == f"{path}: the disk does not answer")
    answers.set()
    until(lambda: journal.journalled >= 1)
    assert journal.close(PATIENCE_S)
    assert journal.fault == ""
    with JournalReader(path) as reader:
        last = [entry.row for entry in reader.entries()][-1]
    assert (last.kind, last.event) == ("healed", "journal written again")
    assert last.detail.startswith("the disk did not answer for ")


def test_a_read_only_file() -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "journal"
        write(path, [row(1)])
        for owned in (path.parent, path):
            if os.geteuid() == 0:
                os.chown(owned, NOBODY, NOBODY)
        path.chmod(0o444)
        faults: list[str] = []
        with ordinary_user():
            mended = noting(faults, lambda: path.chmod(0o644))
            journal = make(path, [], on_fault=mended)
            journal.append(row(2))
            journal.start()
            until(lambda: journal.journalled >= 2)
            assert journal.close(PATIENCE_S)
            assert [number for number, _ in events(path)] == [1, 2, None]
        assert faults == [f"{path}: read-only for this user", HEALED]


def test_a_locked_file(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, [])
    other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    faults: list[str] = []
    journal_one_row(make(path, [], on_fault=noting(faults, other.rollback)))
    other.close()
    assert faults == [f"{path}: database is locked", HEALED]


@pytest.mark.parametrize(
    ("content", "fault"),
    [(b"no database " * 100, "file is not a database"), (None, "unable to open database file")],
)
def test_a_file_that_is_no_journal_until_it_is_moved_away(
    tmp_path: Path, content: bytes | None, fault: str
) -> None:
    path = tmp_path / "journal"
    if content is None:
        path.mkdir()
    else:
        path.write_bytes(content)
    faults: list[str] = []
    mended = noting(faults, lambda: path.rename(tmp_path / "away"))
    journal_one_row(make(path, [], on_fault=mended))
    assert faults == [f"{path}: {fault}", HEALED]
    assert [number for number, _ in events(path)] == [1, None]


def test_a_file_removed_in_use_is_begun_anew(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    faults: list[str] = []
    journal = make(path, faults)
    journal.start()
    journal.append(row(1))
    until(lambda: journal.journalled >= 1)
    path.unlink()
    journal.append(row(2))
    until(lambda: journal.journalled >= 2)
    assert journal.close(PATIENCE_S)
    assert events(path) == [(2, "play ended"), (None, "journal written again")]
    assert len(faults) == 2


def test_a_closed_loop_does_not_end_the_thread() -> None:
    def on_fault(_text: str) -> None:
        raise RuntimeError("Event loop is closed")

    log: list[object] = []
    file = fake(log, OSError("gone"), None)
    journal_one_row(make(NOWHERE, [], open_file=file, on_fault=on_fault))
    assert log == ["failed", [1, None]]


KILLED_WRITER = """
import sys
from pathlib import Path
from controller.journal.writer import Journal
from tests.controller.journal_rows import row

journal = Journal(Path(sys.argv[1]), software="", rules_hash="", on_fault=print,
                  synchronised=lambda: None, boot_id="boot-a", wait=lambda seconds: None)
journal.start()
number = told = 0
while True:
    if journal.waiting < 50:
        number += 1
        journal.append(row(number))
    if journal.journalled > told:
        told = journal.journalled
        print(told, flush=True)
"""


def test_every_row_said_to_be_on_disk_survives_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    command = [sys.executable, "-c", KILLED_WRITER, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        for line in writer.stdout:
            if int(line) > 300:
                break
        writer.send_signal(signal.SIGKILL)
        told = [int(line), *(int(rest) for rest in writer.stdout if rest.endswith("\n"))]
    numbers = [number for number, _ in events(path)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) >= told[-1]
    write(path, [row(number) for number in range(told[-1] - 10, len(numbers) + 5)])
    assert [number for number, _ in events(path)] == list(range(1, len(numbers) + 5))
