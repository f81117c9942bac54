"""The handset's firmware on a simulated chip: thumbs at its keys, a radio at its socket.

The pins are those of ``hardware/firmware/handset/PINS.md``.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from drivers.framing import Deframer
from tests.firmware import building
from tests.firmware.chip import BITS_OF_A_BYTE, PIN, POWER_ON, RESET, SENT, Chip, Pin

HZ = 8_000_000
MOTOR, LAMP, WRIST_LAMP, RADIO_ON = ("B", 1), ("B", 5), ("B", 3), ("B", 2)
BATTERY_CHANNEL = 5
MEMORY = 512
"""Bytes of EEPROM that the tests fill; the handset uses 176."""
MARKS = [(25, [300]), (10, [300, 120, 300]), *((s, [50]) for s in (5, 4, 3, 2, 1)), (0, [800])]
"""The marks of a count of 40: seconds left, and the lengths on and off in ms."""
KEY_PINS: dict[str, Pin] = {
    "DEAD_BALL": ("C", 0),
    "READY": ("C", 1),
    "NUMBER_25": ("C", 2),
    "SNAP": ("C", 3),
    "NUMBER_40": ("C", 4),
    "STOP": ("B", 0),
    "FLAG": ("D", 2),
    "TIME_OUT": ("D", 3),
    "INJURY": ("D", 4),
    "UNDO": ("D", 5),
    "NO_COUNT": ("D", 6),
    "BOARDS_OFF": ("D", 7),
}
BYTE_CYCLES = HZ * BITS_OF_A_BYTE / 38_461.5
"""A byte as the handset's own divider times it: 8 MHz / 16 / 13."""


def image(layout: str = "twelve") -> Path:
    """The firmware of a layout, built by its own Makefile."""
    return building.image("handset").with_name(f"handset-{layout}.elf")


class SentFrame(NamedTuple):
    """A frame the handset sent: cycles of its first and last byte's start, and its body."""

    first: int
    last: int
    wire: bytes
    body: bytes


class HandsetOnChip:
    """A handset that is switched on at cycle 0, with these keys down and this lasting memory."""

    def __init__(
        self,
        memory: bytes,
        layout: str = "twelve",
        *,
        down: tuple[str, ...] = (),
        mv: int = 4500,
        elf: Path | None = None,
    ) -> None:
        self.chip = Chip(elf or image(layout), hz=HZ, supply_mv=3300)
        self.edges: dict[Pin, list[tuple[int, int]]] = {
            pin: [] for pin in (MOTOR, LAMP, WRIST_LAMP, RADIO_ON)
        }
        self.frames: list[SentFrame] = []
        self.resets: list[int] = []
        self._deframer = Deframer()
        self._frame: list[tuple[int, int]] = []
        self.chip.set_eeprom(0, memory[:MEMORY])
        for name, pin in KEY_PINS.items():
            self.chip.drive(pin, int(name not in down))
        self.chip.adc(BATTERY_CHANNEL, mv // 2)
        for pin in self.edges:
            self.chip.watch(pin)
        self.chip.reset(POWER_ON)

    @property
    def ms(self) -> float:
        """Milliseconds since power-on."""
        return self.chip.cycle * 1000 / HZ

    def run(self, until: int) -> None:
        self.chip.run(until)
        for event in self.chip.events():
            if event.what == PIN and event.pin in self.edges:
                levels = self.edges[event.pin]
                if not levels or levels[-1][1] != event.value:
                    levels.append((event.cycle, event.value))
            elif event.what == SENT:
                self._take_sent(event.cycle, event.value)
            elif event.what == RESET:
                self.resets.append(event.cycle)

    def _take_sent(self, cycle: int, byte: int) -> None:
        self._frame.append((cycle, byte))
        for body in self._deframer.feed(bytes([byte])):
            wire = bytes(each for _, each in self._frame)
            self.frames.append(SentFrame(self._frame[0][0], cycle, wire, body))
        if byte == 0 and len(self._frame) > 1:
            self._frame.clear()

    def run_ms(self, ms: float) -> None:
        self.run(self.chip.cycle + self.chip.cycles(ms))

    def hear(self, wire: bytes) -> int:
        """Put a frame on the air; runs to its end and gives that cycle."""
        end = self.chip.send(wire)
        self.run(end)
        return end

    def key(self, name: str, level: int, *, bounces: int = 0, seed: int = 0) -> int:
        """Close (0) or open (1) a key now, with ``bounces`` within 5 ms; gives the cycle."""
        begun = self.chip.cycle
        chance = random.Random(seed)
        pin = KEY_PINS[name]
        self.chip.drive(pin, level)
        at = begun
        for _ in range(bounces):
            at += self.chip.cycles(chance.uniform(0.05, 0.4))
            self.chip.drive(pin, 1 - level, at)
            at += self.chip.cycles(chance.uniform(0.05, 0.4))
            self.chip.drive(pin, level, at)
        return begun

    def tap(self, name: str, *, bounces: int = 0, seed: int = 0) -> int:
        """A tap of 90 ms, with its release; gives the cycle of its first edge."""
        begun = self.key(name, 0, bounces=bounces, seed=seed)
        self.run_ms(90)
        self.key(name, 1, bounces=bounces, seed=seed + 1)
        self.run_ms(60)
        return begun

    def felt(self, pin: Pin = MOTOR, since: int = 0) -> list[tuple[int, list[int]]]:
        """Cues on a pin: the cycle of each one's begin, and its lengths on and off in ms, rounded
        to 10: a tag in the making moves an edge by up to 3 ms."""
        return cues_of([edge for edge in self.edges[pin] if edge[0] >= since], _tens)


def _tens(cycles: int) -> int:
    return 10 * round(cycles * 100 / HZ)


def cues_of(
    edges: Sequence[tuple[int, int]], ms_of: Callable[[int], int]
) -> list[tuple[int, list[int]]]:
    """Where each cue in a pin's edges began, and its lengths on and off by turns, in ms.

    Cues are at least 0.1 s apart less the millisecond of a step; no pause within one but the
    0.12 s of two beats is that long, and the 0.4 s between the nudge's ticks.
    """
    cues: list[tuple[int, list[int]]] = []
    last = 0
    for (start, level), (end, _) in pairwise(edges):
        if not level:
            continue
        pause_ms = ms_of(start - last)
        if cues and (pause_ms in (50, 120) or (pause_ms == 400 and cues[-1][1][-1] == 50)):
            cues[-1][1].append(pause_ms)
        else:
            cues.append((start, []))
        cues[-1][1].append(ms_of(end - start))
        last = end
    return cues
