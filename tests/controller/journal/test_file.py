from __future__ import annotations

import contextlib
import hashlib
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.journal.file import COLUMNS, GENESIS, JournalFile, JournalFileError, Opening, Origin
from controller.journal.row import Dated
from tests.controller.journal_rows import KICKOFF_NS, ORIGIN, row, sql, write, write_version_1


def cells(path: Path, columns: str) -> list[tuple[Any, ...]]:
    return sql(path, f"SELECT {columns} FROM journal ORDER BY seq")


@pytest.fixture
def file(tmp_path: Path) -> Iterator[JournalFile]:
    with contextlib.closing(JournalFile(tmp_path / "journal", ORIGIN)) as opened:
        yield opened


def test_the_chain_can_be_checked_with_the_recipe_of_the_module(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, [row(1, facts=("incomplete", "foul"), event="Spiel läuft, 40"), row(2)])
    digest, seen = GENESIS, 0
    for *found, stored in cells(path, "*"):
        texts = [None if cell is None else str(cell).encode() for cell in found]
        parts = [b"-" if text is None else b"%d:%b," % (len(text), text) for text in texts]
        digest = hashlib.sha256(digest + b"".join(parts)).digest()
        assert digest == stored
        seen += 1
    assert seen == 2


def test_the_table_has_the_columns_in_the_order_of_the_digest(file: JournalFile) -> None:
    found = file.connection.execute("PRAGMA table_info(journal)").fetchall()
    assert [column[1] for column in found] == [*COLUMNS, "digest"]


def test_a_row_keeps_all_it_was_given(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, [row(7, facts=("a", "b"), handset=1, edge_at=5, ruling_seconds=40)])
    columns = "wall_time, wall_synchronised, boot_id, software, rules_hash, facts, handset, edge_at"
    assert cells(path, columns) == [
        ("2026-09-11T23:03:12.400000Z", 1, "boot-a", "0.1.0", "rules-1", "a, b", 1, 5)
    ]
    assert cells(path, "event_number, ruling_seconds, citation") == [(7, 40, "")]


@pytest.mark.parametrize("statement", ["DELETE FROM journal", "UPDATE journal SET play = 9"])
def test_the_past_cannot_be_changed(tmp_path: Path, statement: str) -> None:
    path = tmp_path / "journal"
    write(path, [row(1)])
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        sql(path, statement)
    assert cells(path, "play") == [(1,)]


@pytest.mark.parametrize(
    ("first", "second", "boot_id", "kept"),
    [
        ([1, 2], [2, 3, 3, 4], "boot-a", [1, 2, 3, 4]),
        ([1], [1], "boot-b", [1, 1]),
        ([None], [None], "boot-a", [None, None]),
    ],
)
def test_the_same_event_of_the_same_boot_is_left_out_and_the_chain_goes_on(
    tmp_path: Path,
    first: list[int | None],
    second: list[int | None],
    boot_id: str,
    kept: list[int | None],
) -> None:
    path = tmp_path / "journal"
    write(path, map(row, first))
    write(path, map(row, second), Origin(boot_id, "0.1.0", "rules-1"))
    assert cells(path, "seq, event_number") == list(enumerate(kept, 1))
    assert cells(path, "boot_id")[-1] == (boot_id,)


@pytest.mark.parametrize(
    "other", [{"event": "ready"}, {"kind": "deadline"}, {"received_at": 2_000_000_000}]
)
def test_another_event_with_a_taken_number_is_written_without_one(
    tmp_path: Path, other: dict[str, object]
) -> None:
    path = tmp_path / "journal"
    write(path, [row(1), row(1, detail="as heard", **other)])
    assert cells(path, "event_number, detail") == [
        (1, ""),
        (None, "event number 1 is another event's. as heard"),
    ]


def test_text_order_of_wall_times_is_time_order(tmp_path: Path, file: JournalFile) -> None:
    second = KICKOFF_NS // 1_000_000_000 * 1_000_000_000
    nanoseconds = (0, 5_999, 70_000_000, 999_999_999)
    file.add([Dated(row(None), second + late) for late in nanoseconds], None)
    assert [time for (time,) in cells(tmp_path / "journal", "wall_time")] == [
        "2026-09-11T23:03:12.000000Z",
        "2026-09-11T23:03:12.000005Z",
        "2026-09-11T23:03:12.070000Z",
        "2026-09-11T23:03:12.999999Z",
    ]


