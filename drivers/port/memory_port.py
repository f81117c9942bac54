"""Two ends of a serial line in memory: it takes its time, fills up, stalls and comes unplugged.

Each end is a :class:`~drivers.base.Port`. Both directions run at once; whoever plays a line of two
wires must keep to its turn. A write arrives as a whole, when its last byte would. Left out: noise
and bit errors, the buffers of USB adapters, and the time that a driver takes to be called.
"""

from __future__ import annotations

import asyncio
from collections import deque

from drivers.base import S_NS, Clock, PortError, PortListener

BITS_A_BYTE = 10
CAPACITY_BYTES = 4096
"""One page, as Linux' serial core buffers for a UART (UART_XMIT_SIZE in linux/serial_core.h)."""


class MemoryPort:
    """One end of a line; made by :func:`memory_pair`. ``capacity`` is in bytes, change it freely.

    Besides a port's methods there are the faults: :meth:`stall`, :meth:`resume`, :meth:`unplug`
    and :meth:`replug`.
    """

    def __init__(self, name: str, clock: Clock, byte_ns: int) -> None:
        self.capacity = CAPACITY_BYTES
        self._name = name
        self._clock = clock
        self._byte_ns = byte_ns
        self._peer = self
        self._listener: PortListener | None = None
        self._plugged = True
        self._queue: deque[tuple[bytes, int]] = deque()  # what was written, when its last byte ends
        self._stalled_at: int | None = None
        self._timer: asyncio.TimerHandle | None = None

    @property
    def name(self) -> str:
        return self._name

    def open(self, listener: PortListener) -> None:
        if not self._plugged:
            raise PortError(f"{self._name}: cannot open: unplugged")
        self._listener = listener

    def close(self) -> None:
        """Stop listening. What was written goes on, as it does when a tty is closed."""
        self._listener = None

    def write(self, data: bytes) -> int:
        """Take what fits; 0 when full, closed or unplugged."""
        if self._listener is None:
            return 0
        taken = data[: max(0, self.capacity - self.unsent())]
        if taken:
            begins_at = self._line_now()
            if self._queue:
                begins_at = max(begins_at, self._queue[-1][1])
            self._queue.append((taken, begins_at + len(taken) * self._byte_ns))
            self._arm()
        return len(taken)

    def unsent(self) -> int:
        now = self._line_now()
        return sum(self._left(data, ends_at, now) for data, ends_at in self._queue)

    def flush(self) -> None:
        """Throw away what has not left; of a frame that has begun, the first part arrives."""
        now = self._line_now()
        queue, self._queue = self._queue, deque()
        self._disarm()
        for data, ends_at in queue:
            self._hand_over(data[: len(data) - self._left(data, ends_at, now)])

    def stall(self) -> None:
        """Stop sending, with the bytes kept, until :meth:`resume`."""
        if self._stalled_at is None:
            self._stalled_at = self._clock()
            self._disarm()

    def resume(self) -> None:
        if self._stalled_at is not None:
            stalled_ns = self._clock() - self._stalled_at
            self._stalled_at = None
            self._queue = deque((data, ends_at + stalled_ns) for data, ends_at in self._queue)
            self._arm()

    def unplug(self) -> None:
        """Break the line: what is under way is gone and both ends are told that they lost it."""
        for end in (self, self._peer):
            end._plugged = False
            end._queue.clear()
            end._disarm()
        for end in (self, self._peer):
            listener, end._listener = end._listener, None
            if listener is not None:
                listener.port_lost(PortError(f"{end._name}: lost: unplugged"))

    def replug(self) -> None:
        """Make the line whole again; either end may then be opened."""
        for end in (self, self._peer):
            end._plugged = True
            end._stalled_at = None

    def connect(self, peer: MemoryPort) -> None:
        self._peer = peer
        peer._peer = self

    def _line_now(self) -> int:
        return self._clock() if self._stalled_at is None else self._stalled_at

    def _left(self, data: bytes, ends_at: int, now: int) -> int:
        if not self._byte_ns:
            return len(data)
        return max(0, min(len(data), -((now - ends_at) // self._byte_ns)))

    def _arm(self) -> None:
        if self._timer is None and self._queue and self._stalled_at is None:
            loop = asyncio.get_running_loop()
            wait_ns = self._queue[0][1] - self._clock()
            self._timer = loop.call_at(loop.time() + wait_ns / S_NS, self._arrived)

    def _disarm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _arrived(self) -> None:
        self._timer = None
        now = self._clock()
        # The loop may call a timer up to its clock's resolution early: the first has arrived.
        data, _ = self._queue.popleft()
        while self._queue and self._queue[0][1] <= now:
            data += self._queue.popleft()[0]
        self._arm()
        self._hand_over(data)

    def _hand_over(self, data: bytes) -> None:
        listener = self._peer._listener
        if data and listener is not None:  # nobody there: the bytes are lost, as on a real line
            listener.bytes_received(data, self._clock())


def memory_pair(
    clock: Clock, baud: int | None = 38400, names: tuple[str, str] = ("line.a", "line.b")
) -> tuple[MemoryPort, MemoryPort]:
    """Give the two ends of one line at ``baud``; None is a line that takes no time."""
    if baud is not None and baud <= 0:
        raise ValueError(f"baud {baud}: must be above 0, or None for a line that takes no time")
    byte_ns = 0 if baud is None else BITS_A_BYTE * S_NS // baud
    ends = MemoryPort(names[0], clock, byte_ns), MemoryPort(names[1], clock, byte_ns)
    ends[0].connect(ends[1])
    return ends
