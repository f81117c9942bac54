"""Ports with an ear on them, drivers at work, and what a fault of a port means."""

from __future__ import annotations

import asyncio
import errno
import fcntl
import os
from pathlib import Path

import pytest
from gpiozero.exc import BadPinFactory

from controller.check.ports import (
    AtWork,
    Pair,
    Ports,
    SniffingPort,
    board_wires,
    handset_wires,
    port_finding,
)
from controller.check.report import Verdict
from controller.config.load import parse_config
from drivers.base import BoardReport, DriverError, PortError
from drivers.board.messages import NodeFlag, Show, Status, encode_show, encode_status
from drivers.handset.keys import Keys
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
    tapped, listener, other = SniffingPort(near, bodies.append), Deaf(), Deaf()
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


def status(node: int) -> bytes:
    return encode_status(Status(node, 1, (0, 0), 15, NodeFlag(0), 120, 0, 0, 9, 4))


@virtual
async def test_the_ear_of_a_pair_keeps_all_that_a_board_tells(clock: VirtualClock) -> None:
    near, far = memory_pair(clock)
    pair = Pair(near, {1: "north"}, 7, clock, 38400)
    pair.port.bytes_received(status(1) + b"\x00\x03\x12\x00" + status(1), 0)
    assert [each.revision for each in pair.told[1]] == [4, 4]
    async with AtWork(pair.bus.run(Deaf())):
        far.open(Deaf())
        far.write(encode_show(Show(7, 2, 40, 15, 0, 3)))  # a copy of this installation
        await asyncio.sleep(0.1)
        assert pair.bus.strangers == 1


async def bug() -> None:
    raise ZeroDivisionError


async def broken_port() -> None:
    raise PortError("lost")


@virtual
async def test_a_fault_is_kept_and_a_bug_is_raised(clock: VirtualClock) -> None:
    async with AtWork(broken_port()) as work:
        await asyncio.sleep(0.1)
        assert isinstance(work.fault, DriverError)
    with pytest.raises(ZeroDivisionError):
        async with AtWork(bug()) as work:
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
        async with AtWork(serve()):
            await asyncio.sleep(1)
            raise KeyError
    assert ended == [began_at + 1_000_000_000]


def fault(cause: BaseException) -> PortError:
    error = PortError("/dev/pair: cannot open: so and so")
    error.__cause__ = cause
    return error


@pytest.mark.parametrize(
    ("cause", "do"),
    [
        (OSError(errno.ENOENT, ""), "plug the adapter in"),
        (OSError(errno.EACCES, ""), "dialout"),
        (OSError(errno.EAGAIN, ""), "systemctl stop playclock"),
        (OSError(errno.EIO, ""), "pull the adapter"),
        (ImportError("serial"), "pip install pyserial"),
        (ValueError(), "pull the adapter"),
    ],
)
def test_a_port_that_cannot_be_used_has_a_cure(cause: BaseException, do: str) -> None:
    found = port_finding(fault(cause), "north")
    assert found.verdict is Verdict.WRONG and do in found.do
    assert found.what.startswith("north: /dev/pair: cannot open")


def no_pin_library() -> DriverError:
    fault = DriverError("handset 3 on pins: cannot open GPIO 17: no library")
    fault.__cause__ = BadPinFactory("no library")
    return fault


@pytest.mark.parametrize(
    ("error", "do"),
    [
        (DriverError("handset 3 on pins: cannot open GPIO 17: in use"), "playclock-pins.conf"),
        (no_pin_library(), "the library of the pins"),
        (ImportError("gone", name="gpiozero"), "pip install gpiozero"),
        (ImportError("gone", name="pymodbus.framer"), "pip install pymodbus"),
        (OSError(errno.EACCES, "no"), "playclock-keys.conf"),
        (OSError(errno.ENOENT, "no"), "ls /dev/input/by-id"),
    ],
)
def test_other_devices_have_cures_of_their_own(error: Exception, do: str) -> None:
    fault = error
    if not isinstance(error, DriverError):
        fault = DriverError("/dev/input/event0: cannot open")
        fault.__cause__ = error
    found = port_finding(fault, "handset 3")
    assert found.verdict is Verdict.WRONG and do in found.do


def test_a_port_that_another_program_holds_is_named_so(tmp_path: Path) -> None:
    tty = Tty(tmp_path / "pair")
    other = os.open(tty.link, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)

    async def tried() -> Exception | None:
        port = SerialPort(str(tty.link), clock=lambda: 0)
        pair = Pair(port, {1: "north"}, 7, lambda: 0, 38400)
        async with AtWork(pair.bus.run(Deaf())) as work:
            return work.fault

    found_fault = asyncio.run(tried())
    os.close(other)
    tty.unplug()
    assert found_fault is not None
    found = port_finding(found_fault, "north")
    assert "another program has it" in found.what and "systemctl stop playclock" in found.do


CONFIG = """
key_file = "/keys"
[[boards]]
name = "a"
driver = "node"
port = "/dev/one"
node = 1
[[boards]]
name = "b"
driver = "node"
port = "/dev/two"
node = 1
[[boards]]
name = "c"
driver = "node"
port = "/dev/one"
node = 2
[[boards]]
name = "d"
driver = "simulated"
node = 5
[[handsets]]
driver = "radio"
id = 1
role = "keeper"
layout = "twelve"
port = "/dev/air"
[[handsets]]
driver = "radio"
id = 2
role = "field"
layout = "four"
port = "/dev/air"
[[handsets]]
driver = "simulated"
id = 3
role = "shadow"
layout = "four"
"""


@virtual
async def test_the_wires_are_grouped_by_their_ports(clock: VirtualClock) -> None:
    config, wires = parse_config(CONFIG, "test"), Ports()
    keys = Keys(bytes(range(1, 17)), {n: bytes(range(n + 1, n + 17)) for n in (1, 2)})
    board_wires(wires, config.boards, 7, clock)
    handset_wires(wires, config.handsets, keys, 1, clock)
    assert [(each.port.name, each.boards) for each in wires.pairs] == [
        ("/dev/one", {1: "a", 2: "c"}),
        ("/dev/two", {1: "b"}),
        ("simulated pair", {5: "d"}),
    ]
    assert [each.radio.serves for each in wires.receivers] == [(1, 2), (3,)]
    assert len(wires.airs) == len(wires.far_pairs) == 1
