"""Ports with an ear on them, drivers at work, and what a fault of a port means."""

from __future__ import annotations

import asyncio
import errno
import fcntl
import os
from pathlib import Path

import pytest
from gpiozero.exc import BadPinFactory

from controller.check.ports import RunningDriver, SniffingPort, port_finding
from controller.check.report import Verdict
from drivers.base import BoardReport, DriverError, PortError
from drivers.board.messages import Show, encode_show
from drivers.board.node import NodeBus
from drivers.handset.kinds import HANDSET_KINDS
from drivers.kind import PIN_CURES, PORT_CURES, Cures
from drivers.port.memory_port import memory_pair
from drivers.port.serial_port import SerialPort
from tests.shared.installation import Tty
from tests.shared.virtual_time import VirtualClock, virtual


class Deaf:
    """Listens to boards and ports, and to nobody's answers."""

    def __init__(self) -> None:
        self.data = b""
        self.lost: list[PortError] = []

    def board_answered(self, report: BoardReport) -> None: ...

    def bytes_received(self, data: bytes, at: int) -> None:
        self.data += data

    def port_lost(self, error: PortError) -> None:
        self.lost.append(error)


@virtual
async def test_a_tapped_port_is_the_port_itself_and_its_frames_are_heard(
    clock: VirtualClock,
) -> None:
    near, far = memory_pair(clock)
    bodies: list[bytes] = []
    tapped, listener, other = SniffingPort(near), Deaf(), Deaf()
    tapped.hear = bodies.append
    tapped.open(listener)
    far.open(other)
    assert tapped.name == near.name
    assert tapped.write(b"abc") == 3 and tapped.unsent() == 3
    frame = encode_show(Show(1, 2, 40, 15, 0, 3))
    far.write(frame)
    await asyncio.sleep(0.1)
    assert other.data == b"abc" and listener.data == frame and len(bodies) == 1
    near.unplug()
    assert len(listener.lost) == 1


async def bug() -> None:
    raise ZeroDivisionError


async def broken_port() -> None:
    raise PortError("lost")


@virtual
async def test_a_fault_is_kept_and_a_bug_is_raised(clock: VirtualClock) -> None:
    async with RunningDriver(broken_port()) as work:
        await asyncio.sleep(0.1)
        assert isinstance(work.fault, DriverError)
    with pytest.raises(ZeroDivisionError):
        async with RunningDriver(bug()) as work:
            await asyncio.sleep(0.1)
            assert work.fault is None


@virtual
async def test_a_driver_works_until_the_block_is_left(clock: VirtualClock) -> None:
    ended: list[int] = []

    async def serve() -> None:
        try:
            await asyncio.sleep(100)
        finally:
            ended.append(clock())

    began_at = clock()
    with pytest.raises(KeyError):
        async with RunningDriver(serve()):
            await asyncio.sleep(1)
            raise KeyError
    assert ended == [began_at + 1_000_000_000]


def fault(cause: BaseException) -> PortError:
    error = PortError("/dev/pair: cannot open: so and so")
    error.__cause__ = cause
    return error


[KEY_CURES] = [kind.cures for kind in HANDSET_KINDS if kind.name == "input_event"]


@pytest.mark.parametrize(
    ("error", "cures", "do"),
    [
        (fault(OSError(errno.ENOENT, "")), PORT_CURES, "plug the adapter in"),
        (fault(OSError(errno.EACCES, "")), PORT_CURES, "dialout"),
        (fault(OSError(errno.EAGAIN, "")), PORT_CURES, "systemctl stop playclock"),
        (fault(OSError(errno.EIO, "")), PORT_CURES, "pull the adapter"),
        (fault(ImportError("gone", name="serial")), PORT_CURES, "pip install pyserial"),
        (fault(ImportError("gone", name="pymodbus.framer")), PORT_CURES, "pip install pymodbus"),
        (fault(ValueError()), PORT_CURES, "pull the adapter"),
        (DriverError("/dev/pair: cannot open GPIO 17"), PIN_CURES, "playclock-pins.conf"),
        (fault(BadPinFactory("no library")), PIN_CURES, "the library of the pins"),
        (fault(ImportError("gone", name="gpiozero")), PIN_CURES, "pip install gpiozero"),
        (fault(OSError(errno.EACCES, "no")), KEY_CURES, "playclock-keys.conf"),
        (fault(OSError(errno.ENOENT, "no")), KEY_CURES, "ls /dev/input/by-id"),
    ],
)
def test_a_device_that_cannot_be_used_has_a_cure(error: DriverError, cures: Cures, do: str) -> None:
    found = port_finding(error, "north", cures)
    assert found.verdict is Verdict.WRONG and do in found.do
    assert found.what.startswith("north: /dev/pair: cannot open")


def test_a_port_that_another_program_holds_is_named_so(tmp_path: Path) -> None:
    tty = Tty(tmp_path / "pair")
    other = os.open(tty.link, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)

    async def tried() -> Exception | None:
        port = SerialPort(str(tty.link), clock=lambda: 0)
        bus = NodeBus("pair", port, {1: "north"}, 7, lambda: 0)
        async with RunningDriver(bus.run(Deaf())) as work:
            return work.fault

    found_fault = asyncio.run(tried())
    os.close(other)
    tty.unplug()
    assert found_fault is not None
    found = port_finding(found_fault, "north", PORT_CURES)
    assert "another program has it" in found.what and "systemctl stop playclock" in found.do
