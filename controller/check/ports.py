"""Drivers at work in a check, what their ports receive, and what a fault of theirs means."""

from __future__ import annotations

import asyncio
import errno
import termios
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any, Self

from controller.check.report import Finding, wrong
from controller.check.storage import user
from drivers.base import DriverError, Port, PortError, PortListener
from drivers.framing import Deframer
from drivers.kind import Cures

PACKAGES = {"serial": "pyserial"}
"""Packages that have another name than what they give."""
STOPPED = "stop whatever uses it; the service with: systemctl stop playclock"


def _ignored(body: bytes) -> None:
    """Nobody wants it."""


class SniffingPort:
    """A port that also gives every received frame to ``hear``, whatever its driver makes of it."""

    def __init__(self, port: Port) -> None:
        self.port = port
        self.hear: Callable[[bytes], None] = _ignored
        self._deframer = Deframer()
        self._listener: PortListener | None = None

    @property
    def name(self) -> str:
        return self.port.name

    def open(self, listener: PortListener) -> None:
        self._listener = listener
        self.port.open(self)

    def write(self, data: bytes) -> int:
        return self.port.write(data)

    def unsent(self) -> int:
        return self.port.unsent()

    def flush(self) -> None:
        self.port.flush()

    def close(self) -> None:
        self.port.close()

    def bytes_received(self, data: bytes, at: int) -> None:
        for body in self._deframer.feed(data):
            self.hear(body)
        if self._listener is not None:
            self._listener.bytes_received(data, at)

    def port_lost(self, error: PortError) -> None:
        if self._listener is not None:
            self._listener.port_lost(error)


class RunningDriver:
    """A driver that runs while the ``with`` block does; its fault is kept, not raised.

    A bug of ours is raised when the block is left.
    """

    def __init__(self, run: Coroutine[Any, Any, None]) -> None:
        self._run = run
        self._task: asyncio.Task[None]

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._run)
        await asyncio.sleep(0)  # its first step opens the port
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._task.cancel()
        await asyncio.wait({self._task})  # a board is darkened on the way out
        if kind is None and not self._task.cancelled() and self.fault is None:
            self._task.result()

    @property
    def fault(self) -> Exception | None:
        """Why the driver has stopped, None while it runs."""
        if not self._task.done() or self._task.cancelled():
            return None
        error = self._task.exception()
        return error if isinstance(error, (DriverError, OSError, termios.error)) else None


def port_finding(fault: Exception, whose: str, cures: Cures) -> Finding:
    """A device that cannot be used, and the cure that its cause suggests."""
    cause = fault.__cause__ or fault
    code = cause.args[0] if cause.args else None
    match code:
        case errno.ENOENT | errno.ENODEV | errno.ENXIO:
            do = cures.missing
        case errno.EACCES | errno.EPERM:
            do = f"{user()} may not open it: {cures.forbidden}"
        case errno.EAGAIN | errno.EBUSY:
            return wrong(f"{whose}: {fault}: another program has it, likely the service", STOPPED)
        case _:
            do = cures.failing
    # gpiozero without a library of the pins raises one too, which names no module.
    if isinstance(cause, ImportError) and cause.name:
        module = cause.name.partition(".")[0]
        package = PACKAGES.get(module, module)
        do = f"install it: pip install {package}, in the environment of the program"
    return wrong(f"{whose}: {fault}", do)
