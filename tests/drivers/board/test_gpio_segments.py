"""Digits on pins, over gpiozero's own simulated pins; the lamps are decoded here by themselves."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Any

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from drivers.base import DARK, DriverError, Face
from drivers.board.gpio_segments import GpioSegments, SegmentPins, build, read_table
from drivers.board.kinds import BoardConfig
from drivers.kind import Site
from tests.drivers.board.listeners import NoReports
from tests.drivers.running import running
from tests.drivers.tables import complaint, read

# GPIO 2 and 3 are pulled up by fixed resistors.
TENS, UNITS = tuple(range(4, 11)), tuple(range(11, 18))
STATIC = SegmentPins(tens=TENS, units=UNITS, alive=26)
SHARED = SegmentPins(segments=TENS, digits=(20, 21))

# The ten figures as they are drawn, by the letters of their lit segments (the usual naming of
# seven-segment data sheets; 6 and 9 with their tails).
FIGURES = {
    frozenset(letters): figure
    for figure, letters in {
        **{"0": "abcdef", "1": "bc", "2": "abged", "3": "abgcd", "4": "fgbc"},
        **{"5": "afgcd", "6": "afgedc", "7": "abc", "8": "abcdefg", "9": "abcdfg", " ": ""},
    }.items()
}


@dataclass
class Rig:
    factory: Any
    board: GpioSegments
    task: asyncio.Task[None]
    lit: int = 1

    def figure(self, pins: tuple[int, ...]) -> str:
        on = [
            letter
            for letter, pin in zip("abcdefg", pins, strict=True)
            if self.factory.pin(pin).state == self.lit
        ]
        return FIGURES.get(frozenset(on), "?")

    @property
    def text(self) -> str:
        return self.figure(TENS) + self.figure(UNITS)


@contextlib.asynccontextmanager
async def at_work(
    pins: SegmentPins, silence_s: float = 30.0, factory: Any = None
) -> AsyncIterator[Rig]:
    factory = factory or MockFactory()
    board = GpioSegments("north", pins, silence_s=silence_s, factory=factory)
    async with running(board.run(NoReports())) as task:
        yield Rig(factory, board, task)
    factory.reset()


async def until(wanted: Callable[[], bool]) -> bool:
    """Real time, because the faces are put up by a real thread."""
    for _ in range(2000):
        if wanted():
            return True
        await asyncio.sleep(0.001)
    return False


async def test_every_numeral_is_read_from_the_lamps_and_dark_is_dark() -> None:
    async with at_work(STATIC) as rig:
        for face in [*map(Face, range(100)), DARK, Face(None, lamp_test=True)]:
            sent = rig.board.sent
            rig.board.show(face)
            assert await until(lambda sent=sent: rig.board.sent == sent + 1)  # type: ignore[misc]
            expected = "  " if face.numerals is None else f"{face.numerals:2d}"
            assert rig.text == ("88" if face.lamp_test else expected)


async def test_lamps_that_light_low_are_dark_high() -> None:
    pins = SegmentPins(tens=TENS, units=UNITS, active="low")
    async with at_work(pins) as rig:
        rig.lit = 0
        assert rig.text == "  "
        rig.board.show(Face(25))
        assert await until(lambda: rig.text == "25")


async def test_digits_that_share_their_segments_take_turns_with_the_right_figure(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    factory = MockFactory()
    monkeypatch.setattr(Device, "pin_factory", factory)  # a part of the display looks there
    async with at_work(SHARED, factory=factory) as rig:
        seen: dict[tuple[int, int], set[str]] = {}

        def sample() -> bool:
            # Settled states only: exactly one digit on, the same before and after.
            before = [rig.factory.pin(pin).state for pin in SHARED.digits]
            figure = rig.figure(TENS)
            after = [rig.factory.pin(pin).state for pin in SHARED.digits]
            if before == after and sum(before) == 1:
                seen.setdefault((int(before[0]), int(before[1])), set()).add(figure)
            return len(seen) == 2

        rig.board.show(Face(25))
        assert await until(lambda: rig.board.sent == 1)
        assert await until(sample)
        assert "2" in seen[1, 0] and "5" in seen[0, 1]
        rig.board.show(DARK)
        assert await until(lambda: rig.board.sent == 2)
        assert [rig.factory.pin(pin).state for pin in SHARED.digits] == [0, 0]


async def test_a_loop_that_hangs_leaves_the_digits_dark_and_no_sign_of_life() -> None:
    async with at_work(STATIC, silence_s=0.05) as rig:
        alive = rig.factory.pin(26)
        rig.board.show(Face(25))
        assert await until(lambda: rig.text == "25")
        level = alive.state
        deadline = time.monotonic() + 2
        while rig.text != "  " and time.monotonic() < deadline:
            time.sleep(0.005)  # noqa: ASYNC251 - the event loop hangs
        assert rig.text == "  " and alive.state == level
        rig.board.show(Face(24))
        assert await until(lambda: rig.text == "24" and alive.state != level)


async def test_it_is_left_dark_with_its_pins_free() -> None:
    async with at_work(STATIC) as rig:
        rig.board.show(Face(25))
        assert await until(lambda: rig.text == "25")
        rig.task.cancel()
        await asyncio.wait({rig.task})
        assert rig.text == "  "
        rig.board.show(Face(24))  # dropped
        async with running(rig.board.run(NoReports())) as again:
            assert not again.done()


async def test_a_pin_that_fails_is_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    async with at_work(STATIC) as rig:

        def broken(state: int) -> None:
            raise OSError(5, "Input/output error")

        monkeypatch.setattr(rig.factory.pin(4), "_set_state", broken)
        rig.board.show(Face(25))
        with pytest.raises(DriverError, match=r"north on pins: .*Input/output error"):
            await rig.task


async def test_a_pin_in_use_is_a_fault_that_names_it() -> None:
    async with at_work(STATIC) as rig:
        other = GpioSegments("south", SegmentPins(tens=UNITS, units=TENS), factory=rig.factory)
        with pytest.raises(DriverError, match=r"south on pins: cannot open: .*in use"):
            await other.run(NoReports())


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({}, "tens: 0 pins; give tens and units with 7 each, or segments with 7 and digits with"),
        ({"tens": TENS}, "units: 0 pins"),
        ({"tens": TENS[:6], "units": UNITS}, "tens: 6 pins"),
        ({"segments": TENS}, "digits: 0 pins"),
        ({"segments": TENS, "digits": (1, 2, 3)}, "digits: 3 pins"),
        ({"segments": TENS, "digits": (20, 21), "units": UNITS}, "units: 7 pins"),
    ],
)
def test_pins_that_make_no_board_are_refused(fields: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError) as caught:
        SegmentPins(**fields)
    assert str(caught.value).startswith(why)


def test_a_table_gives_the_pins_and_the_driver_takes_them() -> None:
    pins = read("segments = [1, 2, 3, 4, 5, 6, 7]\ndigits = [8, 9]\nalive = 10", read_table)
    assert isinstance(pins, SegmentPins) and pins.pins_used == (*range(1, 11),)
    assert build([BoardConfig("north", "gpio_segments", None, 0, details=pins)], Site(lambda: 0))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("segments = [1, 2, 3]\ndigits = [8, 9]", "3 pins"),
        ("segments = [1, 2, 3, 4, 5, 6, 7]\ndigits = [7, 9]", "GPIO 7 is used twice"),
    ],
)
def test_what_is_wrong_with_a_table_is_said_with_its_place(text: str, said: str) -> None:
    assert said in complaint(text, read_table)
