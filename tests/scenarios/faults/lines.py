"""What can happen to a serial line, played on the master of a real pty.

A pty says nothing of bytes that its master has not read, so :class:`TellingPort` counts them, as a
UART's driver counts its queue; and a flush takes them out of the pty, as it empties a UART's.
"""

from __future__ import annotations

import asyncio
import os
import select
from collections.abc import Callable
from functools import partial

from tests.scenarios.main_job.flight import CountedPort, Flight, Lane
from tests.scenarios.main_job.independent_frames import framed, opened
from tests.scenarios.main_job.wire import Clock, MasterEnd

FULL_AFTER = 5
"""So many refusals in a row, with the kernel given time between: the pty is full."""


def _as_it_is(body: bytes) -> bytes:
    return body


def _other_node(body: bytes) -> bytes:
    return body[:1] + bytes([3 - body[1]]) + body[2:]


def _other_stamp(body: bytes) -> bytes:
    return body[:3] + bytes([body[3] ^ 0x55]) + body[4:]


def _other_segments(body: bytes) -> bytes:
    return body[:4] + bytes([body[4] ^ 0x06, body[5] ^ 0x40]) + body[6:]


LIES: dict[str, tuple[float, int, Callable[[bytes], bytes]]] = {
    "late": (0.03, 1, _as_it_is),
    "very late": (0.35, 1, _as_it_is),
    "twice": (0.0, 2, _as_it_is),
    "without end": (0.0, 50, _as_it_is),
    "other node": (0.0, 1, _other_node),
    "other stamp": (0.0, 1, _other_stamp),
    "other segments": (0.0, 1, _other_segments),
    "other type": (0.0, 1, lambda body: b"\x13" + body[1:]),
    "too short": (0.0, 1, lambda body: body[:-2]),
    "flags unknown": (0.0, 1, lambda body: body[:7] + b"\x80" + body[8:]),
}
"""How a board answers wrongly with every check right: how late, how often, and what it says."""


class FaultyLane(Lane):
    """A lane that nothing is waited for on while its master reads nothing."""

    stalled = False

    def __init__(self) -> None:
        super().__init__()
        self.written: list[tuple[int, bytes]] = []
        """What the service's port took, and when."""

    def waited_for(self) -> list[int]:
        if not self.stalled:
            return super().waited_for()
        return [self.slave] if self.up else []


class FaultyFlight(Flight):
    """Lanes that may stall."""

    def lane(self, name: str) -> FaultyLane:
        lane = self._lanes.setdefault(name, FaultyLane())
        assert isinstance(lane, FaultyLane)
        return lane


class TellingPort(CountedPort):
    """The product's port, whose driver tells of every byte that has not left."""

    def write(self, data: bytes) -> int:
        taken = super().write(data)
        assert isinstance(self._lane, FaultyLane)
        if taken:
            self._lane.written.append((self._clock(), data[:taken]))
        return taken

    def unsent(self) -> int:
        return self._lane.down

    def flush(self) -> None:
        while self._lane.down > 0 and select.select([self._lane.master], [], [], 0.2)[0]:
            self._lane.down -= len(os.read(self._lane.master, 4096))
        self._lane.down = 0
        super().flush()


class SilentPort(TellingPort):
    """The same, but its driver tells nothing: as far as it knows, all has left."""

    def unsent(self) -> int:
        return 0


class Line:
    """One line between the service's port and its counterparts; a counterpart's wire.

    ``lie`` says how the counterpart's frames come out, of :data:`LIES`, empty for as they should.
    ``cut``: what either end sends is lost on the way, and no port notices. ``echoes``: the adapter
    hears itself. Until ``garbled_until`` somebody else speaks too, and nobody understands.
    """

    def __init__(self, clock: Clock) -> None:
        self.cut = self.echoes = False
        self.lie = ""
        self.garbled_until = 0
        self._clock = clock
        self._end: MasterEnd | None = None
        self._lane = FaultyLane()
        self._fd = -1

    def join(self, fd: int, lane: FaultyLane, received: Callable[[bytes], None]) -> MasterEnd:
        """Be the line that ends at the master ``fd``."""
        lane.master, lane.stalled, self._lane, self._fd = fd, False, lane, fd
        through = partial(self._from_service, received)
        self._end = MasterEnd(fd, through, lane.to_service, lane.at_master)
        return self._end

    def leave(self) -> None:
        """The adapter is gone."""
        self._end = None

    def send(self, data: bytes) -> None:
        """A counterpart says something to the service."""
        if not self.lie:
            self._put(data)
            return
        after_s, times, change = LIES[self.lie]
        lied = framed(change(opened(data[1:-1])))
        for number in range(times):
            asyncio.get_running_loop().call_later(after_s + number / 1000, self._put, lied)

    def babble(self, data: bytes) -> None:
        """The counterpart says something that nobody asked for."""
        self._put(data)

    def _put(self, data: bytes) -> None:
        if self._end is not None and not self.cut:
            self._end.send(data)

    def stall(self) -> None:
        """Read nothing more: what the service writes stays in its port."""
        if self._end is not None and not self._lane.stalled:
            self._lane.stalled = True
            asyncio.get_running_loop().remove_reader(self._fd)

    def resume(self) -> None:
        """Read again, first of all whatever has piled up."""
        if self._end is not None and self._lane.stalled:
            self._lane.stalled = False
            asyncio.get_running_loop().add_reader(self._fd, self._end._readable)

    def fill(self, slave: int) -> None:
        """Stall it and write to ``slave`` what nobody asked for until it takes nothing more."""
        self.stall()
        os.set_blocking(slave, False)
        for length in (1024, 1):  # where the long does not fit, the short may
            refused = 0
            while refused < FULL_AFTER:
                try:
                    self._lane.down += os.write(slave, b"\x55" * length)
                    refused = 0
                except BlockingIOError:
                    refused += 1
                    select.select([], [], [], 0.001)

    def _from_service(self, received: Callable[[bytes], None], data: bytes) -> None:
        if self.echoes:
            self._put(data)
        if self.cut:
            return
        if self._clock() < self.garbled_until:
            data = bytes(byte ^ 0x5A for byte in data)
        received(data)
