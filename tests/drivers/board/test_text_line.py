"""Plain text displays on a slow line: the newest text, never a torn one, and dark at the end."""

from __future__ import annotations

import asyncio
import contextlib
import os
import tty
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

import pytest

from controller.clock import boottime
from drivers.base import DARK, Face, PortError
from drivers.board.text_layout import TextLayout
from drivers.board.text_line import TextLine
from drivers.port.memory_port import MemoryPort, memory_pair
from drivers.port.serial_port import SerialPort
from tests.controller.fakes import MS
from tests.drivers.board.listeners import NoReports
from tests.drivers.running import running
from tests.shared.virtual_time import START_AT, VirtualClock, sleep_until, virtual, virtual_with

LAYOUT = TextLayout("{numerals:02d}\r", "  \r", refresh_ms=1000)
BAUD = 1200
CHARACTER_NS = 10 * 1_000_000_000 // BAUD


@dataclass
class Display:
    """The far end: what a display with a line buffer shows, and when each line was whole."""

    clock: VirtualClock
    lines: list[tuple[str, int]] = field(default_factory=list)
    buffer: str = ""

    def bytes_received(self, data: bytes, at: int) -> None:
        for char in data.decode("ascii"):
            if char == "\r":
                self.lines.append((self.buffer, at))
                self.buffer = ""
            else:
                self.buffer += char

    def port_lost(self, error: PortError) -> None:
        pass

    @property
    def texts(self) -> list[str]:
        return [text for text, _ in self.lines]


@dataclass
class Rig:
    clock: VirtualClock
    near: MemoryPort
    board: TextLine
    display: Display
    task: asyncio.Task[None]

    async def at(self, ms: float) -> None:
        await sleep_until(self.clock, START_AT + round(ms * MS))


@contextlib.asynccontextmanager
async def at_work(clock: VirtualClock, layout: TextLayout = LAYOUT) -> AsyncIterator[Rig]:
    near, far = memory_pair(clock, BAUD)
    display = Display(clock)
    far.open(display)
    board = TextLine("line", near, ["north"], layout, clock, baud=BAUD)
    async with running(board.run(NoReports())) as task:
        yield Rig(clock, near, board, display, task)
    await asyncio.sleep(1)


@virtual_with(at_work)
async def test_a_text_leaves_at_once_and_takes_the_time_of_its_characters(rig: Rig) -> None:
    rig.board.show(Face(7))
    await rig.at(26)
    assert rig.display.lines == [("07", START_AT + 3 * CHARACTER_NS)]


@virtual_with(at_work)
async def test_the_newest_face_replaces_the_one_that_waits(rig: Rig) -> None:
    for numerals in (40, 39, 38, 37):
        rig.board.show(Face(numerals))
    await rig.at(100)
    assert rig.display.texts == ["40", "37"]


@virtual_with(at_work)
async def test_the_same_text_is_sent_again_only_when_its_refresh_is_due(rig: Rig) -> None:
    for tenth in range(25):
        await rig.at(100 * tenth)
        rig.board.show(Face(25))
    await rig.at(2600)
    assert [round((at - START_AT) / MS) for _, at in rig.display.lines] == [25, 1025, 2025]
    assert rig.board.sent == 22, "every face whose text had left counts as sent"


@virtual
async def test_brightness_goes_out_before_the_text_with_each_refresh(clock: VirtualClock) -> None:
    async with at_work(clock, TextLayout("{numerals}\r", "\r", "B{brightness}\r")) as rig:
        rig.board.show(Face(25, brightness=9))
        await rig.at(200)
        rig.board.show(Face(25, brightness=3))
        await rig.at(400)
        assert rig.display.texts == ["B9", "25", "B3", "25"]


@virtual_with(at_work)
async def test_it_is_left_dark_with_the_text_under_way_ended_first(rig: Rig) -> None:
    rig.near.capacity = 2
    rig.board.show(Face(40))
    await rig.at(1)
    rig.near.capacity = 4096
    rig.task.cancel()
    await asyncio.wait({rig.task})
    await rig.at(500)
    assert rig.display.texts[0] == "40"
    assert set(rig.display.texts[1:]) == {"  "} and rig.display.buffer == ""


@virtual_with(at_work)
async def test_a_full_port_gets_the_rest_before_the_next_text(rig: Rig) -> None:
    rig.near.capacity = 2
    rig.board.show(Face(40))
    rig.board.show(Face(39))
    await rig.at(150)
    assert rig.display.texts == ["40", "39"]


@virtual_with(at_work)
async def test_a_port_that_does_not_send_is_a_fault_and_shows_nothing_old_later(rig: Rig) -> None:
    rig.board.show(Face(40))
    rig.near.stall()
    for tenth in range(1, 5):
        await rig.at(100 * tenth)
        rig.board.show(Face(40 - tenth))
    with pytest.raises(PortError, match=r"line\.a: text not sent in time"):
        await rig.task
    rig.near.resume()
    await rig.at(1000)
    assert "40" not in rig.display.texts[1:] and rig.display.texts == []


@virtual_with(at_work)
async def test_a_lost_port_ends_it_and_it_runs_again(rig: Rig) -> None:
    rig.board.show(Face(40))
    await rig.at(50)
    rig.near.unplug()
    with pytest.raises(PortError, match="unplugged"):
        await rig.task
    rig.board.show(Face(39))  # dropped: the port is down
    rig.near.replug()
    rig.near._peer.open(rig.display)
    async with running(rig.board.run(NoReports())):
        rig.board.show(Face(40))
        await rig.at(200)
        assert rig.display.texts == ["40", "40"]


@virtual_with(at_work)
async def test_a_face_held_up_by_a_late_loop_is_never_sent(rig: Rig) -> None:
    rig.board.show(Face(40))
    rig.board.show(Face(39))
    rig.clock.jump(400 * MS)
    await asyncio.sleep(0.05)
    assert rig.display.texts == ["40"]


async def test_on_a_real_line_each_text_is_there_and_dark_at_the_end() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    port = SerialPort(os.ttyname(slave), 9600, clock=boottime)
    board = TextLine("line", port, ["north"], LAYOUT, boottime, baud=9600)
    task = asyncio.create_task(board.run(NoReports()))
    heard = b""

    def hear() -> bytes:
        nonlocal heard
        with contextlib.suppress(BlockingIOError):
            heard += os.read(master, 1024)
        return heard

    for face, text in [
        (Face(25), b"25\r"),
        (Face(None, lamp_test=True), b"88\r"),
        (DARK, b"  \r"),
        (Face(7), b"07\r"),
    ]:
        heard = b""
        for _ in range(1000):
            board.show(face)
            await asyncio.sleep(0.001)
            if hear().endswith(text):
                break
        assert heard.endswith(text)
    task.cancel()
    await asyncio.wait({task})
    for _ in range(1000):
        if hear().endswith(2 * b"  \r"):
            break
        await asyncio.sleep(0.001)  # a kernel thread carries the bytes on
    assert heard.endswith(2 * b"  \r")
    os.close(slave)
    os.close(master)
