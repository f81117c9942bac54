from __future__ import annotations

import contextlib
import io
import itertools
import tempfile
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.journal.file import COLUMNS, JournalFile, JournalFileError, Origin
from controller.journal.format import line, write_csv
from controller.journal.reader import JournalReader, Verification
from tests.controller.journal_rows import ORIGIN, ordinary_user, row, sql, write, write_version_1

KICKOFF = datetime(2026, 9, 11, 23, 3, 12, 400_000, tzinfo=UTC)


def tamper(path: Path, *statements: str) -> None:
    """Change the file as somebody would who knows SQLite: without the triggers."""
    triggers = ("journal_keeps_rows", "journal_keeps_cells")
    sql(path, *(f"DROP TRIGGER {name}" for name in triggers), *statements)


def verify(path: Path) -> Verification:
    with JournalReader(path) as reader:
        return reader.verify()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal of nine rows: games 1 and 2."""
    written = tmp_path / "journal"
    write(written, [row(number, game=1 if number < 6 else 2) for number in range(1, 10)])
    return written


def test_a_whole_chain(path: Path) -> None:
    verdict = verify(path)
    assert (verdict.rows, verdict.problem, verdict.bad_seq) == (9, "", None)
    ((stored,),) = sql(path, "SELECT digest FROM journal WHERE seq = 9")
    assert verdict.head == (9, stored.hex())


@pytest.mark.parametrize(
    ("where", "bad", "problem"),
    [
        ("seq = 1", 1, "row 1 is missing"),
        ("seq = 5", 5, "row 5 is missing"),
        ("seq BETWEEN 5 AND 7", 5, "rows 5 to 7 are missing"),
    ],
)
def test_deleted_rows(path: Path, where: str, bad: int, problem: str) -> None:
    tamper(path, f"DELETE FROM journal WHERE {where}")
    verdict = verify(path)
    assert (verdict.rows, verdict.bad_seq, verdict.problem) == (bad - 1, bad, problem)


CELLS = ", ".join({*COLUMNS, "digest"} - {"seq", "event_number"})
EXCHANGE = (
    "UPDATE journal SET seq = 99 WHERE seq = 3",
    "UPDATE journal SET seq = 3 WHERE seq = 6",
    "UPDATE journal SET seq = 6 WHERE seq = 99",
)
TAMPERED = [
    *(
        (4, "row 4 is altered", [f"UPDATE journal SET {column} = {value} WHERE seq = 4"])
        for column, value in (
            *((text, f"{text} || 'x'") for text in ("event", "wall_time", "boot_id")),
            *((text, f"{text} || 'x'") for text in ("rules_hash", "citation")),
            *((number, 77) for number in ("play", "edge_at", "received_at", "ruling_seconds")),
            ("digest", "x'00'"),
            ("event", "CAST(x'ff41' AS TEXT)"),  # no text
        )
    ),
    (2, "row 2 is altered", ["UPDATE journal SET reason = event, event = '' WHERE seq = 2"]),
    (
        5,
        "row 5 is altered",
        ["DELETE FROM journal WHERE seq = 5", "UPDATE journal SET seq = seq - 1 WHERE seq > 5"],
    ),
    (3, "row 3 is in the wrong order: the row that was written here now stands at 6", EXCHANGE),
    (
        3,
        "now stands at 6",
        [
            "CREATE TEMP TABLE old AS SELECT seq, digest FROM journal",
            *EXCHANGE,
            "UPDATE journal SET digest = (SELECT digest FROM old WHERE old.seq = journal.seq)",
        ],
    ),
    (
        4,
        "now stands at 5",
        [
            "UPDATE journal SET seq = -seq - 1 WHERE seq > 3",
            "UPDATE journal SET seq = -seq WHERE seq < 0",
            f"INSERT INTO journal (seq, {CELLS}) SELECT 4, {CELLS} FROM journal WHERE seq = 2",
        ],
    ),
    (
        10,
        "row 10 ",
        [
            "CREATE TEMP TABLE copy AS SELECT * FROM journal WHERE seq = 9",
            "UPDATE copy SET seq = 10, event_number = NULL",
            "INSERT INTO journal SELECT * FROM copy",
        ],
    ),
]


@pytest.mark.parametrize(("bad", "problem", "statements"), TAMPERED)
def test_rows_altered_moved_and_added(
    path: Path, bad: int, problem: str, statements: Sequence[str]
) -> None:
    tamper(path, *statements)
    verdict = verify(path)
    assert (verdict.rows, verdict.head[0], verdict.bad_seq) == (bad - 1, bad - 1, bad)
    assert problem in verdict.problem


@pytest.mark.parametrize("left", [7, 8])
def test_rows_cut_off_at_the_end_show_only_against_a_noted_head(path: Path, left: int) -> None:
    with JournalReader(path) as reader:
        noted = reader.verify().head
        assert reader.verify((noted[0], noted[1][:12])).problem == ""
    tamper(path, f"DELETE FROM journal WHERE seq > {left}")
    with JournalReader(path) as reader:
        assert reader.verify().problem == ""
        verdict = reader.verify(noted)
    assert verdict.problem == f"the journal ends at row {left}, but row 9 was noted: rows cut off"
    assert verdict.bad_seq == left + 1


def test_a_journal_written_anew_shows_against_a_noted_head(path: Path) -> None:
    with JournalReader(path) as reader:
        verdict = reader.verify((5, "00" * 32))
    assert verdict.bad_seq == 5
    assert "rewritten" in verdict.problem


def test_the_rows_of_a_game(path: Path) -> None:
    with JournalReader(path) as reader:
        second = list(reader.entries(2))
        assert [entry.seq for entry in second] == [6, 7, 8, 9]
        assert [entry.seq for entry in reader.entries()] == list(range(1, 10))
        assert list(reader.entries(3)) == []
        assert reader.last_game() == 2
    assert second[0].row == row(6, game=2)
    assert second[0].wall_time == KICKOFF + timedelta(seconds=5)
    assert Origin(second[0].boot_id, second[0].software, second[0].rules_hash) == ORIGIN


def test_facts_come_back_as_they_went_in(tmp_path: Path) -> None:
    rows = [row(1, facts=("incomplete", "foul on the defense")), row(2, facts=())]
    write(tmp_path / "journal", rows)
    with JournalReader(tmp_path / "journal") as reader:
        assert [entry.row for entry in reader.entries()] == rows


def test_a_wall_time_that_is_none_can_still_be_listed(path: Path) -> None:
    tamper(path, "UPDATE journal SET wall_time = 'noon' WHERE seq = 4")
    with JournalReader(path) as reader:
        times = [entry.wall_time for entry in reader.entries(1)]
    assert times[3] == datetime.min.replace(tzinfo=UTC)
    assert times[4] == KICKOFF + timedelta(seconds=4)


LOOSE = (
    "ALTER TABLE journal RENAME TO strict",
    f"CREATE TABLE journal ({', '.join(COLUMNS)}, digest)",
    "INSERT INTO journal SELECT * FROM strict",
)
"""A table that takes any type in any column, as only someone with an editor makes it."""


@pytest.mark.parametrize(
    ("column", "value"),
    [
        *itertools.product((*COLUMNS, "digest"), ("5.5", "'x'", "x'FF'")),
        *((column, "NULL") for column in ("seq", "wall_time", "game", "facts", "digest")),
    ],
)
def test_a_cell_of_another_type_is_listed_and_breaks_the_chain(
    path: Path, column: str, value: str
) -> None:
    tamper(path, *LOOSE, f"UPDATE journal SET {column} = {value} WHERE seq = 3")
    with JournalReader(path) as reader:
        for entry in reader.entries():
            assert isinstance(entry.digest, str)
            assert line(entry).isprintable()
        write_csv(reader.entries(), io.StringIO())
        reader.games()
    verdict = verify(path)
    assert verdict.problem
    assert verdict.rows < 3


def test_a_journal_of_version_1_is_read_and_verified(path: Path) -> None:
    old = path.with_name("old")
    write_version_1(old, 3)
    assert (verify(old).rows, verify(old).problem) == (3, "")
    with JournalReader(old) as reader:
        assert reader.version == 1
        entries = list(reader.entries(1))
        assert [game.kinds for game in reader.games()] == [""]
    last = entries[-1]
    assert (last.row.play, last.row.event_number, last.row.commanded) == (43, 3, "25")
    assert (last.row.left_s, last.row.gave_way, last.game_kind) == (None, "", "")
    assert line(last).startswith("2")
    sql(old, "UPDATE journal SET down = 9 WHERE seq = 2")
    assert verify(old).problem.startswith("row 2 is altered")


def test_the_kind_of_a_game_is_in_every_row_of_its_run(path: Path) -> None:
    check = Origin("boot-b", "0.1.0", "rules-1", "check")
    write(path, [row(None, game=3)], check)
    write(path, [row(1, game=3)], Origin("boot-b", "0.1.0", "rules-1", "varsity"))
    with JournalReader(path) as reader:
        assert [entry.game_kind for entry in reader.entries(3)] == ["check", "varsity"]
        assert {game.number: game.kinds for game in reader.games()}[3] == "check,varsity"
        assert {entry.game_kind for entry in reader.entries(1)} == {"not told"}


def test_the_games(path: Path) -> None:
    with JournalReader(path) as reader:
        one, two = reader.games()
    assert (one.number, one.rows) == (1, 5)
    assert (one.first, one.last) == (KICKOFF, KICKOFF + timedelta(seconds=4))
    assert (two.number, two.rows, two.rules_hash) == (2, 4, "rules-1")


@pytest.mark.parametrize(
    ("second", "within_s", "game", "seqs"),
    [
        (3, 0, None, [4]),
        (3, 1, None, [3, 4, 5]),
        (5, 2, None, [4, 5, 6, 7, 8]),
        (5, 2, 2, [6, 7, 8]),
        (500, 60, None, []),
    ],
)
def test_around_a_moment(
    path: Path, second: int, within_s: int, game: int | None, seqs: list[int]
) -> None:
    moment = (KICKOFF + timedelta(seconds=second)).astimezone()  # in whatever zone it is given
    with JournalReader(path) as reader:
        found = reader.around(moment, timedelta(seconds=within_s), game)
        assert [entry.seq for entry in found] == seqs


def test_reading_while_the_journal_is_being_written(path: Path) -> None:
    with contextlib.closing(JournalFile(path, ORIGIN)), JournalReader(path) as reader:
        write(path, [row(10)])
        assert reader.verify().rows == 10


def test_the_reader_cannot_write(path: Path) -> None:
    with JournalReader(path) as reader, pytest.raises(JournalFileError, match="readonly"):
        list(reader._select("CREATE TABLE more (x)"))


def test_a_journal_in_a_folder_that_the_reader_may_not_write() -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "journal"
        write(path, [row(1)])
        path.chmod(0o444)
        path.parent.chmod(0o555)
        try:
            with ordinary_user():
                assert verify(path).rows == 1
        finally:
            path.parent.chmod(0o755)


def test_an_empty_journal(tmp_path: Path) -> None:
    write(tmp_path / "journal", [])
    with JournalReader(tmp_path / "journal") as reader:
        assert reader.verify() == Verification(0, (0, ""))
        assert (reader.games(), reader.last_game()) == ([], None)


def altered(path: Path, statement: str) -> None:
    """An empty journal after a statement of another program."""
    write(path, [])
    sql(path, statement)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda path: None, "no such file"),
        (lambda path: path.mkdir(), "no such file"),
        (lambda path: path.touch(), "an empty file"),
        (lambda path: path.write_bytes(b"no database " * 100), "file is not a database"),
        (
            lambda path: sql(path, "CREATE TABLE journal (seq INTEGER)"),
            "another program's database",
        ),
        (lambda path: altered(path, "PRAGMA user_version = 3"), "journal version 3"),
        (
            lambda path: altered(path, "ALTER TABLE journal RENAME COLUMN reason TO why"),
            "no such column: reason",
        ),
    ],
)
def test_a_file_that_cannot_be_read_is_named(
    tmp_path: Path, make: Callable[[Path], object], says: str
) -> None:
    path = tmp_path / "a journal?mode=rw#1"  # no character of a name is taken for an option
    make(path)
    with pytest.raises(JournalFileError) as refused:
        JournalReader(path)
    assert str(refused.value).startswith(f"{path}: ")
    assert says in str(refused.value)
