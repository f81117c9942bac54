from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import select
import termios
import tty
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest

from drivers.base import Answer, DriverError, Edge, Key, Press
from drivers.handset.terminal import KEYS, LONGEST_ENTRY, TerminalKeys
from tests.drivers.handset.listeners import KeysListener, bug
from tests.shared.virtual_time import VirtualClock, virtual, virtual_with

MS = 1_000_000


@dataclass
class Console(KeysListener):
    """What the keys did: the presses, and the other callbacks in order."""

    said: list[tuple[str, str]] = field(default_factory=list)


class Bench:
    def __init__(self, clock: VirtualClock, fd: int, keyboard: int) -> None:
        self.clock = clock
        self.console = console = Console(Answer.HELD)
        self.fd = fd
        self.keyboard = keyboard
        self.keys = TerminalKeys(
            fd,
            clock,
            command=lambda char: console.said.append(("command", char)),
            entered=lambda text: console.said.append(("entered", text)),
            unknown=lambda char: console.said.append(("unknown", char)),
        )
        self.task = asyncio.create_task(self.keys.run(console))

    async def type(self, text: str | bytes, then_ms: float = 200) -> None:
        """Type ``text`` in one go and let time pass."""
        os.write(self.keyboard, text.encode() if isinstance(text, str) else text)
        select.select([self.fd], [], [], 1)  # a pty hands it over in real time
        await asyncio.sleep(then_ms / 1000)

    async def stop(self) -> None:
        self.task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await self.task


@contextlib.contextmanager
def open_pty() -> Iterator[tuple[int, int]]:
    """The keyboard's end and the terminal's end."""
    keyboard, terminal = pty.openpty()
    try:
        yield keyboard, terminal
    finally:
        for fd in (keyboard, terminal):
            with contextlib.suppress(OSError):
                os.close(fd)


@contextlib.asynccontextmanager
async def bench(clock: VirtualClock) -> AsyncIterator[Bench]:
    with open_pty() as (keyboard, terminal):
        made = Bench(clock, terminal, keyboard)
        await asyncio.sleep(0.001)
        yield made
        await made.stop()
        assert not asyncio.get_running_loop().remove_reader(terminal)  # none was left


def entry_of(b: Bench) -> str | None:
    return b.keys.entry


@pytest.mark.parametrize("typed", ["dr2s4xftiunm", "DR2S4XFTIUNM"])
def test_each_letter_is_its_key_and_caps_lock_changes_nothing(typed: str) -> None:
    @virtual_with(bench)
    async def check(b: Bench) -> None:
        for char in typed:
            await b.type(char)
        assert b.console.edges == [(key, Edge.DOWN) for key in KEYS.values()]
        assert b.console.said == []

    check()
    assert set(KEYS.values()) == set(Key)


@virtual_with(bench)
async def test_a_press_is_dated_when_it_is_read(b: Bench) -> None:
    at = b.clock()
    await b.type("d")
    assert b.console.presses == [Press(0, Key.DEAD_BALL, Edge.DOWN, at, at)]


@pytest.mark.parametrize("typed", ["p", "P"])
def test_a_score_is_the_25_key_held(typed: str) -> None:
    @virtual_with(bench)
    async def check(b: Bench) -> None:
        at = b.clock()
        await b.type(typed)
        assert b.console.presses == [Press(0, Key.NUMBER_25, Edge.HELD, at, at)]

    check()


@pytest.mark.parametrize("typed", ["oo", "OO", "oO"])
@pytest.mark.parametrize("gap_ms", [150, 400, 1_900])
def test_boards_off_wants_two_taps_in_either_case(typed: str, gap_ms: int) -> None:
    @virtual_with(bench)
    async def check(b: Bench) -> None:
        await b.type(typed[0], gap_ms)
        assert (b.console.edges, b.console.said) == ([], [("command", "o")])
        await b.type(typed[1], 500)
        assert b.console.edges == [(Key.BOARDS_OFF, Edge.HELD)]
        assert b.console.said == [("command", "o")]
        await b.type(typed[0], 500)
        assert len(b.console.edges) == 1, "a third is a first again"

    check()


