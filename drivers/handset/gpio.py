"""Buttons and receiver lines on the pins of a single-board computer, one pin a key.

A button joins its pin to ground ("low": the pin is pulled up inside); a receiver's line drives its
pin high while its key is down ("high": pulled down inside). Pins are 3.3 V: a 5 V receiver needs a
level shifter. Whoever has the wire, or a transmitter that the receiver believes, presses the keys.

gpiozero is loaded when the pins are opened, and reaches them through whichever library of the
board is installed (lgpio on Debian: ``python3-lgpio``). It calls back from a thread of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from drivers.base import Clock, CrewState, DriverError, HandsetListener, Key
from drivers.handset.key_timer import Debouncer, KeyTimer


@dataclass(frozen=True, slots=True)
class KeyPins:
    """``pins`` are BCM numbers by key; ``active`` is the level of a key that is down."""

    pins: Mapping[Key, int]
    active: Literal["low", "high"] = "low"


class GpioKeys:
    """A :class:`~drivers.base.Handset` of one handset on pins.

    ``factory`` makes the pins; None is gpiozero's own choice for this computer.
    """

    authenticated = False
    beacons = False

    def __init__(
        self, number: int, layout: str, keys: KeyPins, clock: Clock, *, factory: Any = None
    ) -> None:
        self.name = f"handset {number} on pins"
        self.serves = (number,)
        self._layout, self._keys, self._clock, self._factory = layout, keys, clock, factory

    async def run(self, listener: HandsetListener) -> None:
        """Hear the pins until cancelled; they are let go on every way out.

        Raises :class:`DriverError` when a pin cannot be had.
        """
        loop = self._loop = asyncio.get_running_loop()
        ended: asyncio.Future[None] = loop.create_future()

        def fail(error: Exception) -> None:
            if not ended.done():
                ended.set_exception(error)

        self._thumb = KeyTimer(self.serves[0], self._layout, listener, fail)
        self._contacts: dict[Key, Debouncer] = {}
        self._timers: dict[Key, asyncio.TimerHandle] = {}
        with contextlib.ExitStack() as pins:
            self._open(pins)
            try:
                await ended
            finally:
                self._thumb.let_go()
                for timer in self._timers.values():
                    timer.cancel()
                self._contacts.clear()

    def tell(self, state: CrewState) -> None:
        """Keys on pins have nothing to hear or feel with."""

    def _open(self, pins: contextlib.ExitStack) -> None:
        try:
            from gpiozero import DigitalInputDevice  # noqa: PLC0415 - only who has pins needs it
        except ImportError as error:
            raise DriverError(
                f"{self.name}: the Python package gpiozero is not installed"
            ) from error
        for key, number in self._keys.pins.items():
            try:
                pin = pins.enter_context(
                    DigitalInputDevice(
                        number, pull_up=self._keys.active == "low", pin_factory=self._factory
                    )
                )
                self._contacts[key] = Debouncer(closed=bool(pin.value))
                pin.when_activated = self._hop(key, closed=True)
                pin.when_deactivated = self._hop(key, closed=False)
            except (
                Exception
            ) as error:  # each pin library has errors of its own, with no common base
                why = str(error) or type(error).__name__
                raise DriverError(f"{self.name}: cannot open GPIO {number}: {why}") from error

    def _hop(self, key: Key, *, closed: bool) -> Any:
        """What gpiozero calls, in its thread: dates the edge and hands it to the event loop."""

        def moved() -> None:
            at = self._clock()
            with contextlib.suppress(RuntimeError):  # the loop has closed: nobody is there to hear
                self._loop.call_soon_threadsafe(self._moved, key, closed, at)

        return moved

    def _moved(self, key: Key, closed: bool, at: int) -> None:
        contact = self._contacts.get(key)
        if contact is not None:
            self._follow(key, contact, contact.moved(closed, at), at)

    def _settled(self, key: Key, at: int) -> None:
        contact = self._contacts[key]
        self._follow(key, contact, contact.settle(at), at)

    def _follow(self, key: Key, contact: Debouncer, settle_at: int | None, at: int) -> None:
        """Pass on an edge that counted, and look again when its bouncing is over."""
        if settle_at is None:
            return
        now = self._clock()
        delay_s = max(0, settle_at - now) / 1e9
        self._timers[key] = self._loop.call_later(delay_s, self._settled, key, settle_at)
        if contact.closed:
            self._thumb.down(key, at, now)
        else:
            self._thumb.up(key)
