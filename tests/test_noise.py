"""Noise on both links: well-formed frames of chance content into the board node and the receiver.

A stuffed frame of chance content passes a 16-bit CRC once in 65,536 times (2^-16, by counting);
what passes must still be refused by the checks behind it, and nothing may grow or break. Seeded, so
that a failure comes again.
"""

from __future__ import annotations

import asyncio
import math
import random
import tracemalloc
from collections.abc import Iterator

import pytest

from drivers.base import PortListener, Press, Rejection, Result
from drivers.board.simulated import SimulatedNode
from drivers.framing import stuff
from drivers.handset.keys import Keys
from drivers.handset.radio import RadioHandsets
from tests.virtual_time import VirtualClock, virtual

FULL, LONG = 60_000, 2_000_000
LENGTHS = (12, 16, 22, 26)  # SHOW, STATUS, PRESS and STATE with their CRC
MS = 1_000_000

tiers = pytest.mark.parametrize(
    "frames",
    [pytest.param(FULL, marks=pytest.mark.full), pytest.param(LONG, marks=pytest.mark.long)],
)


def noise(frames: int, seed: int) -> Iterator[bytes]:
    """Frames whose first byte is a kind of the protocol in half the cases, the rest by chance."""
    dice = random.Random(seed)
    for _ in range(frames):
        content = bytearray(dice.randbytes(dice.choice(LENGTHS)))
        if dice.random() < 0.5:
            content[0] = dice.choice((0x11, 0x12, 0x21, 0x22))
        yield b"\0" + stuff(bytes(content)) + b"\0"


def by_chance(passed: int, frames: int) -> bool:
    """Within four standard deviations of one in 65,536: too few is a fault too."""
    expected = frames / 65_536
    return abs(passed - expected) <= 4 * max(1.0, math.sqrt(expected))


@tiers
def test_a_node_never_shows_what_noise_says(frames: int) -> None:
    clock = VirtualClock()
    node = SimulatedNode(1, clock)
    at = clock()
    for frame in noise(frames, seed=1):
        at += 4 * MS
        node.receive(frame, at)
        assert node.shown(at).numerals is None  # kind, length, complement: each must fit as well
    passed = frames - node._deframer.bad
    assert by_chance(passed, frames)


class Silence:
    """A port on which nothing is ever sent on."""

    name = "noisy"

    def open(self, listener: PortListener) -> None:
        self.listener = listener

    def write(self, data: bytes) -> int:
        return len(data)

    def unsent(self) -> int:
        return 0

    def flush(self) -> None:
        return None

    def close(self) -> None:
        return None


class Nobody:
    """Counts what comes through."""

    def __init__(self) -> None:
        self.presses = self.heard = self.rejected = 0

    def key_pressed(self, press: Press) -> Result:
        self.presses += 1
        return Result.NONE

    def handset_heard(self, handset: int, at: int, battery_hours: int | None) -> None:
        self.heard += 1

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        self.rejected += 1


@tiers
def test_no_press_is_made_of_noise_and_memory_stays_flat(frames: int) -> None:
    @virtual
    async def main(clock: VirtualClock) -> None:
        port, crew = Silence(), Nobody()
        keys = Keys(bytes(range(16)), {1: bytes(range(1, 17)), 2: bytes(range(2, 18))})
        radio = RadioHandsets("receiver", port, keys, 1, clock)
        task = asyncio.create_task(radio.run(crew))
        await asyncio.sleep(0)
        at, grown = clock(), 0
        tracemalloc.start()
        for count, frame in enumerate(noise(frames, seed=2)):
            at += 7 * MS
            port.listener.bytes_received(frame, at)
            if count == frames // 10:
                grown = -tracemalloc.get_traced_memory()[0]
        grown += tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
        assert (crew.presses, crew.heard) == (0, 0)
        assert by_chance(frames - radio._deframer.bad, frames)
        assert grown < 20_000, f"{grown} bytes more after nine tenths of the noise"
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    main()
