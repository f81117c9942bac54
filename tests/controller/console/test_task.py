"""The console beside the service: it tells, it takes commands, and it can never end the clock."""

from __future__ import annotations

import asyncio
import contextlib
import io
import os
import sys
import termios
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest

from controller.assembly.assembler import SIMULATED_ID, Assembler
from controller.console.task import ConsoleTask
from controller.console.terminal import unblocked
from controller.rulebook.loader import load_rule_set
from controller.rules.settings import Settings
from controller.service.service import Service
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
    yield output
    output.close_all()


class Bench:
    """A console beside a service with two simulated boards, in virtual time."""

    running: asyncio.Task[None]

    def __init__(self, clock: VirtualClock, console: ConsoleTask, port: str = "") -> None:
        self.clock, self.console = clock, console
        assembler = Assembler(clock, load_rule_set("nfhs"), Settings())
        assembler.console("keeper", console, None)
        if port:
            bus = NodeBus(port, SerialPort(port, clock=clock), {1: "north"}, SIMULATED_ID, clock)
            assembler._boards.append(bus)
        else:
            assembler.simulated_boards({1: "north", 2: "south"}, SIMULATED_ID)
        self.journal = FakeJournal(clock, EMPTY, None)
        self.assembly = assembler.build(self.journal)
        self.typing = Line()

    @property
    def service(self) -> Service:
        return self.assembly.service

    @property
    def phase(self) -> str:
        return self.service.status().phase

    def press(self, key: Key) -> None:
        now = self.clock()
        self.service.key_pressed(Press(0, key, Edge.DOWN, now, now))


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
    made = Bench(clock, console, port)
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


# Where it goes


def test_a_terminal_gets_a_screen_and_is_given_back(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal) as made:
            await asyncio.sleep(2)
            first = terminal.read()
            made.press(Key.DEAD_BALL)
            await asyncio.sleep(1)
            assert first.startswith(ENTERS) and b"PLAY CLOCK" in first and b"NO COUNT" in first
            assert b"RUNNING" in terminal.read()

    run(main)
    assert terminal.read().endswith(LEAVES)


@pytest.mark.parametrize(("term", "plain"), [("xterm", True), ("dumb", False), ("", False)])
def test_a_terminal_that_shall_not_be_drawn_on_gets_lines(
    terminal: Output, monkeypatch: pytest.MonkeyPatch, term: str, plain: bool
) -> None:
    monkeypatch.setenv("TERM", term)

    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal, plain=plain):
            await asyncio.sleep(2)

    run(main)
    said = terminal.read()
    assert b"\x1b" not in said and b"NO COUNT" in said and b"north right" in said


def test_a_pipe_gets_a_line_for_each_numeral(pipe: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, pipe) as made:
            await asyncio.sleep(2)
            made.press(Key.DEAD_BALL)
            await asyncio.sleep(40.5)

    run(main)
    said = pipe.read().decode().splitlines()
    for number in range(40, 0, -1):
        assert any(f"RUNNING {number} " in f"{line} " for line in said), number
    assert any("ZERO" in line for line in said)
    assert len(said) < 70  # nothing is said twice over


def test_an_installation_without_a_terminal_is_quiet_while_all_is_well(pipe: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, pipe, simulator=False) as made:
            await asyncio.sleep(2)
            made.press(Key.DEAD_BALL)
            await asyncio.sleep(5)

    run(main)
    assert pipe.read() == b""


def test_an_installation_without_a_terminal_still_tells_a_fault(
    tmp_path: Path, pipe: Output, capfd: pytest.CaptureFixture[str]
) -> None:
    missing = str(tmp_path / "boards")

    async def main(clock: VirtualClock) -> None:
        async with bench(clock, pipe, simulator=False, port=missing):
            await asyncio.sleep(5)

    run(main)
    said = pipe.read().decode() + capfd.readouterr().err
    assert f"{missing}: cannot open: No such file or directory" in said


def test_without_any_output_it_says_nothing_and_the_clock_runs() -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, None) as made:
            made.press(Key.DEAD_BALL)
            await asyncio.sleep(3)
            assert made.phase == "RUNNING"

    run(main)


def test_a_terminal_that_changes_its_size_is_drawn_anew(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal):
            await asyncio.sleep(1)
            terminal.read()
            termios.tcsetwinsize(terminal.fds[1], (30, 100))
            await asyncio.sleep(1)
            drawn = terminal.read()
            assert b"\x1b[2J" in drawn and b"\x1b[30;1H" in drawn

    run(main)


def test_changes_in_quick_succession_are_drawn_at_most_every_50_ms(pipe: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, pipe) as made:
            await asyncio.sleep(2)
            pipe.read()
            for key in (Key.DEAD_BALL, Key.SNAP) * 50:
                made.press(key)
                await asyncio.sleep(0.01)

    run(main)
    assert len(pipe.read().splitlines()) <= 1 / 0.05 + 2


# What it says


def test_a_journal_that_is_not_written_is_said(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal, disk="/srv/record.sqlite3: disk full"):
            await asyncio.sleep(1)

    run(main)
    assert b"not written: /srv/record.sqlite3: disk full" in terminal.read()


