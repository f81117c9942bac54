"""Simulated chips as the handsets of a whole installation: thumbs at their keys, cues out.

They stand in for ``HandsetEnd`` and ``Air`` of :mod:`tests.shared.handset_end` in virtual time:
each millisecond the chips are run up to the present, and what they have sent goes on the air, to
the service's receiver and to the other handset. A pty has no line time, so it is added here.
"""

from __future__ import annotations

import asyncio

from tests.firmware.chip import Pin
from tests.firmware.handset_chip import HZ, MOTOR, HandsetOnChip
from tests.firmware.handset_pc import BROADCAST_KEY, paired_memory
from tests.shared.frames import BYTE_NS, MS_NS
from tests.shared.wire import Clock, Wire

LAYOUTS = {1: "twelve", 2: "four"}
"""As the installation's configuration has it."""
TAP_S = 0.09


class ChipHandset:
    """One handset, switched on as it is made; instants are the installation's."""

    def __init__(self, number: int, handset_key: bytes, broadcast_key: bytes, clock: Clock) -> None:
        assert broadcast_key == BROADCAST_KEY
        self.wire: Wire | None = None
        self.on_chip = HandsetOnChip(paired_memory(number, handset_key), LAYOUTS[number])
        self._clock, self._origin_at = clock, clock()

    def cycle_of(self, at: int) -> int:
        return (at - self._origin_at) * (HZ // 1_000_000) // 1000

    def advance(self) -> None:
        """Run the chip up to the present."""
        cycle = self.cycle_of(self._clock())
        if cycle > self.on_chip.chip.cycle:
            self.on_chip.run(cycle)

    async def ask(self) -> None:
        """It asks for the session by itself."""

    async def presence(self) -> None:
        """And says by itself that it is there."""
        await asyncio.Event().wait()

    async def tap(self, key: str) -> int:
        """A thumb's tap, bouncing; gives the instant of its first edge."""
        self.advance()
        at = self._clock()
        self.on_chip.key(key, 0, bounces=4)
        await asyncio.sleep(TAP_S)
        self.advance()
        self.on_chip.key(key, 1, bounces=4)
        await asyncio.sleep(TAP_S)
        return at

    def felt(self, since_at: int, pin: Pin = MOTOR) -> list[tuple[int, list[int]]]:
        """Cues since an instant: when each began, and its lengths on and off in ms."""
        self.advance()
        cues = self.on_chip.felt(pin, self.cycle_of(since_at))
        return [(self._origin_at + cycle * 1000 // 8, lengths) for cycle, lengths in cues]


class ChipAir:
    """What the handsets of one receiver hear and say."""

    def __init__(self, handsets: list[ChipHandset], clock: Clock) -> None:
        self._handsets, self._clock = handsets, clock
        self._told = [0 for _ in handsets]
        self._free_at = 0
        self._pass_on()

    def received(self, data: bytes) -> None:
        """Bytes of the controller, one after the other on the air."""
        start_at = max(self._free_at, self._clock())
        self._free_at = start_at + len(data) * BYTE_NS
        for handset in self._handsets:
            handset.advance()
            handset.on_chip.chip.send(data, handset.cycle_of(start_at))

    def _pass_on(self) -> None:
        for place, handset in enumerate(self._handsets):
            handset.advance()
            for frame in handset.on_chip.frames[self._told[place] :]:
                self._told[place] += 1
                if handset.wire is not None:
                    handset.wire.send(frame.wire)
        asyncio.get_running_loop().call_later(MS_NS / 1e9, self._pass_on)
