"""A Linux key device, over a pipe that carries the kernel's own bytes."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import struct
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.config.toml_table import Table
from drivers.base import DriverError, Edge, Key
from drivers.handset import input_event
from drivers.handset.input_event import EVENT, EVIOCGRAB, InputKeys
from drivers.handset.key_codes import CODES
from drivers.handset.kinds import HandsetDevice
from drivers.kind import DeviceTable, Site
from tests.controller.fakes import MS
from tests.drivers.handset.kernel_headers import values_in_c
from tests.drivers.handset.listeners import KeysListener
from tests.drivers.running import running
from tests.drivers.tables import complaint, read
from tests.shared.virtual_time import START_AT, VirtualClock, sleep_until, virtual

# Linux, include/uapi/linux/input.h: struct input_event with 64-bit and with 32-bit longs.
LAYOUTS = [struct.Struct("<qqHHi"), struct.Struct("<iiHHi"), EVENT]
KEYS = {CODES["KEY_KP0"]: Key.NO_COUNT, CODES["KEY_PAGEDOWN"]: Key.READY}
KP0, PAGEDOWN, UNKNOWN = CODES["KEY_KP0"], CODES["KEY_PAGEDOWN"], CODES["KEY_Q"]
MSC_SCAN = (4, 4, 0x70062)
REPORT = (0, 0, 0)
DROPPED = (0, 3, 0)


@dataclass
class Rig:
    clock: VirtualClock
    listener: KeysListener
    task: asyncio.Task[None]
    fd: int
    layout: struct.Struct
    grabbed: list[int]

    async def say(self, *events: tuple[int, int, int]) -> None:
        os.write(self.fd, b"".join(self.layout.pack(7, 8, *each) for each in events))
        for _ in range(3):
            await asyncio.sleep(0)

    async def key(self, code: int, *values: int) -> None:
        for value in values:
            await self.say(MSC_SCAN, (1, code, value), REPORT)

    async def at(self, ms: int) -> None:
        await sleep_until(self.clock, START_AT + ms * MS)


@contextlib.asynccontextmanager
async def at_work(
    clock: VirtualClock, folder: Path, layout: struct.Struct = EVENT
) -> AsyncIterator[Rig]:
    path = folder / "event0"
    os.mkfifo(path)
    listener, grabbed = KeysListener(), list[int]()
    driver = InputKeys(7, "twelve", str(path), KEYS, clock, grab=grabbed.append, event=layout)
    async with running(driver.run(listener)) as task:
        fd = os.open(path, os.O_WRONLY | os.O_NONBLOCK)
        try:
            yield Rig(clock, listener, task, fd, layout, grabbed)
        finally:
            with contextlib.suppress(OSError):
                os.close(fd)


@pytest.mark.parametrize("layout", LAYOUTS, ids=["64-bit", "32-bit", "this process"])
@virtual
async def test_a_press_is_its_key_going_down_dated_at_the_read(
    clock: VirtualClock, layout: struct.Struct, tmp_path: Path
) -> None:
    async with at_work(clock, tmp_path, layout) as rig:
        assert len(rig.grabbed) == 1, "taken for ourselves"
        await rig.at(100)
        await rig.key(PAGEDOWN, 1, 0)
        await rig.key(UNKNOWN, 1, 0)
        (press,) = rig.listener.presses
        assert press == (7, Key.READY, Edge.DOWN, START_AT + 100 * MS, START_AT + 100 * MS, 0)


@virtual
async def test_auto_repeat_is_no_press_and_a_long_one_is_held_once(
    clock: VirtualClock, tmp_path: Path
) -> None:
    async with at_work(clock, tmp_path) as rig:
        await rig.key(KP0, 1)
        for repeat in range(60):
            await rig.at(250 + 33 * repeat)
            await rig.key(KP0, 2)
        await rig.key(KP0, 0)
        assert rig.listener.edges == [(Key.NO_COUNT, Edge.DOWN), (Key.NO_COUNT, Edge.HELD)]
        assert rig.listener.presses[1].edge_at == START_AT + 1000 * MS


@virtual
async def test_a_repeat_of_a_key_that_was_down_before_the_start_is_nothing(
    clock: VirtualClock, tmp_path: Path
) -> None:
    async with at_work(clock, tmp_path) as rig:
        await rig.key(KP0, 2, 2, 0)
        assert rig.listener.presses == []


@virtual
async def test_after_lost_events_nothing_is_believed_up_to_the_next_report(
    clock: VirtualClock, tmp_path: Path
) -> None:
    async with at_work(clock, tmp_path) as rig:
        await rig.key(KP0, 1)
        await rig.say(DROPPED, (1, PAGEDOWN, 1), REPORT)
        await rig.at(3000)  # its release may have been among the lost: no hold
        await rig.key(PAGEDOWN, 1)
        assert rig.listener.edges == [(Key.NO_COUNT, Edge.DOWN), (Key.READY, Edge.DOWN)]


@virtual
async def test_events_that_come_in_pieces_are_put_together(
    clock: VirtualClock, tmp_path: Path
) -> None:
    async with at_work(clock, tmp_path) as rig:
        data = rig.layout.pack(0, 0, 1, PAGEDOWN, 1) * 2
        for piece in (data[:5], data[5:30], data[30:]):
            os.write(rig.fd, piece)
            for _ in range(3):
                await asyncio.sleep(0)
        assert rig.listener.edges == [(Key.READY, Edge.DOWN)]


@pytest.mark.parametrize(
    ("code", "words"), [(errno.ENODEV, "lost: unplugged"), (errno.EIO, "lost: Input/output error")]
)
@virtual
async def test_an_unplugged_device_is_a_fault_and_a_key_held_then_no_hold(
    clock: VirtualClock, code: int, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pipe cannot end as a device does: its read fails with ENODEV (evdev.c, evdev_read)."""

    def gone(fd: int, size: int) -> bytes:
        raise OSError(code, os.strerror(code))

    async with at_work(clock, tmp_path) as rig:
        await rig.key(KP0, 1)
        with monkeypatch.context() as patched:
            patched.setattr(os, "read", gone)
            os.write(rig.fd, b"x")
            await asyncio.wait({rig.task})
        with pytest.raises(DriverError, match=f"event0: {words}"):
            await rig.task
        await rig.at(3000)
        assert rig.listener.edges == [(Key.NO_COUNT, Edge.DOWN)]


