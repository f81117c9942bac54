"""A serial line with its faults, from the service's port to whatever is at its far end."""

from __future__ import annotations

from collections.abc import Callable

from drivers.base import Clock, PortError, PortListener
from tests.scenarios.simulation.process import Process
from tests.shared.frames import BYTE_NS

KERNEL_BYTES = 4096


class Link:
    """The kernel's buffer, the adapter and the wire. ``carry(data, ends_at)`` takes what leaves,
    with the instant at which its last byte does.

    ``capacity`` 0 is a port that is full. What a stalled port holds survives the process that wrote
    it, as it does in the kernel.
    """

    def __init__(self, name: str, clock: Clock, carry: Callable[[bytes, int], None]) -> None:
        self.name = name
        self.capacity = KERNEL_BYTES
        self.plugged = True
        self.catching_up = False
        """True while what was held leaves."""
        self.process: Process | None = None
        self.on_open: Callable[[], None] = lambda: None
        self._listener: PortListener | None = None
        self._clock = clock
        self._carry = carry
        self._free_at = 0
        self._held: list[tuple[int, bytes]] | None = None
        """What a stalled port keeps, each with the instant at which it was written."""

    @property
    def stalled(self) -> bool:
        return self._held is not None

    @property
    def served(self) -> bool:
        """True while a living service has the port open."""
        return self._listener is not None and self.process is not None and self.process.alive

    def stall(self) -> None:
        """Bytes stop leaving, and are kept."""
        if self._held is None:
            self._held = []

    def resume(self, at: int) -> None:
        """They leave, one after another. Whoever was late to say so, it was ``at`` that they did,
        save those that were written later."""
        held, self._held = self._held or [], None
        self.catching_up = True
        for written_at, data in held:
            self._leave(data, max(at, written_at))
        self.catching_up = False

    def unplug(self) -> None:
        self.plugged = False
        self._held = None
        listener, self._listener = self._listener, None
        if listener is not None and self.process is not None and self.process.alive:
            listener.port_lost(PortError(f"{self.name}: lost: hung up"))

    def replug(self) -> None:
        self.plugged = True

    def to_service(self, data: bytes) -> bool:
        """Bytes from the far end; False when nobody reads."""
        if self._listener is None or self.process is None or not self.process.alive:
            return False
        self._listener.bytes_received(data, self.process.clock())
        return True

    # As the port of one process sees it

    def opened(self, process: Process, listener: PortListener) -> None:
        if not self.plugged:
            raise PortError(f"{self.name}: cannot open: no such device")
        self.process, self._listener = process, listener
        self.on_open()

    def closed(self, process: Process) -> None:
        if self.process is process:
            self._listener = None

    def take(self, data: bytes) -> int:
        if not self.plugged or self._listener is None:
            return 0
        taken = data[: max(0, self.capacity - self.unsent())]
        if taken and self._held is not None:
            self._held.append((self._clock(), taken))
        elif taken:
            self._leave(taken, self._clock())
        return len(taken)

    def unsent(self) -> int:
        if self._held is not None:
            return sum(len(data) for _, data in self._held)
        return max(0, -((self._clock() - self._free_at) // BYTE_NS))

    def flush(self) -> None:
        if self._held is not None:
            self._held = []

    def _leave(self, data: bytes, at: int) -> None:
        self._free_at = max(at, self._free_at) + len(data) * BYTE_NS
        self._carry(data, self._free_at)


class KillablePort:
    """A :class:`~drivers.base.Port`: one process's descriptor of a line."""

    def __init__(self, link: Link, process: Process) -> None:
        self._link, self._process = link, process

    @property
    def name(self) -> str:
        return self._link.name

    def open(self, listener: PortListener) -> None:
        if self._process.alive:
            self._link.opened(self._process, listener)

    def write(self, data: bytes) -> int:
        if not self._process.alive:
            return len(data)
        part = self._process.dies_within(data, self._link.name)
        if part is not None:
            self._link.take(data[:part])
            return len(data)
        return self._link.take(data)

    def unsent(self) -> int:
        return self._link.unsent() if self._process.alive else 0

    def flush(self) -> None:
        if self._process.alive:
            self._link.flush()

    def close(self) -> None:
        if self._process.alive:
            self._link.closed(self._process)
