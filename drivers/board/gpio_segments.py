"""Seven-segment digits on the pins of a single-board computer.

Pins drive transistors or driver chips, never lamps: a pin gives a few milliamperes at 3.3 V.
Nothing reads the lamps, so such a board is sent to and never right.

When this program hangs, a thread of its own darkens the digits after 1.5 s. When it dies, its pins
stay as they are, and with them the numeral. Only hardware can darken it then: a retriggerable
monostable of about 1 s, fed by the ``alive`` pin, which changes its level with every face, and
switching the lamps' supply. When the computer lets go of the pins they float: give each driver
input a resistor to its dark level, and leave GPIO 2 and 3, which many computers pull up, alone.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from drivers.base import DARK, Board, BoardListener, DriverError, Face
from drivers.board.kinds import BoardConfig
from drivers.board.segments import DIGITS
from drivers.kind import HIGHEST_GPIO, LEVELS, DeviceTable, Level, Site, TableReader

SILENCE_S = 1.5
"""As a board node's (PROTOCOL.md): boards are told again every 100 ms."""
LAMP_TEST = "8"
FONT = {" ": (0,) * 7} | {
    str(digit): tuple(lamps >> bit & 1 for bit in range(7)) for digit, lamps in enumerate(DIGITS)
}
JOIN_S = 1.0


@dataclass(frozen=True, slots=True)
class SegmentPins(DeviceTable):
    """BCM numbers of the pins, segments in the order a to g.

    Either ``tens`` and ``units`` have seven pins each; or both digits share the seven pins of
    ``segments`` and take turns, 5 ms each, switched by the two of ``digits``, tens first.
    ``active`` and ``digits_active`` are the levels that light. ``alive`` changes its level with
    every face. Raises ``ValueError``, which begins with the name of the field at fault.
    """

    tens: tuple[int, ...] = ()
    units: tuple[int, ...] = ()
    segments: tuple[int, ...] = ()
    digits: tuple[int, ...] = ()
    active: Level = "high"
    digits_active: Level = "high"
    alive: int | None = None

    def __post_init__(self) -> None:
        given = {name: len(getattr(self, name)) for name in ("tens", "units", "segments", "digits")}
        wanted = {"segments": 7, "digits": 2} if self.segments else {"tens": 7, "units": 7}
        for name, count in given.items():
            if count != wanted.get(name, 0):
                raise ValueError(
                    f"{name}: {count} pins; give tens and units with 7 each, or segments with 7 "
                    f"and digits with 2"
                )

    @property
    def pins_used(self) -> tuple[int, ...]:
        alive = () if self.alive is None else (self.alive,)
        return (*self.tens, *self.units, *self.segments, *self.digits, *alive)


def read_table(table: TableReader) -> DeviceTable | None:
    """``[boards.gpio_segments]``, as :class:`SegmentPins` has it."""
    digits = {
        key: table.numbers(key, 0, HIGHEST_GPIO)
        for key in ("tens", "units", "segments", "digits")
        if table.has(key)
    }
    wrong = digits.keys() - table.good.keys()
    make = partial(
        SegmentPins,
        **digits,
        active=table.choice("active", LEVELS, "high"),
        digits_active=table.choice("digits_active", LEVELS, "high"),
        alive=table.integer("alive", 0, HIGHEST_GPIO) if table.has("alive") else None,
    )
    table.finish()
    pins = None if wrong else table.made(make)
    if pins is not None and len(set(pins.pins_used)) < len(pins.pins_used):
        twice = next(each for each in pins.pins_used if pins.pins_used.count(each) > 1)
        table.problem(
            "alive" if twice == pins.alive else "units" if pins.units else "segments",
            f"GPIO {twice} is used twice",
        )
    return pins


def build(boards: Sequence[BoardConfig], site: Site) -> Board:
    """The digits of one board."""
    pins = boards[0].details
    assert isinstance(pins, SegmentPins)
    return GpioSegments(boards[0].name, pins)


