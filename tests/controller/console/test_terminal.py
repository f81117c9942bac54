"""The screen is brought up to date line by line and given back on every path; lines never raise."""

from __future__ import annotations

import os
import re
import select
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from controller.console.layout import draw
from controller.console.panels import KEYS
from controller.console.terminal import FaultLines, PlainLines, Screen, unblocked
from controller.status.document import BoardHealth, HandsetHealth, Refused, Status
from tests.controller.console.test_layout import FAULTY, FOUL, PHASES, RUNNING, WILD

ENTER, LEAVE = "\x1b[?1049h\x1b[?25l\x1b[?7l", "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"


class Terminal:
    """As much of a terminal as the console uses; anything else is an error."""

    def __init__(self, columns: int, rows: int) -> None:
        self.modes: dict[str, bool] = {"1049": False, "25": True, "7": True}
        self.resize(columns, rows)
        self.row = self.column = 0
        self.style = ""

    def resize(self, columns: int, rows: int) -> None:
        self.columns, self.rows = columns, rows
        self.cells = [[("x", "junk")] * columns for _ in range(rows)]

    def feed(self, text: str) -> None:
        for sequence, char in re.findall(r"(\x1b\[[?0-9;]*[A-Za-z])|([^\x1b]|\x1b)", text):
            if sequence:
                self.act(sequence[2:-1], sequence[-1])
            else:
                assert char.isprintable(), f"{char!r} reached the terminal"
                self.cells[self.row][min(self.column, self.columns - 1)] = (char, self.style)
                self.column += 1
                assert self.column <= self.columns, "written over the edge"

    def act(self, parameters: str, final: str) -> None:
        match final:
            case "H":
                self.row, self.column = (int(each) - 1 for each in parameters.split(";"))
            case "J" if parameters == "2":
                self.cells = [[(" ", "")] * self.columns for _ in range(self.rows)]
            case "m":
                self.style = "" if parameters == "0" else parameters
            case "h" | "l":
                self.modes[parameters[1:]] = final == "h"
            case _:
                raise AssertionError(f"unknown sequence {parameters}{final}")


class Stream:
    """Keeps what was written, a call at a time; takes at most ``room`` bytes when that is set."""

    def __init__(self, room: int | None = None) -> None:
        self.room = room
        self.error: Exception | None = None
        self.calls: list[bytes] = []

    def write(self, data: bytes, /) -> int | None:
        if self.error is not None:
            raise self.error
        taken = bytes(data) if self.room is None else bytes(data)[: self.room]
        if self.room is not None:
            self.room -= len(taken)
        if not taken:
            return None
        self.calls.append(taken)
        return len(taken)

    def flush(self) -> None:
        """Nothing is held back."""

    def fileno(self) -> int:
        raise OSError("no descriptor")

    def taken(self) -> str:
        said, self.calls = b"".join(self.calls), []
        return said.decode("utf-8")


def show(screen: Screen, status: Status, columns: int = 80, rows: int = 24) -> None:
    screen.show(status, columns=columns, rows=rows, keys=KEYS, clock_text="19:03:12")


def full(status: Status, columns: int, rows: int) -> Terminal:
    terminal = Terminal(columns, rows)
    terminal.feed("\x1b[2J")
    drawn = draw(status, columns=columns, rows=rows, keys=KEYS, clock_text="19:03:12")
    for row, text in enumerate(drawn, 1):
        terminal.feed(f"\x1b[{row};1H{text}")
    return terminal


def test_changes_lead_to_the_same_screen_as_a_full_redraw() -> None:
    stream, terminal = Stream(), Terminal(80, 24)
    statuses = [RUNNING, *PHASES.values(), FAULTY, WILD, FOUL, replace(RUNNING, numerals=37)]
    sizes = [(80, 24), (40, 12), (20, 5)]
    with Screen(stream) as screen:
        for columns, rows in sizes:
            terminal.resize(columns, rows)
            for status in statuses:
                show(screen, status, columns, rows)
                terminal.feed(stream.taken())
                assert terminal.cells == full(status, columns, rows).cells


def test_nothing_is_sent_when_nothing_changed_and_little_when_little_did() -> None:
    stream = Stream()
    with Screen(stream) as screen:
        show(screen, RUNNING)
        whole = len(stream.taken())
        show(screen, replace(RUNNING))
        assert stream.taken() == ""
        show(screen, replace(RUNNING, down=42))
        assert re.findall(r"\x1b\[(\d+);1H", said := stream.taken()) == ["1"]
        assert len(said) < 100 < whole


