"""Inputs as steps: each is a byte that says what to do, one for the length, and what with.

So a mutated input stays a run of bytes, and can still hold frames whose check values are right.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Iterator

from drivers import framing
from drivers.base import PortError, PortListener
from tests.shared.virtual_time import VirtualClock, VirtualTimeLoop

RAW, FRAMED, PAUSE, TRUE, ACT = range(5)
"""Bytes as they are · a body, given its CRC · milliseconds · a frame made true by the target, with
fields out of the bytes · something the target's own side does."""
KINDS = 5
LONGEST_PAUSE_MS = 20_000


def step(kind: int, what: bytes) -> bytes:
    """One step of an input."""
    return bytes([kind, len(what)]) + what


def steps(data: bytes) -> Iterator[tuple[int, bytes]]:
    """The steps of ``data``; of the last, as much as is there."""
    at = 0
    while at + 1 < len(data):
        kind, length = data[at] % KINDS, data[at + 1]
        yield kind, data[at + 2 : at + 2 + length]
        at += 2 + length


def wire_of(kind: int, what: bytes) -> bytes:
    """The bytes of a step that is RAW or FRAMED."""
    return framing.encode(what) if kind == FRAMED and 1 <= len(what) <= 59 else what


def pause_ns(what: bytes) -> int:
    """The length of a PAUSE."""
    return min(int.from_bytes(what[:2], "big"), LONGEST_PAUSE_MS) * 1_000_000


class StubPort:
    """A port that takes all and keeps it in ``written``; a test calls its listener itself."""

    name = "stub"

    def __init__(self) -> None:
        self.written: list[bytes] = []

    def open(self, listener: PortListener) -> None:
        self.listener: PortListener | None = listener

    def write(self, data: bytes) -> int:
        self.written.append(data)
        return len(data)

    def unsent(self) -> int:
        return 0

    def flush(self) -> None:
        return None

    def close(self) -> None:
        self.listener = None

    def lose(self) -> None:
        assert self.listener is not None
        self.listener.port_lost(PortError(f"{self.name}: lost"))


def in_virtual_time(story: Callable[[VirtualClock], Coroutine[None, None, None]]) -> None:
    """Run one input's story. Leaner than ``virtual_time.run``, which also minds signals."""
    clock = VirtualClock()
    loop = VirtualTimeLoop(clock)
    try:
        loop.run_until_complete(story(clock))
    finally:
        left = asyncio.all_tasks(loop)  # by a story that failed
        for task in left:
            task.cancel()
        if left:
            loop.run_until_complete(asyncio.wait(left))
        loop.close()