def test_the_keys_are_on_the_screen_with_the_names_the_field_uses(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal):
            await asyncio.sleep(1)

    run(main)
    drawn = terminal.read().decode()
    # README.md, "Keys": a key is called by its label wherever it is spoken of.
    for label in ("DEAD BALL", "READY", "SNAP", "STOP", "FLAG", "TIME-OUT", "INJURY", "UNDO"):
        assert label in drawn, label
    assert "NO COUNT" in drawn and "BOARDS OFF" in drawn


def test_an_installation_does_not_offer_a_key_that_does_not_quit(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal, simulator=False):
            await asyncio.sleep(1)

    run(main)
    last_line = terminal.read().decode().partition("\x1b[24;1H")[2]
    assert ":quit" in last_line


# Commands


def test_q_ends_the_simulator(pipe: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, pipe) as made:
            await asyncio.sleep(1)
            made.console.command("q")
            await asyncio.sleep(1)
            assert made.running.done()
            assert [node.shown(clock()).numerals for node in made.assembly.nodes] == [None, None]

    run(main)


def test_q_does_not_darken_an_installation_and_says_what_does(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal, simulator=False) as made:
            made.press(Key.DEAD_BALL)
            await asyncio.sleep(1)
            terminal.read()
            made.console.command("q")
            await asyncio.sleep(1)
            assert b":quit" in terminal.read()
            assert [node.shown(clock()).numerals for node in made.assembly.nodes] == [39, 39]

    run(main)


@pytest.mark.parametrize("typed", ["quit", " QUIT ", "Quit"])
@pytest.mark.parametrize("simulator", [True, False])
def test_quit_in_full_ends_either(pipe: Output, typed: str, simulator: bool) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, pipe, simulator=simulator) as made:
            await asyncio.sleep(1)
            made.console.entered(typed)
            await asyncio.sleep(0.5)
            assert made.running.done()

    run(main)


def test_a_line_is_an_order(pipe: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, pipe) as made:
            await asyncio.sleep(1)
            made.console.entered("touchdown")
            await asyncio.sleep(1)
            assert made.phase == "SET"
            assert [node.shown(clock()).numerals for node in made.assembly.nodes] == [25, 25]
            made.console.entered("count 17")
            await asyncio.sleep(0.1)
            assert [node.shown(clock()).numerals for node in made.assembly.nodes] == [17, 17]

    run(main)


@pytest.mark.parametrize("plain", [False, True])
def test_a_wrong_line_changes_nothing_and_is_answered(terminal: Output, plain: bool) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal, plain=plain) as made:
            await asyncio.sleep(1)
            terminal.read()
            made.console.entered("tuchdown")
            await asyncio.sleep(1)
            assert made.phase == "IDLE"
            said = terminal.read()
            assert b"'tuchdown'" in said and b"touchdown" in said

    run(main)


def test_a_wrong_line_still_shows_the_nearest_name_on_80_columns(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal) as made:
            made.console.entered("change of posession")
            await asyncio.sleep(1)

    run(main)
    assert b"change of possession" in terminal.read().replace(b"_", b" ")


def test_a_character_that_is_no_key_is_named(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal) as made:
            await asyncio.sleep(1)
            terminal.read()
            made.console.unknown("z")
            await asyncio.sleep(1)
            assert b"'z' is no key" in terminal.read()

    run(main)


def test_escape_alone_is_named_in_words(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal) as made:
            await asyncio.sleep(1)
            terminal.read()
            made.console.unknown("\x1b")
            await asyncio.sleep(1)
            said = terminal.read()
            assert b"x1b" not in said and b"Esc" in said

    run(main)


def test_what_was_wrong_is_gone_once_a_key_was_right(terminal: Output) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal) as made:
            made.console.unknown("z")
            await asyncio.sleep(1)
            made.press(Key.DEAD_BALL)
            await asyncio.sleep(1)
            terminal.read()
            termios.tcsetwinsize(terminal.fds[1], (24, 81))  # to have all of it drawn
            await asyncio.sleep(1)
            assert b"'z' is no key" not in terminal.read()

    run(main)


# What fails


def the_clock_goes_on(output: Output, after: Callable[[], object]) -> None:
    """Whatever ``after`` does to the console, the count that is started then runs."""

    async def main(clock: VirtualClock) -> None:
        async with bench(clock, output) as made:
            await asyncio.sleep(1)
            after()
            made.press(Key.DEAD_BALL)
            await asyncio.sleep(10)
            assert made.phase == "RUNNING"

    run(main)


def test_a_reader_that_has_gone_changes_nothing(
    pipe: Output, capfd: pytest.CaptureFixture[str]
) -> None:
    the_clock_goes_on(pipe, lambda: pipe.close(0))
    assert "Traceback" not in capfd.readouterr().err


@pytest.mark.parametrize("plain", [False, True])
def test_an_output_that_nobody_reads_never_holds_the_clock(terminal: Output, plain: bool) -> None:
    async def main(clock: VirtualClock) -> None:
        async with bench(clock, terminal, plain=plain) as made:
            for _ in range(200):  # far more than a terminal's queue holds
                made.press(Key.DEAD_BALL)
                await asyncio.sleep(2)
                made.press(Key.SNAP)
                await asyncio.sleep(2)
            made.press(Key.DEAD_BALL)
            await asyncio.sleep(0.5)
            assert [node.shown(clock()).numerals for node in made.assembly.nodes] == [40, 40]

    run(main)


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
