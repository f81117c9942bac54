"""Modbus displays: on a line in memory with every fault, and against pymodbus' own server."""

from __future__ import annotations

import asyncio
import contextlib
import os
import tty
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

import pytest
from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from controller.clock import boottime
from drivers.base import DARK, Answered, DriverError, Face, PortError
from drivers.board.modbus import ModbusLine
from drivers.board.registers import RegisterMap
from drivers.port.memory_port import MemoryPort, memory_pair
from drivers.port.serial_port import FdPort
from tests.controller.fakes import MS
from tests.drivers.board.listeners import Reports
from tests.drivers.board.test_modbus_frames import frame
from tests.drivers.running import running
from tests.shared.virtual_time import START_AT, VirtualClock, virtual, virtual_with

MUTE = RegisterMap(1, 10, "bcd", blank=0xAA)
ANSWERING = RegisterMap(
    2, 20, "ascii", function=16, brightness_register=21, read_back_register=7, read_back_function=4
)
BAUD = 19200


@dataclass
class Displays:
    """The units at the far end, made from the standard's text: requests in, answers out.

    ``holding`` and ``seen`` are the registers by (unit, address); what the lamps of unit 2 show is
    its register 20, unless ``stuck``. Units in ``off`` do not answer.
    """

    clock: VirtualClock
    port: MemoryPort
    holding: dict[tuple[int, int], int] = field(default_factory=dict)
    writes: list[tuple[int, int, int, int]] = field(default_factory=list)
    off: set[int] = field(default_factory=set)
    stuck: int | None = None
    exception: int = 0
    heard_at: list[int] = field(default_factory=list)

    def bytes_received(self, data: bytes, at: int) -> None:
        assert data == frame(data[:-2].hex()), "a whole frame with its check"
        self.heard_at.append(at)
        unit, function = data[0], data[1]
        address, value = int.from_bytes(data[2:4], "big"), int.from_bytes(data[-4:-2], "big")
        if unit in self.off:
            return
        if self.exception:
            answer = bytes([unit, function | 0x80, self.exception])
        elif function == 4:
            shown = self.stuck if self.stuck is not None else self.holding.get((unit, 20), 0)
            answer = bytes([unit, 4, 2]) + shown.to_bytes(2, "big")
        else:
            self.holding[unit, address] = value
            self.writes.append((unit, address, value, at))
            answer = data[:6]
        asyncio.get_running_loop().call_later(0.005, self.port.write, frame(answer.hex()))

    def port_lost(self, error: PortError) -> None:
        pass

    def shown(self, unit: int, address: int) -> list[int]:
        """The values written, each once."""
        values = [value for who, where, value, _ in self.writes if (who, where) == (unit, address)]
        return [v for n, v in enumerate(values) if n == 0 or values[n - 1] != v]


@dataclass
class Rig:
    clock: VirtualClock
    near: MemoryPort
    displays: Displays
    line: ModbusLine
    reports: Reports
    task: asyncio.Task[None]

    @property
    def words(self) -> list[tuple[str, Answered, str]]:
        return [(each.board, each.answered, each.seen) for each in self.reports.all]

    async def show(self, face: Face, until_ms: int) -> None:
        """Tell the face ten times a second, as the service does."""
        while self.clock() < START_AT + until_ms * MS:
            self.line.show(face)
            await asyncio.sleep(0.1)


@contextlib.asynccontextmanager
async def at_work(clock: VirtualClock, *maps: RegisterMap) -> AsyncIterator[Rig]:
    near, far = memory_pair(clock, BAUD)
    displays, reports = Displays(clock, far), Reports()
    far.open(displays)
    units = [(f"unit {each.unit}", each) for each in maps or (MUTE, ANSWERING)]
    line = ModbusLine("line", near, units, clock, baud=BAUD)
    async with running(line.run(reports)) as task:
        yield Rig(clock, near, displays, line, reports, task)
    await asyncio.sleep(1)


@virtual_with(at_work)
async def test_all_displays_get_the_face_in_their_own_way(rig: Rig) -> None:
    await rig.show(Face(25, brightness=9), 500)
    await rig.show(Face(7, brightness=3), 1000)
    await rig.show(DARK, 1500)
    assert rig.displays.shown(1, 10) == [0x25, 0x07, 0xAA]
    assert rig.displays.shown(2, 20) == [0x3235, 0x2037, 0x2020]
    assert rig.displays.shown(2, 21) == [9, 3, 15]


@virtual
async def test_a_change_is_written_in_the_time_of_its_bytes(clock: VirtualClock) -> None:
    async with at_work(clock, MUTE) as rig:
        rig.line.show(Face(25))
        await asyncio.sleep(0.05)
        (_, _, _, at) = rig.displays.writes[0]
        # 3.5 characters of silence first, then 8 characters at 10 bits.
        assert at - START_AT <= 3.5 * 11 / BAUD * 1e9 + 8 * 10 / BAUD * 1e9 + 1000


@virtual_with(at_work)
async def test_the_one_that_can_be_read_back_is_right_and_of_the_other_nothing_is_said(
    rig: Rig,
) -> None:
    assert (rig.line.boards, rig.line.answering) == (("unit 1", "unit 2"), ("unit 2",))
    await rig.show(Face(25), 3000)
    assert set(rig.words) == {("unit 2", Answered.RIGHT, "25")}
    assert 3 <= len(rig.reports.all) <= 4, "after the change and once a second"
    report = rig.reports.all[0]
    assert report.shown_at <= START_AT + 200 * MS


