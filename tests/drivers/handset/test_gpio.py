"""Keys on pins, over gpiozero's own simulated pins, whose callbacks come from another thread."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from controller.config.toml_table import Table
from drivers.base import DriverError, Edge, Key
from drivers.handset import gpio
from drivers.handset.gpio import GpioKeys, KeyPins
from drivers.handset.kinds import HandsetDevice
from drivers.kind import DeviceTable, Site
from tests.controller.fakes import MS
from tests.drivers.handset.listeners import KeysListener, bug
from tests.drivers.running import running
from tests.drivers.tables import complaint, read
from tests.shared.virtual_time import START_AT, VirtualClock, sleep_until, virtual, virtual_with

PINS = {Key.NO_COUNT: 17, Key.READY: 27}


@dataclass
class Rig:
    clock: VirtualClock
    factory: Any
    listener: KeysListener
    task: asyncio.Task[None]

    async def drive(self, number: int, *levels: int) -> None:
        """Move a pin in a thread of its own, as a pin library does."""
        pin = self.factory.pin(number)

        def move() -> None:
            for level in levels:
                (pin.drive_high if level else pin.drive_low)()

        thread = threading.Thread(target=move)
        thread.start()
        thread.join()
        await asyncio.sleep(0)
        await asyncio.sleep(0)

    async def at(self, ms: int) -> None:
        await sleep_until(self.clock, START_AT + ms * MS)


@contextlib.asynccontextmanager
async def at_work(clock: VirtualClock, keys: KeyPins, *held: int) -> AsyncIterator[Rig]:
    factory = MockFactory()
    for number in held:
        factory.pin(number).drive_low()
    listener = KeysListener()
    driver = GpioKeys(7, "twelve", keys, clock, factory=factory)
    async with running(driver.run(listener)) as task:
        yield Rig(clock, factory, listener, task)
    factory.reset()


def two_keys(clock: VirtualClock) -> contextlib.AbstractAsyncContextManager[Rig]:
    return at_work(clock, KeyPins(PINS))


@virtual_with(two_keys)
async def test_a_bouncing_button_is_one_press_and_a_long_one_is_held(rig: Rig) -> None:
    await rig.at(100)
    await rig.drive(17, 0, 1, 0, 1, 0)
    await rig.at(2000)
    await rig.drive(17, 1, 0, 1)
    await rig.at(3000)
    await rig.drive(27, 0)
    came = [(press.key, press.edge, press.edge_at) for press in rig.listener.presses]
    assert came == [
        (Key.NO_COUNT, Edge.DOWN, START_AT + 100 * MS),
        (Key.NO_COUNT, Edge.HELD, START_AT + 1100 * MS),
        (Key.READY, Edge.DOWN, START_AT + 3000 * MS),
    ]


@virtual
async def test_a_receivers_line_that_goes_high_presses(clock: VirtualClock) -> None:
    async with at_work(clock, KeyPins(PINS, active="high")) as rig:
        await rig.drive(27, 1)
        assert rig.listener.edges == [(Key.READY, Edge.DOWN)]


@virtual
async def test_a_line_active_from_the_start_is_no_press(clock: VirtualClock) -> None:
    async with at_work(clock, KeyPins(PINS), 27) as rig:
        await rig.at(500)
        await rig.drive(27, 1)
        assert rig.listener.edges == []
        await rig.at(1000)
        await rig.drive(27, 0)
        assert rig.listener.edges == [(Key.READY, Edge.DOWN)]


@virtual_with(two_keys)
async def test_a_press_is_dated_in_the_callback_however_late_the_loop_takes_it(rig: Rig) -> None:
    thread = threading.Thread(target=rig.factory.pin(27).drive_low)
    thread.start()
    thread.join()
    rig.clock.jump(400 * MS)
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    (press,) = rig.listener.presses
    assert press.edge_at == START_AT and press.received_at == START_AT + 400 * MS


@virtual_with(two_keys)
async def test_the_pins_are_let_go_and_a_key_held_over_it_is_no_hold(rig: Rig) -> None:
    await rig.drive(17, 0)
    rig.task.cancel()
    await asyncio.wait({rig.task})
    await rig.at(5000)
    assert rig.listener.edges == [(Key.NO_COUNT, Edge.DOWN)]
    driver = GpioKeys(7, "twelve", KeyPins(PINS), rig.clock, factory=rig.factory)
    async with running(driver.run(rig.listener)) as again:
        assert not again.done(), "its pins are free again"


@virtual_with(two_keys)
async def test_a_pin_in_use_or_not_there_is_a_fault_that_names_it(rig: Rig) -> None:
    for pins, why in [
        ({Key.SNAP: 27}, "handset 8 on pins: cannot open GPIO 27: .*in use"),
        ({Key.SNAP: 22, Key.STOP: 99}, "cannot open GPIO 99: "),
    ]:
        other = GpioKeys(8, "twelve", KeyPins(pins), rig.clock, factory=rig.factory)
        with pytest.raises(DriverError, match=why):
            await other.run(KeysListener())
    free = GpioKeys(8, "twelve", KeyPins({Key.SNAP: 22}), rig.clock, factory=rig.factory)
    async with running(free.run(KeysListener())) as task:
        assert not task.done(), "the first pin of a failed opening is free again"


@virtual_with(two_keys)
async def test_a_bug_ends_the_driver_with_its_own_error(rig: Rig) -> None:
    rig.listener.acting = bug
    await rig.drive(27, 0)
    with pytest.raises(ZeroDivisionError):
        await rig.task


def test_it_can_be_imitated_and_does_not_report_by_itself() -> None:
    driver = GpioKeys(7, "twelve", KeyPins(PINS), lambda: 0)
    assert (driver.authenticated, driver.beacons, driver.serves) == (False, False, (7,))


def twelve(table: Table) -> DeviceTable | None:
    return gpio.read_table(table, "twelve")


def test_a_table_gives_keys_their_pins_and_the_driver_takes_them() -> None:
    read_pins = read('active = "high"\n[pins]\nready = 27\nsnap = 5', twelve)
    assert read_pins == KeyPins({Key.READY: 27, Key.SNAP: 5}, "high")
    assert read_pins.keys == (Key.READY, Key.SNAP) and read_pins.pins_used == (27, 5)
    device = HandsetDevice("gpio", 3, "twelve", details=read_pins)
    assert gpio.build([device], Site(lambda: 0)).serves == (3,)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "must name a pin for at least one key"),
        ("[pins]\nready = 27\nsnap = 27", "GPIO 27 is used by another key already"),
        ("[pins]\nHORN = 4", "HORN"),
    ],
)
def test_what_is_wrong_with_a_table_is_said_with_its_place(text: str, said: str) -> None:
    assert said in complaint(text, twelve)
