"""Keys of any Linux key device: a presenter, a number pad, a keyboard under /dev/input.

The device is grabbed, so that its keys do not type into anything else. Auto-repeat is not a press.
Whoever has a like device may be able to press its keys.
"""

from __future__ import annotations

import asyncio
import errno
import fcntl
import os
import struct
from collections.abc import Callable, Mapping

from drivers.base import Clock, CrewState, DriverError, HandsetListener, Key
from drivers.handset.key_timer import KeyTimer

EVENT = struct.Struct("@llHHi")
"""struct input_event of this process, Linux include/uapi/linux/input.h: two longs of time, type,
code, value. 24 bytes with 64-bit longs, 16 with 32-bit ones, whatever the kernel's own are."""
EVENTS_A_READ = 64

EV_SYN, EV_KEY = 0, 1
SYN_REPORT, SYN_DROPPED = 0, 3
UP, DOWN = 0, 1
"""Values of a key event; 2 is auto-repeat. (Linux, input-event-codes.h and input/input.rst)"""

EVIOCGRAB = 1 << 30 | struct.calcsize("@i") << 16 | ord("E") << 8 | 0x90
"""``_IOW('E', 0x90, int)``, Linux input.h; in the encoding of ARM, x86 and RISC-V."""


def grab(fd: int) -> None:
    """Take the device for this process alone, until ``fd`` is closed. Raises ``OSError``."""
    fcntl.ioctl(fd, EVIOCGRAB, 1)


class InputKeys:
    """A :class:`~drivers.base.Handset` of one handset, the key device at ``path``.

    ``path`` should be one that does not move, as in /dev/input/by-id. ``keys`` are ours by the
    device's codes. ``event`` is the layout of its events.
    """

    authenticated = False
    beacons = False

    def __init__(
        self,
        number: int,
        layout: str,
        path: str,
        keys: Mapping[int, Key],
        clock: Clock,
        *,
        grab: Callable[[int], None] = grab,
        event: struct.Struct = EVENT,
    ) -> None:
        self.name = path
        self.serves = (number,)
        self._layout, self._keys, self._clock = layout, keys, clock
        self._grab, self._event = grab, event

    async def run(self, listener: HandsetListener) -> None:
        """Hear the device until cancelled.

        Raises :class:`DriverError` when it cannot be had for ourselves, or was unplugged.
        """
        self._loop = asyncio.get_running_loop()
        self._ended: asyncio.Future[None] = self._loop.create_future()
        self._thumb = KeyTimer(self.serves[0], self._layout, listener, self._fail)
        self._rest, self._dropped = b"", False
        self._fd = self._opened()
        try:
            add_reader = getattr(self._loop, "add_urgent_reader", self._loop.add_reader)
            add_reader(self._fd, self._readable)
            await self._ended
        finally:
            self._loop.remove_reader(self._fd)
            self._thumb.let_go()
            os.close(self._fd)

    def tell(self, state: CrewState) -> None:
        """A key device has nothing to hear or feel with."""

    def _opened(self) -> int:
        try:
            fd = os.open(self.name, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            raise DriverError(f"{self.name}: cannot open: {error.strerror}") from error
        try:
            self._grab(fd)
        except OSError as error:
            os.close(fd)
            why = error.strerror
            if error.errno == errno.EBUSY:
                why = "another program has taken it for itself"
            elif error.errno in (errno.ENOTTY, errno.EINVAL):
                why = "it is no key device"
            raise DriverError(f"{self.name}: cannot open: {why}") from error
        return fd

    def _fail(self, error: Exception) -> None:
        if not self._ended.done():
            self._ended.set_exception(error)

    def _readable(self) -> None:
        at = self._clock()
        try:
            data = os.read(self._fd, EVENTS_A_READ * self._event.size)
        except BlockingIOError:
            return
        except OSError as error:
            self._lose("unplugged" if error.errno == errno.ENODEV else error.strerror or "", error)
            return
        if not data:
            self._lose("it has ended", None)
            return
        data = self._rest + data
        whole = len(data) - len(data) % self._event.size
        self._rest = data[whole:]
        for _, _, kind, code, value in self._event.iter_unpack(data[:whole]):
            self._take(kind, code, value, at)

    def _lose(self, why: str, cause: OSError | None) -> None:
        self._loop.remove_reader(self._fd)  # what has gone stays readable without end
        error = DriverError(f"{self.name}: lost: {why}")
        error.__cause__ = cause
        self._fail(error)

    def _take(self, kind: int, code: int, value: int, at: int) -> None:
        """One event. Events were lost after SYN_DROPPED: what is left up to the next SYN_REPORT is
        no whole report, and no key is known to be down (Linux, input/event-codes.rst)."""
        if kind == EV_SYN and code == SYN_DROPPED:
            self._dropped = True
            self._thumb.let_go()
        elif kind == EV_SYN and code == SYN_REPORT:
            self._dropped = False
        key = self._keys.get(code) if kind == EV_KEY and not self._dropped else None
        if key is None:
            return
        if value == DOWN:
            self._thumb.down(key, at, at)
        elif value == UP:
            self._thumb.up(key)
