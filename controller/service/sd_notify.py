"""Tells the service manager how the service is: the protocol of ``sd_notify(3)``, by hand.

One datagram to the socket named in ``NOTIFY_SOCKET``; without it everything here does nothing.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping


class Notifier:
    """The manager's socket. ``environment`` is the process's own."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket: socket.socket | None = None
        if address:
            kind = socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK
            self._socket = socket.socket(socket.AF_UNIX, kind)
        self.listening = self._socket is not None
        self.watchdog_s = _watchdog_s(environment) if address else None
        """Within so many seconds the manager wants to hear; None when it does not."""

    def tell(self, what: str) -> None:
        """Send ``what``, for example ``READY=1``. Never blocks and never fails: a manager that
        does not listen is none of the clock's business."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.sendto(what.encode(), self._address)

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """``WATCHDOG_USEC`` and ``WATCHDOG_PID`` of ``sd_watchdog_enabled(3)``."""
    usec = environment.get("WATCHDOG_USEC", "")
    meant_for_us = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
    return int(usec) / 1e6 if meant_for_us and usec.isdigit() and int(usec) else None