@virtual_with(bench)
async def test_one_slip_of_a_finger_and_leaning_on_a_key_darken_nothing(b: Bench) -> None:
    await b.type("o", 2_100)
    await b.type("o", 300)
    await b.type("i", 300)
    await b.type("o", 3_000)
    await b.type("o", 500)
    for _ in range(60):
        await b.type("o", 33)
    await asyncio.sleep(1)
    assert b.console.edges == [(Key.INJURY, Edge.DOWN)]


@virtual_with(bench)
async def test_a_burst_of_marks_never_grows_into_another_order(b: Bench) -> None:
    began_at = b.clock()
    for _ in range(12):
        await b.type("m", 200)
    assert set(b.console.edges) == {(Key.BOARDS_OFF, Edge.DOWN)}
    taps = [(press.edge_at - began_at) // MS for press in b.console.presses]
    assert all(later - tap > 600 for tap, later in pairwise(taps))
    assert taps[0] == 0 and len(taps) >= 3


@virtual_with(bench)
async def test_a_double_tap_is_two_presses_each_with_its_own_instant(b: Bench) -> None:
    for gap_ms in (150, 300, 450, 600):
        b.console.presses.clear()
        at = b.clock()
        await b.type("2", gap_ms)
        await b.type("2", 2000)
        assert [press.edge_at - at for press in b.console.presses] == [0, gap_ms * MS]


@virtual_with(bench)
async def test_leaning_on_a_key_is_one_press(b: Bench) -> None:
    await b.type("2", 500)
    for _ in range(60):
        await b.type("2", 33)
    await asyncio.sleep(1)
    assert b.console.edges == [(Key.NUMBER_25, Edge.DOWN)]
    assert b.console.said == []


@virtual_with(bench)
async def test_arrows_and_function_keys_do_nothing(b: Bench) -> None:
    for sequence in ("\x1b[A", "\x1b[[D", "\x1bOR", "\x1b[15;2~", "\x1bd"):
        await b.type(sequence, 10)
    await b.type("\x1b", 10)
    await b.type("[D", 100)
    for piece in ("\x1b", "[", "D"):  # a slow line: each piece starts the wait again
        await b.type(piece, 40)
    assert (b.console.edges, b.console.said) == ([], [])
    await b.type("d")
    assert b.console.edges == [(Key.DEAD_BALL, Edge.DOWN)]


@virtual_with(bench)
async def test_what_means_nothing_is_said(b: Bench) -> None:
    await b.type("z")
    await b.type("é")
    await b.type("\x1b")
    await b.type(b"\xff")
    await b.type("7")
    assert b.console.said == [("unknown", char) for char in "zé\x1b\ufffd7"]
    assert b.console.edges == []


@virtual_with(bench)
async def test_q_is_a_command(b: Bench) -> None:
    await b.type("q")
    await b.type("Q")
    assert b.console.said == [("command", "q"), ("command", "q")]


@virtual_with(bench)
async def test_a_line_is_entered_and_presses_no_key(b: Bench) -> None:
    await b.type(":")
    assert entry_of(b) == ""
    await b.type("toucx\x7fhdownn")
    assert entry_of(b) == "touchdownn"
    await b.type("\x08 é\x1b[D\x07", 10)
    assert b.keys.entry == "touchdown é"
    await b.type("\r")
    await b.type(":1\x1524\n")
    assert b.console.said == [("entered", "touchdown é"), ("entered", "24")]
    assert entry_of(b) is None
    assert b.console.edges == []
    await b.type("d")
    assert b.console.edges == [(Key.DEAD_BALL, Edge.DOWN)]


@virtual_with(bench)
async def test_escape_throws_the_line_away(b: Bench) -> None:
    await b.type(":safety")
    await b.type("\x1b", 40)
    assert entry_of(b) == "safety"
    await asyncio.sleep(0.02)
    assert entry_of(b) is None
    assert b.console.said == []


@virtual_with(bench)
async def test_a_line_has_an_end(b: Bench) -> None:
    await b.type(":" + "a" * 500)
    await b.type("\r")
    assert b.console.said == [("entered", "a" * LONGEST_ENTRY)]


@virtual
async def test_the_terminal_gives_single_unseen_characters_and_is_restored(
    clock: VirtualClock,
) -> None:
    with open_pty() as (keyboard, terminal):
        before = termios.tcgetattr(terminal)
        os.write(keyboard, b"typed before the start\r")
        select.select([terminal], [], [], 1)
        b = Bench(clock, terminal, keyboard)
        await asyncio.sleep(0.01)
        during = termios.tcgetattr(terminal)
        assert not during[tty.LFLAG] & (termios.ICANON | termios.ECHO)
        assert during[tty.LFLAG] & termios.ISIG
        await b.type("d")
        assert b.console.edges == [(Key.DEAD_BALL, Edge.DOWN)]
        await b.stop()
        assert termios.tcgetattr(terminal) == before


@pytest.mark.parametrize("text", ["d", "dd"])
@virtual
async def test_an_error_ends_the_run_and_restores_the_terminal(
    clock: VirtualClock, text: str
) -> None:
    """From the reader's callback and from the timer's: the loop would only log it."""
    with open_pty() as (keyboard, terminal):
        before = termios.tcgetattr(terminal)
        b = Bench(clock, terminal, keyboard)
        await asyncio.sleep(0.01)
        if text == "dd":
            await b.type("d", 300)
        b.console.acting = bug
        os.write(keyboard, b"d")
        with pytest.raises(ZeroDivisionError):
            await b.task
        assert termios.tcgetattr(terminal) == before


@virtual
async def test_a_terminal_that_hangs_up_is_a_fault(clock: VirtualClock) -> None:
    with open_pty() as (keyboard, terminal):
        b = Bench(clock, terminal, keyboard)
        await asyncio.sleep(0.01)
        os.close(keyboard)
        with pytest.raises(DriverError, match=r"console keys: the terminal (hung up|was lost)"):
            await b.task


@virtual
async def test_the_end_of_a_pipe_is_no_fault(clock: VirtualClock) -> None:
    reader, writer = os.pipe()
    b = Bench(clock, reader, writer)
    await asyncio.sleep(0.01)
    await b.type("dr", 50)
    os.write(writer, b"r")
    os.close(writer)
    await asyncio.sleep(3600)
    assert b.console.edges == [
        (Key.DEAD_BALL, Edge.DOWN),
        (Key.READY, Edge.DOWN),
        (Key.READY, Edge.DOWN),
    ]
    assert not b.task.done()
    await b.stop()
    os.close(reader)


def test_the_null_device_has_no_keys() -> None:
    @virtual
    async def check(clock: VirtualClock) -> None:
        b = Bench(clock, null.fileno(), -1)
        await asyncio.sleep(3600)
        assert not b.task.done()
        await b.stop()

    with Path(os.devnull).open("rb") as null:
        check()


def test_a_file_is_no_keyboard() -> None:
    @virtual
    async def check(clock: VirtualClock) -> None:
        b = Bench(clock, file.fileno(), -1)
        with pytest.raises(DriverError, match=f"descriptor {file.fileno()} is a file and cannot"):
            await b.task

    with Path(__file__).open("rb") as file:
        check()


@virtual_with(bench)
async def test_it_runs_again_after_a_fault_with_a_closed_line(b: Bench) -> None:
    await b.type(":half a li")
    await b.stop()
    b.task = asyncio.create_task(b.keys.run(b.console))
    await asyncio.sleep(0.01)
    assert b.keys.entry is None
    await b.type("r")
    assert b.console.edges == [(Key.READY, Edge.DOWN)]


def test_what_a_handset_driver_promises() -> None:
    keys = TerminalKeys(0, lambda: 0)
    assert (keys.authenticated, keys.beacons, keys.name) == (True, False, "console keys")