@virtual
async def test_a_pipe_that_ends_is_a_fault_too(clock: VirtualClock, tmp_path: Path) -> None:
    async with at_work(clock, tmp_path) as rig:
        os.close(rig.fd)
        with pytest.raises(DriverError, match="event0: lost: it has ended"):
            await rig.task


def fault_of(path: Path, grab: Callable[[int], None] = input_event.grab) -> str:
    driver = InputKeys(7, "twelve", str(path), KEYS, lambda: 0, grab=grab)
    with pytest.raises(DriverError) as caught:
        asyncio.run(driver.run(KeysListener()))
    return str(caught.value)


def test_a_device_that_cannot_be_had_says_why(tmp_path: Path) -> None:
    def taken(fd: int) -> None:
        raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))

    missing, plain = tmp_path / "event9", tmp_path / "event0"
    plain.touch()
    before = len(list(Path("/proc/self/fd").iterdir()))
    assert fault_of(missing) == f"{missing}: cannot open: No such file or directory"
    assert fault_of(plain, taken) == (
        f"{plain}: cannot open: another program has taken it for itself"
    )
    assert fault_of(plain) == f"{plain}: cannot open: it is no key device", "the real request"
    assert len(list(Path("/proc/self/fd").iterdir())) == before, "nothing stays open"


def test_the_grab_has_the_kernels_number() -> None:
    assert EVIOCGRAB == 0x40044590  # _IOW('E', 0x90, int), as strace prints it (from memory)


@pytest.mark.needs_gcc
def test_an_event_and_the_grab_are_those_of_the_kernels_headers(tmp_path: Path) -> None:
    values = ["sizeof(struct input_event)", "EVIOCGRAB"]
    assert values_in_c(tmp_path, "linux/input.h", values) == [EVENT.size, EVIOCGRAB]


def four(table: Table) -> DeviceTable | None:
    return input_event.read_table(table, "four")


def test_a_table_gives_our_keys_by_the_devices_and_the_driver_takes_them() -> None:
    coded = read('[keys]\nKEY_PAGEDOWN = "ready"\n30 = "undo"', four)
    assert coded == input_event.CodedKeys({109: Key.READY, 30: Key.UNDO})
    assert coded.keys == (Key.READY, Key.UNDO)
    device = HandsetDevice("input_event", 4, "four", port="/dev/input/x", details=coded)
    assert input_event.build([device], Site(lambda: 0)).serves == (4,)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "must name at least one key of the device"),
        ('[keys]\nKEY_NONSENSE = "ready"', "no key of Linux"),
        ('[keys]\nKEY_A = "snap"', "snap"),
    ],
)
def test_what_is_wrong_with_a_table_is_said_with_its_place(text: str, said: str) -> None:
    assert said in complaint(text, four)
