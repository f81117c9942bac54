"""Virtual time over real ptys.

The kernel hands the bytes of a pty over by a worker of its own, so a jump of virtual time waits
until every byte written at one end has been read at the other: what a test sees does not depend on
the machine.
"""

from __future__ import annotations

import select
from pathlib import Path
from typing import Literal

from drivers.base import Clock, PortListener
from drivers.port.serial_port import SerialPort
from tests.shared.virtual_time import VirtualClock


class Lane:
    """The bytes of one pty that have been written and not yet read, both ways."""

    def __init__(self) -> None:
        self.master = self.slave = -1
        self.up = self.down = 0

    def to_service(self, count: int) -> None:
        if self.slave >= 0:  # nobody has opened it: the bytes wait, and are flushed at the open
            self.up += count

    def at_master(self, count: int) -> None:
        self.down -= count

    def waited_for(self) -> list[int]:
        """The descriptors that something is on its way to."""
        awaited = [self.slave] if self.up else []
        return awaited + ([self.master] if self.down else [])


class Flight:
    """What is on its way through the kernel, by pty."""

    PATIENCE_S = 2.0

    def __init__(self) -> None:
        self._lanes: dict[str, Lane] = {}

    def lane(self, name: str) -> Lane:
        """The lane of the device called ``name``."""
        return self._lanes.setdefault(name, Lane())

    def lands(self) -> bool:
        """True if something was on its way and is there now; waits for it in real time."""
        awaited = [fd for lane in self._lanes.values() for fd in lane.waited_for()]
        if not awaited:
            return False
        assert select.select(awaited, [], [], self.PATIENCE_S)[0], "bytes lost inside a pty"
        return True


class PatientClock(VirtualClock):
    """Virtual time that stands still while bytes are on their way."""

    def __init__(self, flight: Flight) -> None:
        super().__init__()
        self._flight = flight

    def jump(self, duration_ns: int) -> None:
        if not self._flight.lands():
            super().jump(duration_ns)


class CountedPort(SerialPort):
    """The product's port on a real pty, with its bytes counted."""

    def __init__(
        self,
        flight: Flight,
        path: str,
        baud: int = 38400,
        *,
        rs485: Literal["adapter", "kernel"] = "adapter",
        clock: Clock,
    ) -> None:
        super().__init__(path, baud, rs485=rs485, clock=clock)
        self.patience_s = 5.0  # real time counts for nothing here
        self._lane = flight.lane(Path(path).name)

    def open(self, listener: PortListener) -> None:
        super().open(_Counting(listener, self._lane))
        assert self._fd is not None
        self._lane.slave = self._fd

    def write(self, data: bytes) -> int:
        taken = super().write(data)
        self._lane.down += taken
        return taken

    def close(self) -> None:
        self._lane.slave, self._lane.up = -1, 0
        super().close()


class _Counting:
    def __init__(self, listener: PortListener, lane: Lane) -> None:
        self._listener, self._lane = listener, lane
        self.port_lost = listener.port_lost

    def bytes_received(self, data: bytes, at: int) -> None:
        self._lane.up -= len(data)
        self._listener.bytes_received(data, at)