def test_what_was_written_over_from_elsewhere_is_painted_again() -> None:
    stream, terminal = Stream(), Terminal(80, 24)
    with Screen(stream) as screen:
        show(screen, RUNNING)
        terminal.feed(stream.taken())
        terminal.feed("\x1b[20;1Hkernel: usb 1-1 disconnected")
        for down in range(31):
            show(screen, replace(RUNNING, down=down))
            terminal.feed(stream.taken())
    assert terminal.cells == full(replace(RUNNING, down=30), 80, 24).cells


def test_the_terminal_is_given_back_also_after_an_error() -> None:
    stream, terminal = Stream(), Terminal(80, 24)
    with suppress(RuntimeError), Screen(stream) as screen:
        show(screen, FAULTY)
        said = stream.taken()
        assert said.startswith(ENTER)
        terminal.feed(said)
        assert terminal.modes == {"1049": True, "25": False, "7": False}
        raise RuntimeError
    terminal.feed(stream.taken())
    assert terminal.modes == {"1049": False, "25": True, "7": True}
    assert terminal.style == ""


def test_it_is_given_back_once_and_a_closed_screen_shows_nothing() -> None:
    stream = Stream()
    screen = Screen(stream)
    show(screen, RUNNING)
    screen.close()
    assert stream.taken() == ""
    with screen:
        screen.__enter__()
        assert stream.taken() == ENTER
        screen.close("the record ends with 9:ab\x1b[2J")
    assert stream.taken() == f"{LEAVE}the record ends with 9:ab [2J\n"


@pytest.mark.parametrize(
    "error", [BrokenPipeError(), OSError(5, "Input/output error"), ValueError("closed file")]
)
def test_an_error_of_the_stream_ends_the_drawing_and_nothing_else(error: Exception) -> None:
    stream = Stream()
    lines = PlainLines(stream)
    with Screen(stream) as screen:
        show(screen, RUNNING)
        stream.taken()
        stream.error = error
        assert not screen.dead
        show(screen, FOUL)
        lines.show(FOUL)
        assert screen.dead
        assert lines.dead
        stream.error = None
        show(screen, RUNNING)
        lines.show(RUNNING)
    assert stream.taken() == ""


def test_a_terminal_that_takes_little_gets_whole_frames_and_the_newest() -> None:
    stream, terminal = Stream(), Terminal(80, 24)
    with Screen(stream) as screen:
        stream.taken()
        terminal.feed(ENTER)
        stream.room = 700
        for numerals in range(38, 20, -1):
            show(screen, replace(RUNNING, numerals=numerals))
        assert len(stream.calls) == 1, "half a frame, and nothing after it"
        stream.room = None
        show(screen, FOUL)
        terminal.feed(stream.taken())
        assert terminal.cells == full(FOUL, 80, 24).cells
        stream.room = 0
        show(screen, RUNNING)
        stream.room = None
    terminal.feed(stream.taken())
    assert terminal.modes == {"1049": False, "25": True, "7": True}


class SlowStream(Stream):
    """Takes ten bytes, then nothing until it is asked again."""

    def write(self, data: bytes, /) -> int | None:
        self.room = 0 if self.room else 10
        return super().write(data)


def test_a_slow_terminal_is_waited_for_at_the_end() -> None:
    stream = SlowStream()
    with Screen(stream):
        pass
    assert stream.taken() == ENTER + LEAVE


@pytest.fixture
def pty() -> Iterator[tuple[int, int]]:
    master, slave = os.openpty()
    yield master, slave
    for fd in (master, slave):
        with suppress(OSError):
            os.close(fd)


def read_all(fd: int) -> bytes:
    """What a terminal or pipe holds for its reader, up to its end or 50 ms of silence."""
    said = b""
    while select.select([fd], [], [], 0.05)[0] and (part := os.read(fd, 65_536)):
        said += part
    return said


def test_a_paused_terminal_does_not_stop_the_clock(pty: tuple[int, int]) -> None:
    master, slave = pty
    with unblocked(slave) as stream, Screen(stream) as screen:
        for turn in range(60):  # far more than a terminal holds that nobody reads
            show(screen, FAULTY if turn % 2 else RUNNING)
        assert not screen.dead
        assert os.get_blocking(slave), "the shell's own descriptor must stay as it was"
        said = read_all(master)  # someone reads again
    said += read_all(master)
    assert said.startswith(ENTER.encode())
    assert said.endswith(LEAVE.encode())


