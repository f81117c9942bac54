"""The far end of a serial port, and all that can happen to a serial line: the master of a pty."""

from __future__ import annotations

import asyncio
import os
import select
from collections.abc import Callable
from typing import NamedTuple

from tests.shared.frames import framed, opened
from tests.shared.pty_time import Lane
from tests.shared.wire import Clock

FULL_AFTER = 5
"""So many refusals in a row, with the kernel given time between: the pty is full."""


class Lie(NamedTuple):
    """How a counterpart answers wrongly with every check right: how late, how often, and what."""

    after_s: float
    times: int
    change: Callable[[bytes], bytes]


class Line:
    """One line between the service's port and its counterparts; a counterpart's wire.

    ``lie`` says how the counterpart's frames come out, None for as they should. ``cut``: what
    either end sends is lost on the way, and no port notices. ``echoes``: the adapter hears itself.
    Until ``garbled_until`` somebody else speaks too, and nobody understands.
    """

    def __init__(self, received: Callable[[bytes], None], clock: Clock, lane: Lane) -> None:
        self.cut = self.echoes = False
        self.lie: Lie | None = None
        self.garbled_until = 0
        self._received, self._clock, self._lane = received, clock, lane

    @property
    def stalled(self) -> bool:
        """True while it reads nothing."""
        return self._lane.stalled

    def join(self, fd: int) -> None:
        """Be the line that ends at the master ``fd``."""
        os.set_blocking(fd, False)
        self._lane.master, self._lane.stalled = fd, False
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(fd, self._readable)

    def leave(self) -> None:
        """Read no more; what is sent vanishes: the adapter is gone."""
        if self._lane.master >= 0:
            self._loop.remove_reader(self._lane.master)
            self._lane.master = -1

    def send(self, data: bytes) -> None:
        """A counterpart says something to the service."""
        if self.lie is None:
            self.babble(data)
            return
        lied = framed(self.lie.change(opened(data[1:-1])))
        for number in range(self.lie.times):
            self._loop.call_later(self.lie.after_s + number / 1000, self.babble, lied)

    def babble(self, data: bytes) -> None:
        """The counterpart says something that nobody asked for."""
        if self._lane.master >= 0 and not self.cut:
            self._lane.stirred = True
            assert os.write(self._lane.master, data) == len(data)

    def stall(self) -> None:
        """Read nothing more: what the service writes stays in its port."""
        if self._lane.master >= 0:
            self._lane.stalled = True
            self._loop.remove_reader(self._lane.master)

    def resume(self) -> None:
        """Read again, first of all whatever has piled up."""
        if self._lane.master >= 0 and self._lane.stalled:
            self._lane.stalled, self._lane.stirred = False, True
            self._loop.add_reader(self._lane.master, self._readable)

    def fill(self, slave: int) -> None:
        """Stall it and write to ``slave`` what nobody asked for until it takes nothing more."""
        self.stall()
        os.set_blocking(slave, False)
        for length in (1024, 1):  # where the long does not fit, the short may
            refused = 0
            while refused < FULL_AFTER:
                try:
                    os.write(slave, b"\x55" * length)
                    refused = 0
                except BlockingIOError:
                    refused += 1
                    select.select([], [], [], 0.001)

    def _readable(self) -> None:
        data = os.read(self._lane.master, 4096)
        if self.echoes:
            self.babble(data)
        if self.cut:
            return
        if self._clock() < self.garbled_until:
            data = bytes(byte ^ 0x5A for byte in data)
        self._received(data)
