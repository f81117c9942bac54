"""Tells the service manager how the service is, and feeds its watchdog: ``sd_notify(3)`` by hand.

The watchdog is fed only while the boards are really being told. That is: since it was fed last, the
numerals were computed again from the play clock, and of every driver of boards a frame has left its
port, unless that port is in a fault that was declared and is being retried. A pulled cable never
restarts the service; a timer that is no longer set, a driver that hangs or a port that takes frames
and sends none does.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Callable, Mapping
from typing import NamedTuple, Protocol

FEEDS = 4
"""So often within the manager's patience: two feeds may be missed."""
LOOK_S = 0.02
"""How soon the first frame is looked for."""


class Evidence(NamedTuple):
    """That the boards are told: ``told`` is how often numerals were computed for them, ``sent``
    the frames that each driver has sent, ``lost`` whether its port is in a declared fault."""

    told: int
    sent: tuple[int, ...]
    lost: tuple[bool, ...]


class Watched(Protocol):
    """The service, as its watchdog sees it."""

    observers: list[Callable[[], None]]

    @property
    def board_words(self) -> str: ...

    def evidence(self) -> Evidence: ...


class Watchdog:
    """Watches ``service`` and tells the manager with ``tell``. ``patience_s`` is the manager's,
    None when it has none."""

    def __init__(
        self, service: Watched, tell: Callable[[str], None], patience_s: float | None
    ) -> None:
        self._service = service
        self._tell = tell
        self._patience_s = patience_s
        self._seen = service.evidence()
        self._said = ""

    async def run(self) -> None:
        """Say when the service is ready, how its boards are, and feed, until cancelled."""
        self._service.observers.append(self.say)
        while not self._alive():  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(LOOK_S)
        self._tell("READY=1")
        self.say()
        while self._patience_s is not None:
            self.feed()
            await asyncio.sleep(self._patience_s / FEEDS)

    def feed(self) -> None:
        """Feed once, if the boards were told since the last time."""
        if self._alive():
            self._seen = self._service.evidence()
            self._tell("WATCHDOG=1")

    def say(self) -> None:
        """Tell the boards' state in words, if it has changed."""
        words = self._service.board_words
        if words != self._said:
            self._said = words
            self._tell(f"STATUS={words}")

    def _alive(self) -> bool:
        seen, now = self._seen, self._service.evidence()
        return now.told > seen.told and all(
            sent > before or lost
            for sent, before, lost in zip(now.sent, seen.sent, now.lost, strict=True)
        )


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
        does not listen is not the clock's business."""
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