def test_an_error_of_any_kind_ends_the_transaction(tmp_path: Path, file: JournalFile) -> None:
    no_row: Any = None
    with pytest.raises(AttributeError):
        file.add([Dated(row(1), KICKOFF_NS), no_row], None)
    assert file.add([Dated(row(2), KICKOFF_NS)], None)[0] == 1
    assert cells(tmp_path / "journal", "event_number") == [(2,)]


@pytest.mark.parametrize(
    "flaw",
    [
        {"event": "\ud800"},
        {"play": 2**70},
        {"play": "twelve"},
        {"detail": object()},
        {"event": "\ud800" * 9999},
    ],
)
def test_a_row_that_cannot_be_held_is_told_and_the_others_are_written(
    tmp_path: Path, flaw: dict[str, object]
) -> None:
    path = tmp_path / "journal"
    write(path, [row(1), row(2, **flaw), row(3)])
    assert cells(path, "seq, kind") == [(1, "press"), (2, "fault"), (3, "press")]
    ((_, _), (event, detail), (_, _)) = cells(path, "event, detail")
    assert event == "row not writable"
    assert "event_number=2" in detail
    assert len(detail) <= 4000


def test_a_failed_transaction_leaves_nothing_and_the_next_is_whole(file: JournalFile) -> None:
    file.add([Dated(row(1), KICKOFF_NS)], None)
    (pages,) = file.connection.execute("PRAGMA page_count").fetchone()
    file.connection.execute(f"PRAGMA max_page_count = {pages}")
    large = [Dated(row(number, detail="x" * 3000), KICKOFF_NS) for number in range(2, 9)]
    with pytest.raises(sqlite3.OperationalError, match="full"):
        file.add(large, None)
    assert file.opening().head[0] == 1
    file.connection.execute(f"PRAGMA max_page_count = {pages + 100}")
    assert file.add(large, None)[0] == 8


def test_where_to_go_on_from(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, [row(8, game=3, play=41), row(None, game=0, play=0)])
    with contextlib.closing(JournalFile(path, ORIGIN)) as file:
        same = file.opening()
    assert (same.game, same.play, same.event_number, same.head[0]) == (3, 41, 8, 2)
    assert same.head[1] == cells(path, "hex(digest)")[1][0].lower()
    with contextlib.closing(JournalFile(path, Origin("boot-b", "0.2.0", "rules-1"))) as file:
        other = file.opening()
    assert (other.game, other.play, other.event_number) == (3, 41, 0)


def test_a_new_journal_begins_at_zero_in_a_new_folder(tmp_path: Path) -> None:
    with contextlib.closing(JournalFile(tmp_path / "state" / "journal", ORIGIN)) as file:
        assert file.opening() == Opening(0, 0, 0, (0, ""))


def test_another_programs_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    sql(path, "CREATE TABLE journal (seq INTEGER)")
    before = path.read_bytes()
    with pytest.raises(JournalFileError, match=rf"{path}: .*another program's"):
        JournalFile(path, ORIGIN)
    assert path.read_bytes() == before


def test_a_newer_journal_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, [])
    sql(path, "PRAGMA user_version = 3")
    with pytest.raises(JournalFileError, match=rf"{path}: journal version 3, from a newer program"):
        JournalFile(path, ORIGIN)


def test_a_journal_of_an_older_program_is_not_written_on(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write_version_1(path, 2)
    before = path.read_bytes()
    with pytest.raises(JournalFileError, match=rf"move it away.*{path} is of an older"):
        JournalFile(path, ORIGIN)
    assert path.read_bytes() == before


def test_every_commit_is_synced(file: JournalFile) -> None:
    assert file.connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert file.connection.execute("PRAGMA synchronous").fetchone() == (2,)


def test_a_file_that_took_the_journals_place_is_noticed(tmp_path: Path, file: JournalFile) -> None:
    path = tmp_path / "journal"
    path.rename(tmp_path / "old")
    path.touch()
    with pytest.raises(JournalFileError, match="taken the journal's place"):
        file.add([Dated(row(1), KICKOFF_NS)], None)


def test_two_writers_share_one_chain(tmp_path: Path, file: JournalFile) -> None:
    file.add([Dated(row(1), KICKOFF_NS)], None)
    write(tmp_path / "journal", [row(2)])
    assert file.add([Dated(row(3), KICKOFF_NS)], None)[0] == 3


def test_loading_the_module_loads_no_database() -> None:
    program = (
        "import sys, controller.journal.writer, controller.commands.journal; "
        "print([name for name in ('sqlite3', 'hashlib', 'csv', 'ctypes') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stdout.strip() == b"[]"
