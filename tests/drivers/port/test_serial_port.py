"""A real tty under the port: a pty's slave end, reached through a link as a udev name would be."""

from __future__ import annotations

import asyncio
import fcntl
import os
import struct
import sys
import termios
import threading
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from drivers.base import PortError
from drivers.port.serial_port import PATIENCE_S, FdPort, SerialPort, set_low_latency


class Ear:
    """Keeps what a port hears; ``event`` is set at each call."""

    def __init__(self) -> None:
        self.heard = b""
        self.instants: list[int] = []
        self.losses: list[PortError] = []
        self.event = asyncio.Event()

    def bytes_received(self, data: bytes, at: int) -> None:
        self.heard += data
        self.instants.append(at)
        self.event.set()

    def port_lost(self, error: PortError) -> None:
        self.losses.append(error)
        self.event.set()


class Tty:
    """A pty: ``master`` is the far end, ``path`` the link to the near one."""

    def __init__(self, folder: Path) -> None:
        self.master, self._slave = os.openpty()
        self.path = folder / "board"
        self.path.symlink_to(os.ttyname(self._slave))

    def read(self) -> bytes:
        os.set_blocking(self.master, False)
        try:
            return os.read(self.master, 100_000)
        except BlockingIOError:
            return b""

    def hang_up(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            os.close(self._slave)
            self.master = -1


def ticking() -> int:
    return 1234


def patient(tty: Tty) -> SerialPort:
    """A port that waits for as long as a busy machine may take to open it again."""
    port = SerialPort(str(tty.path), clock=ticking)
    port.patience_s = 5
    return port


@pytest.fixture
async def tty(tmp_path: Path) -> AsyncIterator[Tty]:
    tty = Tty(tmp_path)
    yield tty
    tty.hang_up()


@pytest.fixture
async def ear() -> Ear:
    return Ear()


@pytest.fixture
async def port(tty: Tty, ear: Ear) -> AsyncIterator[SerialPort]:
    """A port that has been opened, with ``ear`` behind it."""
    port = SerialPort(str(tty.path), clock=ticking)
    port.open(ear)
    yield port
    port.close()


async def heard(ear: Ear) -> None:
    async with asyncio.timeout(2):
        await ear.event.wait()
    ear.event.clear()


async def arrived(tty: Tty, count: int) -> bytes:
    """Read ``count`` bytes at the far end; the kernel hands them over when it likes."""
    data = b""
    async with asyncio.timeout(2):
        while len(data) < count:
            data += tty.read()
            await asyncio.sleep(0)
    return data


async def test_bytes_go_both_ways_dated_by_the_clock(tty: Tty, port: SerialPort, ear: Ear) -> None:
    assert port.name == str(tty.path)
    assert port.write(b"\x00SHOW\x0d\x0a\xff\x00") == 9
    assert await arrived(tty, 9) == b"\x00SHOW\x0d\x0a\xff\x00"
    os.write(tty.master, b"\x00answer\x11\x13\x00")
    while len(ear.heard) < 10:
        await heard(ear)
    assert ear.heard == b"\x00answer\x11\x13\x00"
    assert set(ear.instants) == {1234}


async def test_a_full_port_takes_a_part_then_nothing_and_flush_is_plain(
    tty: Tty, port: SerialPort, ear: Ear
) -> None:
    taken_in_all = port.write(bytes(100_000))
    assert 0 < taken_in_all < 100_000
    while taken := port.write(bytes(1000)):  # the kernel still moves bytes on to the far end
        taken_in_all += taken
    assert port.unsent() >= 0
    port.flush()
    await asyncio.sleep(0)
    assert ear.losses == []
    assert port.write(b"room again") == 10
    said = b""
    async with asyncio.timeout(2):
        while not said.endswith(b"room again"):  # what had gone on before the flush comes first
            said += tty.read()
            await asyncio.sleep(0)
    assert len(said) < taken_in_all


async def test_a_hang_up_is_told_once_and_the_reader_is_gone(
    tty: Tty, port: SerialPort, ear: Ear
) -> None:
    tty.hang_up()
    await heard(ear)
    assert not asyncio.get_running_loop().remove_reader(port._fd or -1), "still reading"
    for _ in range(20):
        await asyncio.sleep(0)
    assert len(ear.losses) == 1
    assert str(tty.path) in str(ear.losses[0])
    assert port.write(b"x") == 0
    assert port.unsent() == 0
    with pytest.raises(PortError, match="cannot flush"):
        port.flush()
    port.close()


async def test_a_hang_up_met_by_a_write_is_told_later_and_once(
    tty: Tty, port: SerialPort, ear: Ear
) -> None:
    tty.hang_up()
    assert port.write(b"x") == 0
    assert ear.losses == []
    await heard(ear)
    await asyncio.sleep(0)
    assert len(ear.losses) == 1


async def test_a_port_closed_before_the_loss_is_told_hears_nothing(
    tty: Tty, port: SerialPort, ear: Ear
) -> None:
    tty.hang_up()
    port.write(b"x")
    port.close()
    await asyncio.sleep(0)
    assert ear.losses == []


async def test_a_second_open_of_the_same_port_is_refused_and_a_reopen_is_not(tty: Tty) -> None:
    port, second = patient(tty), patient(tty)
    port.open(Ear())
    with pytest.raises(PortError, match="cannot open") as refused:
        second.open(Ear())
    assert str(tty.path) in str(refused.value)
    port.close()
    second.open(Ear())
    second.open(Ear())
    assert second.write(b"again") == 5
    second.close()


async def test_a_close_that_takes_long_holds_up_neither_the_loop_nor_the_next_open(
    tty: Tty,
) -> None:
    port = SerialPort(str(tty.path), clock=ticking)
    port.open(Ear())
    device, drained = port._device, threading.Event()
    close = device.close

    def close_when_drained() -> None:
        drained.wait()
        close()

    device.close = close_when_drained
    began_at = time.monotonic()
    port.close()
    with pytest.raises(PortError, match="cannot open yet: still closing"):
        port.open(Ear())
    took_s = time.monotonic() - began_at
    assert port.write(b"x") == 0
    drained.set()
    port.patience_s = 5
    port.open(Ear())
    assert port.write(b"again") == 5
    port.close()
    assert 2 * PATIENCE_S <= took_s < 0.1


async def test_an_open_that_takes_long_goes_on_beside_and_is_there_the_next_time(
    tty: Tty, monkeypatch: pytest.MonkeyPatch
) -> None:
    port, ear = patient(tty), Ear()
    port.open(ear)
    port.close()
    opened, answered = port._opened, threading.Event()

    def open_when_answered() -> Any:
        device = opened()
        answered.wait()
        return device

    monkeypatch.setattr(port, "_opened", open_when_answered)
    port.patience_s = PATIENCE_S
    for _ in range(2):
        with pytest.raises(PortError, match="cannot open yet: its device takes long"):
            port.open(ear)
        assert port.write(b"x") == 0
    os.write(tty.master, b"meanwhile")
    answered.set()
    port.patience_s = 5
    port.open(ear)
    os.write(tty.master, b"now")
    await heard(ear)
    assert ear.heard == b"now"
    port.close()


async def test_the_first_open_waits_for_its_device(
    tty: Tty, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = SerialPort(str(tty.path), clock=ticking)
    opened = port._opened

    def open_late() -> Any:
        threading.Event().wait(4 * PATIENCE_S)
        return opened()

    monkeypatch.setattr(port, "_opened", open_late)
    port.open(Ear())
    assert port.write(b"here") == 4
    port.close()


async def test_a_close_that_fails_is_a_close(tty: Tty) -> None:
    port = patient(tty)
    port.open(Ear())
    device = port._device
    close = device.close

    def close_in_vain() -> None:
        close()
        raise OSError(5, "Input/output error")

    device.close = close_in_vain
    port.close()
    device.close = close  # which its finalizer calls
    port.open(Ear())
    assert port.write(b"again") == 5
    port.close()


async def test_the_name_of_a_port_is_looked_up_at_each_open(tty: Tty, tmp_path: Path) -> None:
    port = patient(tty)
    port.open(Ear())
    first = str(tty.path.readlink())
    master, slave = os.openpty()
    assert os.ttyname(slave) != first
    tty.path.unlink()
    tty.path.symlink_to(os.ttyname(slave))
    port.close()
    port.open(Ear())
    port.write(b"here")
    os.set_blocking(master, True)
    assert os.read(master, 10) == b"here"
    port.close()
    os.close(master)
    os.close(slave)


async def test_a_missing_port_is_named(tmp_path: Path) -> None:
    port = SerialPort(str(tmp_path / "nothing"), clock=ticking)
    with pytest.raises(PortError, match=r"nothing: cannot open: No such file or directory$"):
        port.open(Ear())
    assert port.write(b"x") == 0


async def test_without_pyserial_the_error_says_what_to_install(
    tty: Tty, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(PortError, match="board: cannot open: the Python package pyserial"):
        SerialPort(str(tty.path), clock=ticking).open(Ear())


async def test_kernel_turn_around_where_there_is_none_is_refused_in_plain_words(tty: Tty) -> None:
    port = SerialPort(str(tty.path), rs485="kernel", clock=ticking)
    with pytest.raises(PortError, match=r'use an adapter .* rs485 = "adapter"'):
        port.open(Ear())
    assert port.write(b"x") == 0
    again = SerialPort(str(tty.path), clock=ticking)
    again.open(Ear())
    again.close()


async def test_a_port_without_the_low_latency_setting_says_none(port: SerialPort) -> None:
    assert port.low_latency is None


@pytest.mark.parametrize(("obeys", "expected"), [(True, True), (False, False)])
def test_low_latency_is_set_and_read_back(
    monkeypatch: pytest.MonkeyPatch, obeys: bool, expected: bool
) -> None:
    other_flags = 0x40
    driver = {"flags": other_flags, "baud_base": 4_000_000}

    def ioctl(_fd: int, request: int, state: Any) -> int:
        if request == termios.TIOCGSERIAL:
            struct.pack_into("=iiIiii", state, 0, 4, 0, 0, 0, driver["flags"], 0)
        else:
            assert request == termios.TIOCSSERIAL
            if obeys:
                driver["flags"] = struct.unpack_from("=i", state, 16)[0]
        return 0

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    assert set_low_latency(3) is expected
    assert driver["flags"] == (other_flags | 0x2000 if obeys else other_flags)


async def test_a_masters_descriptor_is_a_port_too(tty: Tty, port: SerialPort, ear: Ear) -> None:
    far = Ear()
    board = FdPort("simulated boards", os.dup(tty.master), clock=ticking)
    board.open(far)
    port.write(b"ask")
    await heard(far)
    assert far.heard == b"ask"
    board.write(b"answer")
    await heard(ear)
    assert ear.heard == b"answer"
    board.close()
    with pytest.raises(PortError, match="simulated boards: closed"):
        board.open(far)
