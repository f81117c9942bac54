"""Virtual time over real ptys, and the line at their far end."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from drivers.base import PortError
from tests.shared.frames import framed
from tests.shared.installation import Tty
from tests.shared.line import Lie, Line
from tests.shared.pty_time import AwakeLoop, Lanes, PatientClock, PtyPort, TellingPort

FRAME = framed(b"\x21\0\1")


class Listener:
    """What the service's port hears."""

    def __init__(self) -> None:
        self.heard: list[tuple[bytes, int]] = []
        self.lost: list[PortError] = []

    def bytes_received(self, data: bytes, at: int) -> None:
        self.heard.append((data, at))

    def port_lost(self, error: PortError) -> None:
        self.lost.append(error)


class Ends:
    """One pty with the service's port at one end and a line at the other."""

    def __init__(self, tty: Tty, clock: PatientClock, lanes: Lanes, port: type[PtyPort]) -> None:
        self.tty, self.clock = tty, clock
        self.listener = Listener()
        self.received: list[tuple[bytes, int]] = []
        self.line = Line(lambda data: self.received.append((data, clock())), clock, lanes["line"])
        self.line.join(tty.master)
        self.port = port(lanes, str(tty.link), clock=clock)
        self.port.open(self.listener)


def on_a_pty(
    folder: Path, script: Callable[[Ends], Awaitable[None]], port: type[PtyPort] = TellingPort
) -> None:
    lanes = Lanes()
    clock = PatientClock(lanes)
    tty = Tty(folder / "line")

    async def main() -> None:
        ends = Ends(tty, clock, lanes, port)
        try:
            await script(ends)
        finally:
            ends.port.close()
            ends.line.leave()
            tty.unplug()

    with asyncio.Runner(loop_factory=lambda: AwakeLoop(clock)) as runner:
        runner.run(main())


def test_time_stands_still_until_every_byte_has_been_read(tmp_path: Path) -> None:
    async def script(ends: Ends) -> None:
        for _ in range(50):
            at = ends.clock()
            ends.port.write(b"down")
            ends.line.send(FRAME)
            await asyncio.sleep(1)
            assert ends.received.pop() == (b"down", at)
            assert ends.listener.heard.pop() == (FRAME, at)

    on_a_pty(tmp_path, script)


@pytest.mark.parametrize("port", [PtyPort, TellingPort])
def test_ports_are_closed_flushed_pulled_and_opened_again_with_bytes_under_way(
    tmp_path: Path, port: type[PtyPort]
) -> None:
    async def script(ends: Ends) -> None:
        for _ in range(5):
            ends.port.write(b"flushed")
            ends.port.flush()
            ends.port.write(b"down")
            ends.line.send(FRAME)
            ends.port.close()
            ends.line.send(FRAME)
            ends.port.open(ends.listener)
            await asyncio.sleep(1)
            ends.port.write(b"pulled")
            ends.line.send(FRAME)
            ends.line.leave()
            ends.tty.unplug()
            await asyncio.sleep(1)
            assert len(ends.listener.lost) == 1
            ends.listener.lost.clear()
            ends.tty.plug()
            ends.line.join(ends.tty.master)
            ends.port.open(ends.listener)
            await asyncio.sleep(1)
        assert {data for data, _ in ends.received} == {b"down"}
        assert ends.listener.heard == []

    on_a_pty(tmp_path, script, port)


def test_what_a_stalled_line_holds_comes_when_it_goes_on_or_is_flushed(tmp_path: Path) -> None:
    async def script(ends: Ends) -> None:
        ends.line.stall()
        ends.port.write(b"held")
        await asyncio.sleep(1)
        assert ends.port.unsent() == 4 and ends.received == []
        ends.line.resume()
        await asyncio.sleep(0.001)
        assert [data for data, _ in ends.received] == [b"held"] and ends.port.unsent() == 0
        ends.line.stall()
        ends.port.write(b"gone")
        ends.port.flush()
        ends.line.resume()
        await asyncio.sleep(1)
        assert ends.port.unsent() == 0 and len(ends.received) == 1

    on_a_pty(tmp_path, script)


def test_a_full_line_takes_nothing_more(tmp_path: Path) -> None:
    async def script(ends: Ends) -> None:
        ends.line.fill(ends.tty.slave)
        assert ends.port.write(b"x") == 0
        assert ends.port.unsent() > 0

    on_a_pty(tmp_path, script)


def test_a_cut_line_loses_and_a_lying_one_says_something_else(tmp_path: Path) -> None:
    async def script(ends: Ends) -> None:
        ends.line.cut = True
        ends.port.write(b"lost")
        ends.line.send(FRAME)
        await asyncio.sleep(1)
        assert ends.received == [] == ends.listener.heard
        ends.line.cut, ends.line.lie = False, Lie(0.03, 2, lambda body: body[:2])
        begun_at = ends.clock()
        ends.line.send(FRAME)
        await asyncio.sleep(1)
        assert [data for data, _ in ends.listener.heard] == [framed(b"\x21\0")] * 2
        assert ends.listener.heard[0][1] - begun_at == 30_000_000
        ends.line.garbled_until = ends.clock() + 1
        ends.port.write(b"\x5a")
        await asyncio.sleep(1)
        assert ends.received[-1][0] == b"\0"

    on_a_pty(tmp_path, script)