@virtual_with(at_work)
async def test_a_lamp_that_lies_is_wrong_and_asked_again_soon(rig: Rig) -> None:
    rig.displays.stuck = 0x3238
    await rig.show(Face(25), 600)
    assert set(rig.words) == {("unit 2", Answered.WRONG, "28")}
    assert len(rig.reports.all) >= 2


@virtual_with(at_work)
async def test_a_silent_answering_unit_is_silent_and_the_other_still_told(rig: Rig) -> None:
    rig.displays.off.add(2)
    await rig.show(Face(25), 2000)
    await rig.show(Face(24), 4000)
    assert rig.displays.shown(1, 10) == [0x25, 0x24]
    assert set(rig.words) == {("unit 2", Answered.SILENT, "")}
    assert len(rig.reports.all) >= 3
    rig.displays.off.clear()
    await rig.show(Face(23), 5000)
    assert rig.words[-1] == ("unit 2", Answered.RIGHT, "23")
    assert not rig.task.done()


@virtual_with(at_work)
async def test_a_silent_unit_that_cannot_be_read_back_is_a_fault(rig: Rig) -> None:
    rig.displays.off.add(1)
    await rig.show(Face(25), 2000)
    with pytest.raises(DriverError, match=r"line: unit 1 \(unit 1\) does not answer"):
        await rig.task
    assert not [each for each in rig.reports.all if each.board == "unit 1"]


@virtual_with(at_work)
async def test_a_refused_register_is_a_fault_that_names_it(rig: Rig) -> None:
    rig.displays.exception = 2
    await rig.show(Face(25), 300)
    why = r"unit 1 \(unit 1\) refuses register 10: exception 2, illegal data address"
    with pytest.raises(DriverError, match=why):
        await rig.task


@virtual
async def test_the_newest_face_is_written_when_the_line_is_free(clock: VirtualClock) -> None:
    async with at_work(clock, MUTE) as rig:
        for numerals in (40, 39, 38, 37):
            rig.line.show(Face(numerals))
            await asyncio.sleep(0)
        await asyncio.sleep(0.1)
        assert rig.displays.shown(1, 10) == [0x40, 0x37]


@virtual
async def test_between_frames_the_line_is_silent_for_three_and_a_half_characters(
    clock: VirtualClock,
) -> None:
    async with at_work(clock, MUTE) as rig:
        for numerals in range(20):
            rig.line.show(Face(numerals))
            await asyncio.sleep(0.011)
        heard = rig.displays.heard_at
        frame_ns = round(8 * 10 / BAUD * 1e9)
        # An answer begins 5 ms after the request and takes 8 characters.
        silences = [b - frame_ns - (a + 5 * MS + frame_ns) for a, b in zip(heard, heard[1:])]  # noqa: RUF007, B905
        assert silences and min(silences) >= 3.5 * 11 / BAUD * 1e9 - 20  # the line rounds


@virtual_with(at_work)
async def test_it_is_left_dark(rig: Rig) -> None:
    await rig.show(Face(25), 500)
    rig.task.cancel()
    await asyncio.wait({rig.task})
    assert rig.displays.holding[1, 10] == 0xAA and rig.displays.holding[2, 20] == 0x2020


@virtual_with(at_work)
async def test_a_lost_port_is_a_fault_at_once_and_it_runs_again(rig: Rig) -> None:
    await rig.show(Face(25), 300)
    rig.near.unplug()
    await asyncio.sleep(0)
    with pytest.raises(PortError, match="unplugged"):
        await rig.task
    rig.near.replug()
    rig.displays.port.open(rig.displays)
    async with running(rig.line.run(rig.reports)):
        await rig.show(Face(24), 1000)
        assert rig.displays.shown(1, 10)[-1] == 0x24


@virtual_with(at_work)
async def test_a_port_that_does_not_send_is_a_fault(rig: Rig) -> None:
    rig.near.stall()
    await rig.show(Face(25), 400)
    with pytest.raises(PortError, match=r"line\.a: request not sent in time"):
        await rig.task


async def test_against_the_servers_of_pymodbus_on_a_real_line() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    written: list[tuple[int, int, int]] = []
    both = asyncio.Event()

    def watch(sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        if not sending and pdu.function_code in (6, 16):
            written.append((pdu.dev_id, pdu.address, pdu.registers[0]))
            if {(1, 10, 0x25), (3, 30, 25)} <= set(written):
                both.set()
        return pdu

    registers = SimData(0, count=64, values=0, datatype=DataType.REGISTERS)
    server = ModbusSerialServer(
        [SimDevice(1, [registers]), SimDevice(3, [registers])],
        port=os.ttyname(slave),
        trace_pdu=watch,
    )
    await server.serve_forever(background=True)
    reports = Reports()
    # The server's own register stands for the lamps: what it has is what was written.
    reading = RegisterMap(3, 30, "binary", 99 + 1, 16, read_back_register=30, read_back_function=4)
    units = [("plain", MUTE), ("reading", reading)]
    port = FdPort("line", master, clock=boottime)
    line = ModbusLine("line", port, units, boottime, patience_s=5.0)
    async with running(line.run(reports)):
        for _ in range(400):
            line.show(Face(25))
            await asyncio.sleep(0.02)
            if both.is_set() and reports.all:
                break
    assert both.is_set()
    told = {(each.board, each.answered, each.seen) for each in reports.all}
    assert ("reading", Answered.RIGHT, "25") in told
    assert {(1, 10, 0xAA), (3, 30, 100)} <= set(written), "left dark"
    assert line.bad_answers == 0
    await server.shutdown()  # type: ignore[no-untyped-call]
    os.close(slave)