def test_a_terminal_that_hung_up_is_noticed(pty: tuple[int, int]) -> None:
    master, slave = pty
    with unblocked(slave) as stream, Screen(stream) as screen:
        os.close(master)
        show(screen, RUNNING)
        assert screen.dead


def test_a_pipe_that_nobody_reads_does_not_stop_the_clock() -> None:
    reader, writer = os.pipe()
    with unblocked(writer) as stream:
        lines = PlainLines(stream)
        for turn in range(1_000):
            lines.show(replace(FAULTY, numerals=turn % 50))
        assert not lines.dead
        taken = os.read(reader, 1 << 20)
        lines.show(replace(RUNNING, numerals=7), clock_text="19:05:00")
        taken += os.read(reader, 1 << 20)
    os.close(writer)
    os.close(reader)
    said = taken.decode("utf-8").splitlines()
    assert len(said) < 1_000
    assert all(each.startswith("RUNNING ") for each in said[:-1])
    assert said[-1].startswith("19:05:00 RUNNING 7 | north right")


def test_a_buffered_stream_over_a_full_pipe_loses_no_part_of_a_line() -> None:
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    with os.fdopen(writer, "wb") as stream:
        lines = PlainLines(stream)
        for turn in range(1_000):
            lines.show(replace(FAULTY, numerals=turn % 50))
        assert not lines.dead
        said = read_all(reader)
        lines.show(replace(RUNNING, numerals=77))
    said += read_all(reader)
    os.close(reader)
    numbered = [each for each in said.decode("utf-8").splitlines() if each.startswith("RUNNING ")]
    assert len(numbered) == said.count(b"\n") < 1_000
    assert numbered[-1].startswith("RUNNING 77 | north right")


def test_a_file_is_written_where_the_shell_left_it(tmp_path: Path) -> None:
    path = tmp_path / "log"
    with path.open("wb") as file:
        file.write(b"before\n")
        file.flush()
        with unblocked(file.fileno()) as stream:
            PlainLines(stream).show(PHASES["IDLE"], clock_text="19:03:12")
    assert path.read_text("utf-8").startswith("before\n19:03:12 NO COUNT | north right")


def plain(*statuses: Status, kind: type[PlainLines | FaultLines] = PlainLines) -> list[str]:
    stream = Stream()
    lines = kind(stream)
    for status in statuses:
        lines.show(status, clock_text="19:03:12")
    return stream.taken().splitlines()


def test_plain_lines_say_each_numeral_and_each_order_once() -> None:
    assert plain(RUNNING, RUNNING, replace(RUNNING, numerals=37, remaining_ms=36_900), FOUL) == [
        "19:03:12 RUNNING 38 | north right, south right | DEAD BALL: 40 running "
        "(NFHS 3-6-1a(2): every other down)",
        "19:03:12 RUNNING 37 | north right, south right",
        "19:03:12 HELD 40 | north right, south right | FLAG, defense only: 40 held (by handset 2) "
        "(NFHS 3-6-1a(1)e EXC 2 (2022): foul by the defense only)",
    ]


def test_plain_lines_say_refusals_and_local_adoptions() -> None:
    refused = replace(RUNNING, result="refused", reason="the ball is in play", citation="")
    assert plain(refused)[0].endswith("| DEAD BALL REFUSED: the ball is in play")
    local = replace(RUNNING, override="Pine County by-law 7")
    assert plain(local)[0].endswith("40 running (LOCAL ADOPTION Pine County by-law 7)")


def test_plain_lines_say_faults_as_they_come_and_go() -> None:
    north, south = RUNNING.board_health
    silent = replace(RUNNING, board_health=(north, BoardHealth("south", "silent", "", "3 asked")))
    wrong = replace(RUNNING, board_health=(BoardHealth("north", "wrong", "33"), south))
    said = plain(
        RUNNING,
        silent,
        wrong,
        replace(RUNNING, boards="off", boards_why="by order"),
        replace(RUNNING, alarms=("someone is transmitting",)),
        replace(RUNNING, journal="disk full"),
        replace(RUNNING, troubles=("a restart would not go on: disk full",)),
        replace(RUNNING, journal_doubt="rows cut off"),
        replace(RUNNING, unauthenticated=True),
        replace(RUNNING, handset_health=(HandsetHealth("belt pack", "field", "silent"),)),
        replace(RUNNING, board_health=()),
        RUNNING,
    )
    assert [each.removeprefix("19:03:12 RUNNING 38 | ") for each in said[1:]] == [
        "north right, south silent 3 asked",
        "north wrong 33, south right",
        "BOARDS OFF: by order | north right, south right",
        "north right, south right | ALARM someone is transmitting",
        "north right, south right | JOURNAL disk full",
        "north right, south right | TROUBLE a restart would not go on: disk full",
        "north right, south right | RECORD rows cut off",
        "north right, south right | UNAUTHENTICATED",
        "north right, south right | belt pack silent",
        "no boards: the count is here and in the hand",
        "north right, south right",
    ]


