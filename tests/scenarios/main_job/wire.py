"""The far end of a serial port: the master of a pty, in any event loop and any clock.

A pty has no line time, so the far ends add it: a frame counts as heard when its last byte would
have arrived, and is handed over when its own last byte would have left.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from typing import Protocol

MS_NS = 1_000_000
S_NS = 1_000 * MS_NS

Clock = Callable[[], int]


class Wire(Protocol):
    """What a counterpart writes to."""

    def send(self, data: bytes) -> None: ...


class MasterEnd:
    """The master of a pty as a counterpart's wire; ``sent`` and ``got`` hear counts of bytes."""

    def __init__(
        self,
        fd: int,
        received: Callable[[bytes], None],
        sent: Callable[[int], None] = lambda _: None,
        got: Callable[[int], None] = lambda _: None,
    ) -> None:
        self._fd, self._received, self._sent, self._got = fd, received, sent, got
        self._open = True
        self._loop = asyncio.get_running_loop()
        os.set_blocking(fd, False)
        self._loop.add_reader(fd, self._readable)

    def send(self, data: bytes) -> None:
        """Write to the pty; into the void once it is pulled."""
        if not self._open:
            return
        self._sent(len(data))
        assert os.write(self._fd, data) == len(data)

    def close(self) -> None:
        """Read and write no more."""
        self._open = False
        self._loop.remove_reader(self._fd)

    def _readable(self) -> None:
        data = os.read(self._fd, 4096)
        self._got(len(data))
        self._received(data)