class GpioSegments:
    """A :class:`~drivers.base.Board` of one board on pins, ``factory`` as in gpiozero.

    A thread puts the faces up, since changing a multiplexed one waits for its turn; ``sent``
    counts those. Brightness is left to the hardware.
    """

    answering: tuple[str, ...] = ()

    def __init__(
        self, name: str, pins: SegmentPins, *, silence_s: float = SILENCE_S, factory: Any = None
    ) -> None:
        self.name = f"{name} on pins"
        self.boards = (name,)
        self.sent = 0
        self._pins, self._silence_s, self._factory = pins, silence_s, factory
        self._painter: _Painter | None = None

    async def run(self, listener: BoardListener) -> None:
        """Drive the digits until cancelled; they are dark, and the pins free, on every way out.

        Raises :class:`DriverError` when a pin cannot be had.
        """
        loop = asyncio.get_running_loop()
        ended: asyncio.Future[None] = loop.create_future()

        def fail(error: Exception) -> None:
            if not ended.done():
                ended.set_exception(error)

        def failed(error: Exception) -> None:
            fault = DriverError(f"{self.name}: {error}")
            fault.__cause__ = error
            with contextlib.suppress(RuntimeError):  # the loop has closed
                loop.call_soon_threadsafe(fail, fault)

        with contextlib.ExitStack() as devices:
            put, alive = self._open(devices)
            self._painter = _Painter(put, alive, self._silence_s, self._count, failed)
            try:
                await ended
            finally:
                painter, self._painter = self._painter, None
                painter.stop()

    def show(self, face: Face) -> None:
        """Put ``face`` up; the newest one replaces one that waits."""
        if self._painter is not None:
            self._painter.show(face)

    def _count(self) -> None:
        self.sent += 1

    def _open(
        self, devices: contextlib.ExitStack
    ) -> tuple[Callable[[str], None], Callable[[], None]]:
        """What puts two characters up, and what says that somebody is there."""
        try:
            import gpiozero  # noqa: PLC0415 - only who has pins needs it
        except ImportError as error:
            raise DriverError(
                f"{self.name}: the Python package gpiozero is not installed"
            ) from error
        try:
            pins = self._pins
            put = self._multiplexed if pins.segments else self._static
            alive: Callable[[], None] = _nothing
            if pins.alive is not None:
                output = gpiozero.DigitalOutputDevice(pins.alive, pin_factory=self._factory)
                alive = devices.enter_context(output).toggle
            return put(gpiozero, devices), alive
        except Exception as error:  # each pin library has errors of its own, with no common base
            why = str(error) or type(error).__name__
            raise DriverError(f"{self.name}: cannot open: {why}") from error

    def _digit(self, gpiozero: Any, pins: Sequence[int]) -> Any:
        return gpiozero.LEDCharDisplay(
            *pins, font=FONT, active_high=self._pins.active == "high", pin_factory=self._factory
        )

    def _static(self, gpiozero: Any, devices: contextlib.ExitStack) -> Callable[[str], None]:
        tens, units = (
            devices.enter_context(self._digit(gpiozero, each))
            for each in (self._pins.tens, self._pins.units)
        )

        def put(text: str) -> None:
            tens.value, units.value = text[0], text[1]

        return put

    def _multiplexed(self, gpiozero: Any, devices: contextlib.ExitStack) -> Callable[[str], None]:
        shared = devices.enter_context(self._digit(gpiozero, self._pins.segments))
        both = devices.enter_context(
            gpiozero.LEDMultiCharDisplay(
                shared,
                *self._pins.digits,
                active_high=self._pins.digits_active == "high",
                initial_value="  ",
                pin_factory=self._factory,
            )
        )

        def put(text: str) -> None:
            both.value = text

        return put


def _nothing() -> None:
    return None


class _Painter:
    """Puts faces up in a thread of its own, and dark when none has come for ``silence_s``."""

    def __init__(
        self,
        put: Callable[[str], None],
        alive: Callable[[], None],
        silence_s: float,
        counted: Callable[[], None],
        failed: Callable[[Exception], None],
    ) -> None:
        self._put, self._alive, self._silence_s = put, alive, silence_s
        self._counted, self._failed = counted, failed
        self._news = threading.Condition()
        self._face: Face | None = None
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="digits on pins", daemon=True)
        self._thread.start()

    def show(self, face: Face) -> None:
        with self._news:
            self._face = face
            self._news.notify()

    def stop(self) -> None:
        """Dark, and no more faces."""
        with self._news:
            self._stopped = True
            self._news.notify()
        self._thread.join(JOIN_S)

    def _next(self) -> Face | None:
        """The newest face; None after a silence, and when it is over."""
        with self._news:
            self._news.wait_for(lambda: self._stopped or self._face is not None, self._silence_s)
            face, self._face = self._face, None
            return None if self._stopped else face

    def _run(self) -> None:
        text = "  "
        try:
            while not self._stopped:
                face = self._next()
                wanted = _text(face or DARK)
                if wanted != text:
                    self._put(wanted)
                    text = wanted
                if face is not None:  # a silence is not a sign of life
                    self._alive()
                    self._counted()
            self._put("  ")
        except Exception as error:
            self._failed(error)


def _text(face: Face) -> str:
    if face.lamp_test:
        return 2 * LAMP_TEST
    return "  " if face.numerals is None else f"{face.numerals:2d}"
