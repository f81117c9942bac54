"""Measures the handset on the simulated chip: sizes, stack, times from thumb to radio."""

from __future__ import annotations

import random
import re
from dataclasses import dataclass

from drivers.base import Answer, PhaseCode
from drivers.handset.messages import StateFlag
from tests.firmware import figures
from tests.firmware.chip import symbols
from tests.firmware.handset_chip import HZ, KEY_PINS, HandsetOnChip, image
from tests.firmware.handset_pc import (
    HANDSET_KEY,
    SESSION,
    Controller,
    hello_of,
    keys_frame,
    kind_of,
    paired_memory,
    press_of,
)
from tests.shared.frames import HELLO

PRESS_LIMIT_MS = 15.0
"""From a key's first edge to the last byte handed to the radio: a press has to feel immediate."""
MS = HZ // 1000
STACK_POINTER = 0x5D
"""Its address in data space; below it all is free."""


class ChipController(Controller):
    """WELCOME and STATE for a handset on a chip."""

    def __init__(self, on_chip: HandsetOnChip, session: bytes = SESSION, beat: int = 0) -> None:
        self.on_chip, self.session, self.beat = on_chip, session, beat

    def say(self, **fields: object) -> int:  # type: ignore[override]
        return self.on_chip.hear(self.wire(**fields))

    def welcome(self, handset_key: bytes = HANDSET_KEY) -> None:
        frames = [each.wire for each in self.on_chip.frames if kind_of(each.wire) == HELLO]
        self.on_chip.hear(self.welcome_to(hello_of(frames[-1], handset_key), handset_key))


def join(
    on_chip: HandsetOnChip,
    session: bytes = SESSION,
    beat: int = 0,
    handset_key: bytes = HANDSET_KEY,
) -> ChipController:
    """Answer the handset's next HELLO, and say STATE."""
    begun = len(on_chip.frames)
    for _ in range(300):
        on_chip.run_ms(10)
        if any(kind_of(frame.wire) == HELLO for frame in on_chip.frames[begun:]):
            controller = ChipController(on_chip, session, beat)
            controller.welcome(handset_key)
            controller.say()
            return controller
    raise AssertionError("no HELLO in 3 s")


def linked(layout: str = "twelve", mv: int = 4500) -> tuple[HandsetOnChip, ChipController]:
    """A handset that has been welcomed and has said that it is there."""
    handset = HandsetOnChip(paired_memory(), layout, mv=mv)
    controller = join(handset)
    handset.run_ms(100)
    hello, presence = handset.frames
    assert kind_of(hello.wire) == HELLO and press_of(presence.wire).keys == 0
    handset.frames.clear()
    return handset, controller


def edge_to_last_byte(presses: int, since_state_ms: tuple[float, float] = (8, 30)) -> list[float]:
    """Milliseconds, of keys pressed at any phase of the handset's millisecond, so long after a
    STATE's last byte."""
    chance = random.Random(15)
    handset, controller = linked()
    took = []
    for _ in range(presses):
        controller.say()
        handset.run_ms(chance.uniform(*since_state_ms))
        handset.frames.clear()
        begun = handset.key("READY", 0, bounces=3, seed=chance.randrange(1000))
        handset.run_ms(35)
        frame = handset.frames[0]
        took.append((frame.last - begun) / MS)
        press = press_of(frame.wire)
        controller.say(ack_handset=1, ack_counter=press.counter & 0xFFFF, ack_result=Answer.HELD)
        handset.key("READY", 1)
        handset.run_ms(40)
    return took


@dataclass(frozen=True, slots=True)
class Worst:
    """Bytes of stack, by the paint that was left; bytes unread; cycles with interrupts off."""

    stack: int
    unread: int
    interrupts_off: int


def _painted(handset: HandsetOnChip, drive: list[bytes], seed: int) -> Worst:
    chance = random.Random(seed)
    chip = handset.chip
    first_free = symbols(image())["_end"][0]
    free = int.from_bytes(chip.read(STACK_POINTER, 2), "little") + 1 - first_free
    chip.write(first_free, bytes([figures.PAINT]) * free)
    for wire in drive:
        handset.hear(wire)
        name = chance.choice(list(KEY_PINS))
        handset.key(name, chance.randrange(2), bounces=2, seed=chance.randrange(99))
        handset.run_ms(chance.uniform(0, 40))
    left = chip.read(first_free, chip.ram_end + 1 - first_free)
    paint = re.match(bytes([figures.PAINT]) + b"*", left)
    assert paint and len(paint[0]) > 20, "the stack came near to the variables"
    return Worst(
        len(left) - len(paint[0]), chip.figures.unread_most, chip.figures.interrupts_off_longest
    )


def worst(frames: int) -> Worst:
    """The worst of service, wrist timer and pairing, each under frames, noise and thumbs."""
    chance = random.Random(29)
    handset, controller = linked()
    drive = []
    for _ in range(frames):
        phase = chance.choice(list(PhaseCode))
        flags = StateFlag(chance.randrange(16))
        wire = bytearray(controller.wire(phase=phase, remaining_10ms=900, flags=flags))
        if chance.random() < 0.2:
            wire[chance.randrange(len(wire))] ^= 1 << chance.randrange(8)
        drive.append(bytes(wire) if chance.random() < 0.9 else chance.randbytes(70))
    found = [_painted(handset, drive, 1)]
    wrist = HandsetOnChip(paired_memory(), down=("READY",))
    wrist.run_ms(2500)
    wrist.key("READY", 1)
    found.append(_painted(wrist, [b"\0"] * frames, 2))
    pairing = HandsetOnChip(paired_memory(), down=("NUMBER_40", "UNDO"))
    pairing.run_ms(2500)
    orders = [keys_frame(number, bytes([number] * 16)) for number in range(1, 6)]
    found.append(_painted(pairing, orders, 3))
    return Worst(*(max(getattr(each, name) for each in found) for name in Worst.__slots__))


def _span(values: list[float]) -> str:
    return f"{min(values):.1f}..{max(values):.1f} ms"


def report() -> str:
    """All of it in lines."""
    lines = []
    for layout in ("twelve", "four"):
        path = image(layout)
        flash, ram = figures.sizes(path)
        summed, on_path = figures.stack_summed(path)
        lines += [
            path.with_suffix(".txt").read_text().strip(),
            f"flash                    {flash} of {figures.FLASH} bytes",
            f"RAM without stack        {ram} of {figures.RAM} bytes",
            f"stack, summed            {summed} bytes: {' > '.join(on_path)}",
        ]
    under = worst(300)
    quiet, busy = edge_to_last_byte(100), edge_to_last_byte(100, (0, 5))
    lines += [
        f"stack, painted           {under.stack} bytes under frames, noise and thumbs",
        f"interrupts off           at most {under.interrupts_off} cycles; two bytes take 4160",
        f"bytes waiting            at most {under.unread}; the chip has room for 2",
        f"edge to last byte        {_span(quiet)} (at most {PRESS_LIMIT_MS})",
        f"the same, 0-5 ms after a STATE: its tag first  {_span(busy)}",
    ]
    return "\n".join(lines)