def test_plain_lines_name_a_rule_only_for_an_order_that_asked_for_one() -> None:
    marked = replace(RUNNING, event="MarkMoment", last="moment marked", result="held")
    assert plain(marked)[0].endswith("| marked")
    by_key = replace(RUNNING, citation="set by the keeper")
    assert plain(by_key)[0].endswith("40 running (the count after an ordinary play)")


def test_plain_lines_ask_whether_the_play_ended() -> None:
    live = replace(PHASES["LIVE"], last="")
    (before, after) = plain(live, replace(live, nudged=True))
    assert "did the play end?" not in before
    assert after.endswith("| did the play end? DEAD BALL if it did")


def test_plain_lines_do_not_repeat_what_only_ages() -> None:
    older = replace(RUNNING, handset_health=(HandsetHealth("belt pack", "field", "heard", 8, 60),))
    aged = replace(RUNNING, handset_health=(HandsetHealth("belt pack", "field", "heard", 9, 60),))
    assert len(plain(older, aged)) == 1


def test_hostile_text_stays_one_short_line() -> None:
    (said,) = plain(WILD)
    assert said.isprintable()
    assert len(said) < 400


def test_fault_lines_say_nothing_while_all_is_well_and_each_change_once() -> None:
    north, _ = RUNNING.board_health
    silent = (north, BoardHealth("south", "silent", "", "3 asked"))
    unplugged = (north, BoardHealth("south", "port fault", "", "unplugged"))
    lost = HandsetHealth("belt pack", "field", "port fault", detail="hung up")
    said = plain(
        RUNNING,
        replace(RUNNING, numerals=37),
        replace(RUNNING, board_health=silent),  # one answer that was missed
        replace(RUNNING, boards_why="south does not answer", board_health=silent),
        replace(RUNNING, boards_why="south: its port is lost", board_health=unplugged),
        replace(RUNNING, handset_health=(lost,)),
        replace(RUNNING, handset_health=(replace(lost, heard_s=9),)),
        replace(RUNNING, journal="disk full"),
        replace(RUNNING, troubles=("a power cut would go unnoticed: disk full",)),
        replace(RUNNING, journal_doubt="rows cut off"),
        RUNNING,
        kind=FaultLines,
    )
    assert [each.removeprefix("19:03:12 ") for each in said] == [
        "boards off: south does not answer | south silent",
        "boards off: south: its port is lost | south port fault | port: unplugged",
        "belt pack port fault | port: hung up",
        "journal: disk full",
        "a power cut would go unnoticed: disk full",
        "record: rows cut off",
        "all well",
    ]


@pytest.mark.parametrize("kind", [PlainLines, FaultLines])
def test_what_was_refused_is_said_once_a_minute(kind: type[PlainLines | FaultLines]) -> None:
    counts = (Refused("bad tag", "handset 1", 40, 40),)
    minutes = [f"{n} frames refused in 60 s: bad tag {n} (handset 1)" for n in (114, 113)]
    said = plain(
        RUNNING,
        replace(RUNNING, refused=counts),
        replace(RUNNING, refused=counts, refused_minute=minutes[0]),
        replace(RUNNING, refused=(replace(counts[0], since_start=90),), refused_minute=minutes[0]),
        replace(RUNNING, refused=counts, refused_minute=minutes[1]),
        kind=kind,
    )
    assert [each.rpartition("| ")[2].removeprefix("19:03:12 ") for each in said[-2:]] == minutes
    assert len(said) == (3 if kind is PlainLines else 2)


def test_a_slow_reader_gets_the_newest_fault_and_no_older_one() -> None:
    stream = Stream()
    lines = FaultLines(stream)
    stream.room = 0
    for journal in ("first", "second"):
        lines.show(replace(RUNNING, journal=journal))
    stream.room = None
    lines.show(replace(RUNNING, journal="third"))
    assert stream.taken().splitlines() == ["journal: first", "journal: third"]
    assert not lines.dead
