from __future__ import annotations

import csv
import io
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.cli import main
from controller.commands.journal import BROKEN, OK, WRONG
from controller.journal.head import kept_beside
from tests.controller.journal_rows import row, sql, write

ROOT = Path(__file__).resolve().parents[3]
PROGRAM = [sys.executable, "-m", "controller", "journal"]


@pytest.fixture(autouse=True)
def four_hours_behind_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "EST5EDT,M3.2.0,M11.1.0")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Games 1 and 2, one row a second from 19:03:12.4 local time."""
    written = tmp_path / "journal"
    write(written, [row(number, game=1 if number < 6 else 2) for number in range(1, 10)])
    return written


def call(path: Path, *words: str) -> int:
    return main(["journal", str(path), *words])


def plays(text: str) -> list[int]:
    return [int(play) for play in re.findall(r"^\S+ play (\d+) ", text, re.MULTILINE)]


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ([], [6, 7, 8, 9]),
        (["--game", "last"], [6, 7, 8, 9]),
        (["--game", "1"], [1, 2, 3, 4, 5]),
        (["--game", "all"], list(range(1, 10))),
        (["--around", "2026-09-11 19:03:16.4", "--within", "1"], [4, 5, 6]),
        (["--around", "2026-09-11T23:03:16.4Z", "--within", "1"], [4, 5, 6]),
        (["--around", "2026-09-11 19:03:16.4", "--within", "1", "--game", "1"], [4, 5]),
        (["--around", "2026-09-11 19:04:15"], [4, 5, 6, 7, 8, 9]),
        (["--around", "2026-09-12"], []),
        (["--around", "19:03:18.4", "--within", "1"], [6, 7, 8]),
        (["--around", "19:03", "--within", "15", "--game", "1"], [1, 2, 3]),
        (["--around", "7:03:12"], []),
    ],
)
def test_which_rows_are_shown(
    path: Path, capsys: pytest.CaptureFixture[str], words: list[str], shown: list[int]
) -> None:
    assert call(path, *words) == OK
    assert plays(capsys.readouterr().out) == shown


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--around", "18:29:30"], "no rows between 2026-09-11 18:28:30 and 18:30:30 in game 2"),
        (
            ["--around", "2026-09-12", "--within", "2"],
            "no rows between 2026-09-11 23:59:58 and 2026-09-12 00:00:02",
        ),
    ],
)
def test_that_there_are_no_rows_is_said_and_is_no_fault(
    path: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    assert call(path, *words) == OK
    assert capsys.readouterr().out == f"{says}\n"


def test_a_time_after_midnight_is_of_the_game_that_went_on_until_then(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "journal"
    write(path, [row(number) for number in range(1, 40)], step_s=600)
    assert call(path, "--around", "0:03:12", "--within", "1") == OK
    assert len(plays(capsys.readouterr().out)) == 1


def test_a_terminal_gets_lines_that_fit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "journal"
    write(path, [row(1, detail="a word " * 40)])
    assert call(path) == OK
    whole = capsys.readouterr().out.splitlines()
    assert len(whole) == 2 and len(whole[1]) > 280
    monkeypatch.setenv("COLUMNS", "72")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    assert call(path) == OK
    shown = capsys.readouterr().out.splitlines()
    assert max(map(len, shown)) <= 71
    assert " ".join(map(str.strip, shown[1:])) == whole[1].strip()


def test_the_games(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(path, "--games") == OK
    assert capsys.readouterr().out.splitlines() == [
        "game 1  2026-09-11 19:03:12 to 19:03:16  5 rows  rules rules-1  kind not told",
        "game 2  2026-09-11 19:03:17 to 19:03:20  4 rows  rules rules-1  kind not told",
    ]


def test_csv(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(path, "--csv", "--game", "1") == OK
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out, newline="")))
    assert [found["seq"] for found in rows] == ["1", "2", "3", "4", "5"]


def test_a_whole_chain(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(path, "--verify") == OK
    first, second = capsys.readouterr().out.splitlines()
    form = "9(:[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4})"
    found = re.fullmatch(rf"{path}: 9 rows, chain whole, head ({form})", first)
    assert found is not None
    assert "--verify --head HEAD" in second
    on_paper = found[1].upper().replace("-", " ")
    assert call(path, "--verify", "--head", on_paper) == OK
    _, said = capsys.readouterr().out.splitlines()
    assert said == f"It holds the head noted: {found[1]}"


def test_a_head_kept_beside_the_journal_is_compared_without_being_asked_for(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ((digest,),) = sql(path, "SELECT lower(hex(digest)) FROM journal WHERE seq = 8")
    kept_beside(path).write_text(f"8:{digest}\n")
    assert call(path, "--verify") == OK
    assert f"It holds the head kept in {kept_beside(path)}: 8:" in capsys.readouterr().out
    sql(path, "DROP TRIGGER journal_keeps_rows", "DELETE FROM journal WHERE seq > 7")
    assert call(path, "--verify") == BROKEN
    first, second = capsys.readouterr().out.splitlines()
    assert first == (
        f"{path}: BROKEN: the journal ends at row 7, but row 8 was noted: rows cut off"
    )
    assert second.startswith("last good row before the break: head 7:")
    kept_beside(path).write_text("nonsense")
    assert call(path, "--verify") == BROKEN
    first, second, *_ = capsys.readouterr().out.splitlines()
    assert "7 rows, chain whole" in first
    assert f"cannot be read: {kept_beside(path)}: 'nonsense': must be" in second


def test_a_broken_chain(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change = "UPDATE journal SET event = 'ready' WHERE seq = 4"
    sql(path, "DROP TRIGGER journal_keeps_cells", change)
    assert call(path, "--verify") == BROKEN
    first, second = capsys.readouterr().out.splitlines()
    assert first.startswith(f"{path}: BROKEN: row 4 is altered")
    assert second.startswith("last good row before the break: head 3:")
    assert call(path, "--game", "1") == OK, "the rows can still be read"


def test_a_shortened_journal(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(path, "--verify", "--head", "12:0123abcd") == BROKEN
    assert "ends at row 9, but row 12 was noted" in capsys.readouterr().out


def test_an_empty_journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write(tmp_path / "journal", [])
    for words, says in (
        ([], "no rows"),
        (["--games"], "no games"),
        (["--around", "9:00"], "no rows"),
    ):
        assert call(tmp_path / "journal", *words) == OK
        assert capsys.readouterr().out == f"{says}\n"
    assert call(tmp_path / "journal", "--verify") == OK
    assert "0 rows, chain whole, no rows" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--game", "3"], "--game 3: not in {path}, which holds 1, 2"),
        (["--within", "5"], "--within needs --around"),
        (["--head", "9:0123abcd"], "--head needs --verify"),
        (
            ["--around", "19:03", "--game", "all"],
            "--around 19:03:00: a time alone is of one game: give the date too",
        ),
        (["--verify", "--game", "1"], "--verify speaks of the whole journal and takes no --game"),
        (["--games", "--around", "2026-09-11"], "--games speaks of the whole journal and takes no"),
    ],
)
def test_what_cannot_be_given(
    path: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    assert call(path, *words) == WRONG
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith(f"playclock journal: {says.format(path=path)}")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--game", "first"], "'first': must be a game's number"),
        (["--game", "-1"], "--game"),
        (["--around", "noon"], "'noon': must be a moment such as"),
        (["--around", "25:00"], "'25:00': must be a moment such as"),
        (["--around", "9999-12-31"], "'9999-12-31': must be a moment such as"),
        (["--around", "0001-01-01"], "'0001-01-01': must be a moment such as"),
        (["--around", "2026-09-11", "--within", "nan"], "'nan': must be 0 to"),
        (["--around", "2026-09-11", "--within=-1"], "'-1': must be 0 to"),
        (["--around", "2026-09-11", "--within", "1e12"], "'1e12': must be 0 to"),
        (["--verify", "--head", "9"], "'9': must be a row's number"),
        (["--verify", "--csv"], "not allowed with argument"),
        (["--games", "--verify"], "not allowed with argument"),
    ],
)
def test_a_wrong_command_line(
    path: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    with pytest.raises(SystemExit) as ended:
        call(path, *words)
    assert ended.value.code == WRONG
    assert says in capsys.readouterr().err


def test_a_missing_file_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    absent = tmp_path / "absent"
    assert call(absent) == WRONG
    assert capsys.readouterr().err == f"playclock journal: {absent}: no such file\n"
    assert not absent.exists()


@pytest.mark.parametrize("words", [["--game", "all"], ["--game", "all", "--csv"]])
def test_a_pipe_closed_by_its_reader(tmp_path: Path, words: list[str]) -> None:
    path = tmp_path / "journal"
    write(path, [row(number, detail="x" * 200) for number in range(1, 3000)])
    command, pipe = [*PROGRAM, str(path), *words], subprocess.PIPE
    with subprocess.Popen(command, cwd=ROOT, stdout=pipe, stderr=pipe) as printing:
        assert printing.stdout is not None
        assert printing.stderr is not None
        assert printing.stdout.readline()
        printing.stdout.close()
        assert printing.stderr.read() == b""
    assert printing.returncode == OK


def test_a_short_answer_into_a_closed_pipe(path: Path) -> None:
    """All of it waits in the buffer until the end."""
    reading, writing = os.pipe()
    os.close(reading)
    command = [*PROGRAM, str(path)]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, check=False, cwd=ROOT)
    os.close(writing)
    assert (done.returncode, done.stderr) == (OK, b"")


def test_csv_lines_end_as_the_standard_says(path: Path) -> None:
    """RFC 4180 section 2: CR LF."""
    command = [*PROGRAM, str(path), "--csv"]
    printed = subprocess.run(command, capture_output=True, check=True, cwd=ROOT).stdout
    assert printed.count(b"\r\n") == printed.count(b"\n") == 5
    assert b"\r\r" not in printed
