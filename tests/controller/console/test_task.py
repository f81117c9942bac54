"""The console beside the service: it tells, it takes commands, and it can never end the clock."""

from __future__ import annotations

import asyncio
import contextlib
import io
import os
import sys
import termios
import tty
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.assembly.assembler import SIMULATED_ID, Assembler
from controller.assembly.devices import SIMULATED_BOARDS
from controller.console.task import ConsoleTask
from controller.console.terminal import unblocked
from controller.rulebook.loader import load_rule_set
from controller.rules.settings import Settings
from drivers.base import Edge, Key, Press
from drivers.board.node import NodeBus
from drivers.port.serial_port import SerialPort
from tests.controller.fakes import EMPTY, FakeJournal
from tests.shared.virtual_time import VirtualClock, run

ENTERS, LEAVES = b"\x1b[?1049h", b"\x1b[?1049l"


@pytest.fixture(autouse=True)
def streams(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Closes what the console opened: the program does so by ending."""
    opened: list[io.RawIOBase] = []

    def remembered(fd: int) -> io.RawIOBase:
        opened.append(unblocked(fd))
        return opened[-1]

    monkeypatch.setattr("controller.console.task.unblocked", remembered)
    yield
    for stream in opened:
        stream.close()


class Output:
    """Where a console writes, and what has been written there."""

    def __init__(self, read_fd: int, write_fd: int) -> None:
        self.fds = [read_fd, write_fd]
        self._read_fd = read_fd
        os.set_blocking(read_fd, False)
        self.stream = io.TextIOWrapper(io.FileIO(write_fd, "w", closefd=False), encoding="utf-8")

    def read(self) -> bytes:
        """All that has come since the last call."""
        read = b""
        with contextlib.suppress(BlockingIOError):
            while more := os.read(self._read_fd, 65536):
                read += more
        return read

    def close(self, which: int) -> None:
        os.close(self.fds[which])
        self.fds[which] = -1

    def close_all(self) -> None:
        for which, fd in enumerate(self.fds):
            if fd >= 0:
                self.close(which)


@pytest.fixture
def pipe() -> Iterator[Output]:
    output = Output(*os.pipe())
    yield output
    output.close_all()


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[Output]:
    """A terminal of 80 x 24 that knows cursor and colours."""
    master, slave = os.openpty()
    tty.setraw(slave)
    termios.tcsetwinsize(slave, (24, 80))
    output = Output(master, slave)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("LC_ALL", "C.UTF-8")
    yield output
    output.close_all()


class Bench:
    """A console beside a service with two simulated boards, in virtual time."""

    running: asyncio.Task[None]

    def __init__(
        self, clock: VirtualClock, console: ConsoleTask, output: Output | None, port: str
    ) -> None:
        self.clock, self.console, self._output = clock, console, output
        assembler = Assembler(clock, load_rule_set("nfhs"), Settings())
        assembler.console("keeper", console, None)
        if port:
            bus = NodeBus(port, SerialPort(port, clock=clock), {1: "north"}, SIMULATED_ID, clock)
            assembler._boards.append(bus)
        else:
            assembler.boards(SIMULATED_BOARDS)
        self.journal = FakeJournal(clock, EMPTY, None)
        self.assembly = assembler.build(self.journal)
        self.service = self.assembly.service
        self.typing = Line()

    @property
    def phase(self) -> str:
        return self.service.status().phase

    @property
    def numerals(self) -> list[int | None]:
        """What the boards show."""
        return [node.shown(self.clock()).numerals for node in self.assembly.nodes]

    def press(self, key: Key) -> None:
        now = self.clock()
        self.service.key_pressed(Press(0, key, Edge.DOWN, now, now))

    def read(self) -> bytes:
        assert self._output is not None
        return self._output.read()

    async def said_after(self, act: Callable[[], object]) -> bytes:
        """What is written in the second after ``act``, which is done 1 s from now."""
        await asyncio.sleep(1)
        self.read()
        act()
        await asyncio.sleep(1)
        return self.read()


class Line:
    """The entry line, closed until a test opens it."""

    entry: str | None = None


@contextlib.asynccontextmanager
async def bench(
    clock: VirtualClock,
    output: Output | None,
    *,
    simulator: bool = True,
    plain: bool = False,
    disk: str = "",
    port: str = "",
) -> AsyncIterator[Bench]:
    """A running service with its console; afterwards both have ended without an error."""
    with contextlib.redirect_stdout(output.stream if output else None):
        console = ConsoleTask(simulator=simulator, plain=plain)
    made = Bench(clock, console, output, port)
    made.journal.fault = disk
    console.attach(made.service, made.typing)
    for pair in made.assembly.pairs:
        pair.open()
    running = made.running = asyncio.create_task(made.service.run())
    with contextlib.redirect_stdout(output.stream if output else None):
        drawing = asyncio.create_task(console.run())
        try:
            await asyncio.sleep(0.1)
            yield made
            made.service.stop()
            await running
            if drawing.done():
                drawing.result()
        finally:
            for task in (running, drawing):
                task.cancel()
            await asyncio.gather(running, drawing, return_exceptions=True)
            console.close()
            for pair in made.assembly.pairs:
                pair.close()


BenchTest = Callable[[Bench], Coroutine[Any, Any, None]]


def run_beside(output: Output | None, test: BenchTest, **about: Any) -> None:
    """Run a test beside a console of this kind that writes to ``output``."""

    async def main(clock: VirtualClock) -> None:
        async with bench(clock, output, **about) as made:
            await test(made)

    run(main)


def beside(output: str, **about: Any) -> Callable[[BenchTest], Callable[..., None]]:
    """Give a test a running console that writes to the fixture called ``output``."""

    def decorated(test: BenchTest) -> Callable[..., None]:
        def with_bench(request: pytest.FixtureRequest) -> None:
            run_beside(request.getfixturevalue(output), test, **about)

        with_bench.__name__ = test.__name__
        return with_bench

    return decorated


# Where it goes


def test_a_terminal_gets_a_screen_and_is_given_back(terminal: Output) -> None:
    async def main(made: Bench) -> None:
        await asyncio.sleep(2)
        first = made.read()
        assert first.startswith(ENTERS) and b"PLAY CLOCK" in first and b"NO COUNT" in first
        assert b"RUNNING" in await made.said_after(lambda: made.press(Key.DEAD_BALL))

    run_beside(terminal, main)
    assert terminal.read().endswith(LEAVES)


def test_the_last_words_are_said_where_there_is_no_screen_too(pipe: Output) -> None:
    with contextlib.redirect_stdout(pipe.stream):
        console = ConsoleTask(simulator=False, plain=False)
    console.close("the record ends with 9:ab")
    assert pipe.read().endswith(b" the record ends with 9:ab\n")


@pytest.mark.parametrize(("term", "plain"), [("xterm", True), ("dumb", False), ("", False)])
def test_a_terminal_that_shall_not_be_drawn_on_gets_lines(
    terminal: Output, monkeypatch: pytest.MonkeyPatch, term: str, plain: bool
) -> None:
    monkeypatch.setenv("TERM", term)
    run_beside(terminal, lambda _: asyncio.sleep(2), plain=plain)
    said = terminal.read()
    assert b"\x1b" not in said and b"NO COUNT" in said and b"north right" in said


@pytest.mark.parametrize("simulator", [True, False])
def test_the_keys_are_listed_once_where_no_screen_can_show_them(
    terminal: Output, monkeypatch: pytest.MonkeyPatch, simulator: bool
) -> None:
    monkeypatch.setenv("TERM", "dumb")
    run_beside(terminal, lambda _: asyncio.sleep(3), simulator=simulator)
    said = terminal.read()
    assert said.startswith(b"keys:") and said.count(b"  d  DEAD BALL: runs") == 1
    assert said.index(b"  q  " if simulator else b"  :quit  ") < said.index(b"NO COUNT | ")


@pytest.mark.parametrize("plain", [False, True])
def test_a_locale_without_more_than_ascii_gets_ascii(
    terminal: Output, monkeypatch: pytest.MonkeyPatch, plain: bool
) -> None:
    monkeypatch.setenv("LC_ALL", "C")

    async def main(made: Bench) -> None:
        assert b"is not a key" in await made.said_after(lambda: made.console.unknown("é"))

    run_beside(terminal, main, plain=plain)
    assert terminal.read().isascii()


@pytest.mark.parametrize("size", [(0, 0), (0, 80)])
def test_a_terminal_without_a_size_is_drawn_on_all_the_same(
    terminal: Output, monkeypatch: pytest.MonkeyPatch, size: tuple[int, int]
) -> None:
    monkeypatch.setenv("LINES", "30")
    termios.tcsetwinsize(terminal.fds[1], size)

    async def main(made: Bench) -> None:
        await asyncio.sleep(1)
        drawn = made.read()
        assert b"NO COUNT" in drawn and b"\x1b[30;1H" in drawn and b"\x1b[31;1H" not in drawn

    run_beside(terminal, main)


@beside("pipe")
async def test_a_pipe_gets_a_line_for_each_numeral(made: Bench) -> None:
    await asyncio.sleep(2)
    made.press(Key.DEAD_BALL)
    await asyncio.sleep(40.5)
    said = made.read().decode().splitlines()
    for number in range(40, 0, -1):
        assert any(f"RUNNING {number} " in f"{line} " for line in said), number
    assert any("ZERO" in line for line in said)
    assert len(said) < 70  # nothing is said twice over


def test_an_installation_without_a_terminal_is_quiet_while_all_is_well(pipe: Output) -> None:
    async def main(made: Bench) -> None:
        await asyncio.sleep(2)
        made.press(Key.DEAD_BALL)
        await asyncio.sleep(5)

    run_beside(pipe, main, simulator=False)
    assert pipe.read() == b""


def test_an_installation_without_a_terminal_still_tells_a_fault(
    tmp_path: Path, pipe: Output, capfd: pytest.CaptureFixture[str]
) -> None:
    missing = str(tmp_path / "boards")
    run_beside(pipe, lambda _: asyncio.sleep(5), simulator=False, port=missing)
    said = pipe.read().decode() + capfd.readouterr().err
    assert f"{missing}: cannot open: No such file or directory" in said


def test_without_any_output_it_says_nothing_and_the_clock_runs() -> None:
    async def main(made: Bench) -> None:
        made.press(Key.DEAD_BALL)
        await asyncio.sleep(3)
        assert made.phase == "RUNNING"

    run_beside(None, main)


def test_a_terminal_that_changes_its_size_is_drawn_anew(terminal: Output) -> None:
    async def main(made: Bench) -> None:
        drawn = await made.said_after(lambda: termios.tcsetwinsize(terminal.fds[1], (30, 100)))
        assert b"\x1b[2J" in drawn and b"\x1b[30;1H" in drawn

    run_beside(terminal, main)


@beside("pipe")
async def test_changes_in_quick_succession_are_drawn_at_most_every_50_ms(made: Bench) -> None:
    await asyncio.sleep(2)
    made.read()
    for key in (Key.DEAD_BALL, Key.SNAP) * 50:
        made.press(key)
        await asyncio.sleep(0.01)
    assert len(made.read().splitlines()) <= 1 / 0.05 + 2


# What it says


@beside("terminal", disk="/srv/record.sqlite3: disk full")
async def test_a_journal_that_is_not_written_is_said(made: Bench) -> None:
    await asyncio.sleep(1)
    assert b"not written: /srv/record.sqlite3: disk full" in made.read()


@beside("terminal", simulator=False)
async def test_an_installation_does_not_offer_a_key_that_does_not_quit(made: Bench) -> None:
    await asyncio.sleep(1)
    assert ":quit" in made.read().decode().partition("\x1b[24;1H")[2], "in the last line"


# Commands


@beside("pipe")
async def test_q_ends_the_simulator(made: Bench) -> None:
    await made.said_after(lambda: made.console.command("q"))
    assert made.running.done()
    assert made.numerals == [None, None]


@beside("terminal", simulator=False)
async def test_q_does_not_darken_an_installation_and_says_what_does(made: Bench) -> None:
    made.press(Key.DEAD_BALL)
    assert b":quit" in await made.said_after(lambda: made.console.command("q"))
    assert made.numerals == [39, 39]


@beside("terminal")
async def test_boards_off_typed_once_says_that_it_wants_to_be_typed_twice(made: Bench) -> None:
    made.press(Key.DEAD_BALL)
    assert b"oo, twice" in await made.said_after(lambda: made.console.command("o"))
    assert made.numerals == [39, 39]


@pytest.mark.parametrize("typed", ["quit", " QUIT ", "Quit"])
@pytest.mark.parametrize("simulator", [True, False])
def test_quit_in_full_ends_either(pipe: Output, typed: str, simulator: bool) -> None:
    async def main(made: Bench) -> None:
        await made.said_after(lambda: made.console.entered(typed))
        assert made.running.done()

    run_beside(pipe, main, simulator=simulator)


@beside("pipe")
async def test_a_line_is_an_order(made: Bench) -> None:
    await made.said_after(lambda: made.console.entered("touchdown"))
    assert made.phase == "SET"
    assert made.numerals == [25, 25]
    made.console.entered("count 17")
    await asyncio.sleep(0.1)
    assert made.numerals == [17, 17]


@beside("pipe")
async def test_a_hand_over_changes_nothing_and_is_answered(made: Bench) -> None:
    said = await made.said_after(lambda: made.console.entered("keeper 17"))
    assert made.phase == "IDLE" and b"keeper 17" in said


@pytest.mark.parametrize("plain", [False, True])
def test_a_wrong_line_changes_nothing_and_is_answered(terminal: Output, plain: bool) -> None:
    async def main(made: Bench) -> None:
        said = await made.said_after(lambda: made.console.entered("tuchdown"))
        assert made.phase == "IDLE"
        assert b"'tuchdown'" in said and b"touchdown" in said

    run_beside(terminal, main, plain=plain)


@beside("terminal")
async def test_a_wrong_line_still_shows_the_nearest_name_on_80_columns(made: Bench) -> None:
    said = await made.said_after(lambda: made.console.entered("change of posession"))
    assert b"change of possession" in said.replace(b"_", b" ")


@beside("terminal")
async def test_what_is_no_key_is_named_and_escape_in_words(made: Bench) -> None:
    assert b"'z' is not a key" in await made.said_after(lambda: made.console.unknown("z"))
    said = await made.said_after(lambda: made.console.unknown("\x1b"))
    assert b"x1b" not in said and b"Esc" in said


def test_what_was_wrong_is_gone_once_a_key_was_right(terminal: Output) -> None:
    async def main(made: Bench) -> None:
        made.console.unknown("z")
        await made.said_after(lambda: made.press(Key.DEAD_BALL))
        resize = (terminal.fds[1], (24, 81))  # to have all of it drawn
        said = await made.said_after(lambda: termios.tcsetwinsize(*resize))
        assert b"PLAY CLOCK" in said and b"'z' is not a key" not in said

    run_beside(terminal, main)


# What fails


def the_clock_goes_on(output: Output, after: Callable[[], object]) -> None:
    """Whatever ``after`` does to the console, the count that is started then runs."""

    async def main(made: Bench) -> None:
        await asyncio.sleep(1)
        after()
        made.press(Key.DEAD_BALL)
        await asyncio.sleep(10)
        assert made.phase == "RUNNING"

    run_beside(output, main)


def test_a_reader_that_has_gone_changes_nothing(
    pipe: Output, capfd: pytest.CaptureFixture[str]
) -> None:
    the_clock_goes_on(pipe, lambda: pipe.close(0))
    assert "Traceback" not in capfd.readouterr().err


@pytest.mark.full
@pytest.mark.parametrize("plain", [False, True])
def test_an_output_that_nobody_reads_never_holds_the_clock(terminal: Output, plain: bool) -> None:
    async def main(made: Bench) -> None:
        for _ in range(200):  # far more than a terminal's queue holds
            made.press(Key.DEAD_BALL)
            await asyncio.sleep(2)
            made.press(Key.SNAP)
            await asyncio.sleep(2)
        made.press(Key.DEAD_BALL)
        await asyncio.sleep(0.5)
        assert made.numerals == [40, 40]

    run_beside(terminal, main, plain=plain)


def test_a_terminal_that_hangs_up_ends_the_console_only(terminal: Output) -> None:
    the_clock_goes_on(terminal, lambda: terminal.close(0))


def test_a_terminal_that_hangs_up_with_the_error_stream_on_it_ends_the_console_only(
    terminal: Output, monkeypatch: pytest.MonkeyPatch
) -> None:
    errors = io.TextIOWrapper(io.FileIO(terminal.fds[1], "w", closefd=False), line_buffering=True)
    monkeypatch.setattr(sys, "stderr", errors)
    the_clock_goes_on(terminal, lambda: terminal.close(0))


def test_a_bug_of_the_console_is_said_once_and_ends_the_console_only(
    pipe: Output, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("made by the test")

    words = "controller.console.terminal.phase_words"
    the_clock_goes_on(pipe, lambda: monkeypatch.setattr(words, broken))
    said = capfd.readouterr().err
    assert said.count("the console failed") == 1 and "made by the test" in said
