"""A dispute after a game, told from ``playclock journal`` alone.

A flag at the play, its team announced 18 s later, a time-out pressed in error and taken back, a
moment marked, boards off and on, a reset by two taps: the coach asks what was pressed, by whom,
what the boards showed and which rule says so.
"""

from __future__ import annotations

import csv
import io
import re
import time
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.cli import main
from controller.journal.file import JournalFile, Opening, Origin
from controller.journal.recorder import Recorder
from controller.journal.row import Dated, Row
from controller.rules.events import MarkMoment, PlayEnded, ToggleBoards
from drivers.base import Key
from tests.controller.fakes import EMPTY, Game
from tests.controller.journal_rows import KICKOFF_NS
from tests.shared.virtual_time import VirtualClock, virtual

KEEPER, BACK_JUDGE = 1, 2


@pytest.fixture(autouse=True)
def at_greenwich(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


class Kept:
    """A journal that keeps its rows with their wall times, to be written when the game is over."""

    def __init__(self) -> None:
        self.rows: list[Dated] = []
        self.fault = self.doubt = ""
        self.head = (0, "")

    @property
    def journalled(self) -> int:
        return max((each.row.event_number or 0 for each in self.rows), default=0)

    def opening(self, timeout_s: float) -> Opening:
        return EMPTY

    def append(self, row: Row, wall_ns: int) -> None:
        self.rows.append(Dated(row, wall_ns))


async def play(game: Game) -> None:
    """The plays that are disputed; 23:03:12.4 and so many seconds."""
    press = game.handset.press
    game.service.hand_over(17)
    await game.present(2)
    press(Key.SNAP, KEEPER)
    await game.present(8)
    press(Key.FLAG, KEEPER)
    await game.present(10)
    press(Key.DEAD_BALL, KEEPER)
    await game.present(26)
    game.service.enter(PlayEnded("foul_defense"))
    await game.present(30)
    press(Key.READY, BACK_JUDGE)
    await game.present(33)
    press(Key.TIME_OUT, KEEPER)
    await game.present(35)
    press(Key.UNDO, KEEPER)
    await game.present(38)
    game.service.enter(MarkMoment())
    await game.present(40)
    game.service.enter(ToggleBoards())
    await game.present(44)
    game.service.enter(ToggleBoards())
    await game.present(50)
    press(Key.NUMBER_25, KEEPER)
    await game.present(50.3)
    press(Key.NUMBER_25, KEEPER)
    await game.present(60)
    press(Key.SNAP, KEEPER)
    await game.present(62)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of that game."""
    kept = Kept()

    @virtual
    async def played(clock: VirtualClock) -> None:
        game = Game(clock)
        began = clock()
        game.service._recorder = Recorder(
            kept, began, wall_clock=lambda: KICKOFF_NS + clock() - began
        )
        async with game:
            await play(game)

    played()
    path = tmp_path_factory.mktemp("dispute") / "journal"
    with closing(JournalFile(path, Origin("boot-a", "0.1.0", "rules-1", "varsity"))) as file:
        file.add(kept.rows, True)
    return path


@pytest.fixture
def told(path: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """What the command prints of it."""
    assert main(["journal", str(path)]) == 0
    return capsys.readouterr().out.splitlines()


def the_one(told: Iterable[str], *words: str) -> str:
    """The only line with all these words."""
    (found,) = [line for line in told if all(word in line for word in words)]
    return found


def number(line: str) -> str:
    """The number that other lines call it by."""
    found = re.search(r"#[0-9]+", line)
    assert found is not None
    return found[0]


def test_the_text_says_who_pressed_what_when_what_showed_and_by_which_rule(told: list[str]) -> None:
    assert told[0] == "game 1, 2026-09-11, times are UTC (UTC+0000)"
    the_one(told, "23:03:12.4 play 0", "keeper 17 has it")
    the_one(told, "23:03:14.4 play 1", "snap or free kick by keeper (handset 1) -> ball live")
    flag = the_one(told, "23:03:20.4 play 1", " foul by keeper (handset 1) -> held")
    for words in ("ruling 25 (NFHS 3-6-1a(1)e", "40 left at the press", "boards told 25"):
        assert words in flag
    ready = the_one(told, "23:03:42.4", "ready for play by field (handset 2) -> running")
    assert "boards told 40" in ready
    assert "NO CHANGE routine end of play" in the_one(told, "23:03:22.4")


def test_the_text_says_which_word_gave_way_and_after_how_long(told: list[str]) -> None:
    team = the_one(told, "23:03:38.4", "by keeper (console) -> held")
    assert "foul defense" in team and "; foul gave way after 18.0 s; " in team
    assert "ruling 40" in team and "by the defense only" in team


def test_the_text_says_what_was_taken_back_and_what_showed_then(told: list[str]) -> None:
    error = the_one(told, "23:03:45.4", "charged timeout by keeper", "37 left at the press")
    undo = the_one(told, "23:03:47.4", "undo: taken back by keeper (handset 1) -> running")
    assert f"took back charged timeout ({number(error)})" in undo
    assert "boards told 35" in undo
    assert "boards confirmed; boards 35 35" in the_one(told, "23:03:47.4", "confirmed")


def test_the_text_says_when_the_boards_were_off_and_what_was_marked(told: list[str]) -> None:
    the_one(told, "23:03:50.4", "moment marked by keeper (console)", "32 left")
    assert "boards told dark" in the_one(told, "23:03:52.4", "boards off by order by keeper")
    assert "boards told 26" in the_one(told, "23:03:56.4", "boards relit by keeper (console)")


def test_the_text_says_which_taps_were_one_gesture_and_how_boards_answered(told: list[str]) -> None:
    first = the_one(told, "25, held by keeper (handset 1) -> held")
    second = the_one(told, "reset to 25, running by keeper (handset 1) -> running")
    assert second.endswith(f"; same gesture as {number(first)}")
    tallies = [line for line in told if "boards' answers to the count" in line]
    assert len(tallies) == 5
    assert all("0 wrong, 0 silent" in line for line in tallies)


def test_a_reader_may_ask_for_a_time_of_that_game_alone(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["journal", str(path), "--around", "23:03:47", "--within", "3"]) == 0
    times = {line.split()[0] for line in capsys.readouterr().out.splitlines()[1:]}
    assert times == {"23:03:45.4", "23:03:47.4"}


def test_no_row_holds_a_name(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Keepers are numbers, and who pressed is a role and a handset."""
    assert main(["journal", str(path), "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out, newline="")))
    assert {row["role"] for row in rows} <= {"", "keeper", "field"}
    assert {row["keeper"] for row in rows} == {"17"}
    assert {row["game_kind"] for row in rows} == {"varsity"}
