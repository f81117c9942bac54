"""Virtual time over real ptys.

The kernel hands the bytes of a pty over by a worker of its own. Before each jump of virtual time
the ptys are polled: a poll waits for that worker (``tty_buffer_flush_work`` in ``n_tty_poll``,
Linux drivers/tty/n_tty.c), so no byte is ever on its way unseen, and what a test sees does not
depend on the machine.
"""

from __future__ import annotations

import fcntl
import os
import select
import sys
import termios
from pathlib import Path
from typing import Literal

from drivers.base import Clock, PortListener
from drivers.port.serial_port import SerialPort
from tests.shared.virtual_time import VirtualClock, VirtualTimeLoop


class Lane:
    """One pty: the descriptors of its two ends, -1 while nobody reads there.

    ``stalled``: its master reads nothing for now. ``stirred``: something may be under way.
    ``written`` is what the service's port took, and when.
    """

    def __init__(self) -> None:
        self.master = self.slave = -1
        self.stalled = self.stirred = False
        self.written: list[tuple[int, bytes]] = []

    def arriving(self) -> bool:
        """True if there is something to be read at an end that is read from."""
        if self.stirred:
            ends = [self.slave] if self.stalled else [self.slave, self.master]
            self.stirred = _readable(*ends)
        return self.stirred

    def unread(self) -> int:
        """How many bytes the master has not read."""
        if not _readable(self.master):
            return 0
        return int.from_bytes(
            fcntl.ioctl(self.master, termios.FIONREAD, b"\0\0\0\0"), sys.byteorder
        )

    def empty(self) -> None:
        """Throw away what the master has not read."""
        while _readable(self.master):
            os.read(self.master, 4096)


def _readable(*fds: int) -> bool:
    return bool(select.select([fd for fd in fds if fd >= 0], [], [], 0)[0])


class Lanes:
    """All ptys of one test, by name."""

    def __init__(self) -> None:
        self._lanes: dict[str, Lane] = {}

    def __getitem__(self, name: str) -> Lane:
        return self._lanes.setdefault(name, Lane())

    def arriving(self) -> bool:
        """True if there is something to be read somewhere, all that was under way included."""
        return any(lane.arriving() for lane in self._lanes.values())


class PatientClock(VirtualClock):
    """Virtual time that stands still while there are bytes to be read.

    It counts as CLOCK_BOOTTIME does, which goes on while the machine is suspended: ``slept_ns``.
    """

    def __init__(self, lanes: Lanes) -> None:
        super().__init__()
        self.slept_ns = 0
        self._lanes = lanes

    def __call__(self) -> int:
        return super().__call__() + self.slept_ns

    def jump(self, duration_ns: int) -> None:
        if not self._lanes.arriving():
            super().jump(duration_ns)


class AwakeLoop(VirtualTimeLoop):
    """An event loop by CLOCK_MONOTONIC, which stands still while the machine is suspended."""

    def __init__(self, clock: PatientClock) -> None:
        super().__init__(clock)
        self._clock = clock

    def time(self) -> float:
        return (self._clock() - self._clock.slept_ns) / 1e9


class PtyPort(SerialPort):
    """The product's port, on the pty of a lane. Its driver tells nothing of what has not left."""

    def __init__(
        self,
        lanes: Lanes,
        path: str,
        baud: int = 38400,
        *,
        rs485: Literal["adapter", "kernel"] = "adapter",
        clock: Clock,
    ) -> None:
        super().__init__(path, baud, rs485=rs485, clock=clock)
        self.patience_s = 5.0  # real time counts for nothing here
        self.lane = lanes[Path(path).name]

    def open(self, listener: PortListener) -> None:
        super().open(listener)
        assert self._fd is not None
        self.lane.slave = self._fd

    def write(self, data: bytes) -> int:
        taken = super().write(data)
        if taken:
            self.lane.stirred = True
            self.lane.written.append((self._clock(), data[:taken]))
        return taken

    def flush(self) -> None:
        """As of a UART's queue: what the master has not read yet has not left."""
        self.lane.empty()
        super().flush()

    def _stop_reading(self) -> None:
        self.lane.slave = -1  # a line that has hung up would be readable for ever
        super()._stop_reading()


class TellingPort(PtyPort):
    """The same, whose driver tells of every byte that has not left, as a UART's does."""

    def unsent(self) -> int:
        return self.lane.unread()
