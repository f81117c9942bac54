"""What the service must be able to do with whatever a power cut has left."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from controller.journal.file import JournalFile, Origin
from controller.journal.head import HeadKeeper
from controller.journal.reader import JournalReader
from controller.journal.row import Dated
from controller.recovery.marker import MARKER
from drivers.handset.keys import load_keys
from tests.controller.journal_rows import KICKOFF_NS, row
from tests.scenarios.crash.disk import Contents
from tests.scenarios.crash.writers import BOOT, PAIRED

JOURNAL = "journal.sqlite3"


def lay_out(folder: Path, contents: Contents) -> None:
    """The folder as it is found when the power is back. SQLite's shared index was never synced: it
    holds anything."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, content in contents.items():
        path = folder / name
        path.touch(0o600)
        path.write_bytes(content)
    if f"{JOURNAL}-wal" in contents:
        (folder / f"{JOURNAL}-shm").write_bytes(b"\xa5" * 32_768)


def last(said: Sequence[str], word: str) -> int:
    """The highest number that was told with a word; 0 if none was."""
    return max((int(text.split()[1]) for text in said if text.startswith(word)), default=0)


def started_again(folder: Path, said: Sequence[str], appended: int) -> None:
    """The next start of a service: nothing that was told before is taken back."""
    opened = [text for text in said if text in ("open", "closing")]
    if opened and opened[-1] == "open":
        assert (folder / MARKER).exists(), "a power cut would go unnoticed"
    journal_goes_on(folder, said, appended)


def journal_goes_on(folder: Path, said: Sequence[str], appended: int) -> None:
    """The journal opens, holds every row that was told to be in it, no row twice, none that nobody
    wrote, in a whole chain and a whole file, and takes the next row."""
    journalled = last(said, "journalled")
    path = folder / JOURNAL
    if not path.exists():
        assert journalled == 0, "the journal is gone"
    with contextlib.closing(JournalFile(path, Origin(BOOT, "0.1.0", "rules-1"))) as file:
        before = file.opening().event_number
        assert journalled <= before <= appended, f"{before} rows, {journalled} were acknowledged"
        (intact,) = file.connection.execute("PRAGMA integrity_check").fetchone()
        assert intact == "ok", intact
        assert HeadKeeper(path).doubt(file.opening().head[0], file.digest_of) == ""
        file.connection.execute("PRAGMA synchronous = OFF")  # of the bench, not of the service
        head = file.add([Dated(row(before + 1), KICKOFF_NS)], True)
    with JournalReader(path) as reader:
        verdict = reader.verify()
        assert (verdict.problem, verdict.head) == ("", head)
        numbers = [entry.row.event_number for entry in reader.entries()]
        assert numbers == list(range(1, before + 2))
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def handsets_are_still_paired(folder: Path, said: Sequence[str], _: int) -> None:
    """The old keys or the new ones, and not older than was told."""
    path = folder / "handsets.keys"
    paired = [int(text.split()[1]) for text in said]
    if not path.exists():
        assert not paired
        return
    found = load_keys(path)
    assert found in PAIRED[max(paired, default=0) :][:2]
