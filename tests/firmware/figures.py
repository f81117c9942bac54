"""Measures the board node on the simulated chip: sizes, stack, latencies. Times are in cycles."""

from __future__ import annotations

import random
import re
from dataclasses import dataclass
from pathlib import Path

from tests.firmware import building
from tests.firmware.board import BoardNode
from tests.firmware.chip import symbols
from tests.shared.frames import Show, make_show

# The bounds: PROTOCOL.md, "Rules of a node", and what this firmware sets itself beyond it.
LATCH_MS = 0.3
APART_MS = 0.2
ANSWER_MS = (2.0, 3.0)
DARK_MS = (1500.0, 1600.0)
FLASH, RAM = 32 * 1024, 2048
TIMSK1, OCIE1B = 0x6F, 0x04  # data sheet, "16-bit Timer/Counter1"


def show(stamp: int, numerals: int, *, brightness: int = 15, ask: int = 0) -> bytes:
    """A SHOW by the usual controller to all nodes."""
    return make_show(Show(0x1A2B, stamp, numerals, brightness, ask, 0xFF))


@dataclass(frozen=True, slots=True)
class Times:
    """The shortest and the longest of each, in cycles at 16 MHz, counted from the end of the stop
    bit of SHOW's last byte.

    ``latch``: both digits. ``ready``: the answer is made, in steps of 10 us. ``answer``: start of
    its first byte. ``driver``: driver on before that byte. ``gap``: how late each next byte is
    handed to the UART, which in simavr has no room for one more while it sends; on the chip that
    is early by a byte. ``release``: driver off after the answer's last stop bit. ``dark``: current
    of the lamps off after the last SHOW.
    """

    latch: tuple[int, int]
    ready: tuple[int, int]
    answer: tuple[int, int]
    driver: tuple[int, int]
    gap: tuple[int, int]
    release: tuple[int, int]
    dark: tuple[int, int]


def _span(values: list[int]) -> tuple[int, int]:
    return min(values), max(values)


def _ready_at(node: BoardNode) -> int:
    """Run until the interrupt that starts the answer is allowed; gives that cycle."""
    latest = node.chip.cycle + node.chip.cycles(ANSWER_MS[1])
    while not node.chip.read(TIMSK1, 1)[0] & OCIE1B:
        assert node.chip.cycle < latest, "no answer"
        node.run(node.chip.cycle + 160)
    return node.chip.cycle


def latencies(image: Path, shows: int) -> Times:
    """Measure with frames at every phase of the node's millisecond, seeded."""
    dice = random.Random(16)
    node = BoardNode(image)
    node.run_ms(5)
    latch, ready, answer, driver, gap, release, dark = [], [], [], [], [], [], []
    byte = 4160  # the node's own: 26 * 16 cycles a bit
    for stamp in range(1, shows + 1):
        node.run(node.chip.cycle + dice.randrange(200_000))
        end = node.hear(show(stamp, stamp % 100, ask=1))
        ready.append(_ready_at(node) - end)
        node.run_ms(10)
        latch.append(node.faces[-1].cycle - end)
        sent = node.answers[-1]
        answer.append(sent.starts_at[0] - end)
        driver.append(sent.starts_at[0] - sent.driver_on_at)
        pairs = zip(sent.starts_at, sent.starts_at[1:], strict=False)
        gap += [second - first - byte for first, second in pairs]
        release.append(sent.driver_off_at - sent.starts_at[0] - len(sent.wire) * byte)
        if stamp % 10 == 0:
            node.run_ms(1600)
            dark.append(node.blank[-1][0] - end)
    assert len(node.answers) == shows
    return Times(*map(_span, (latch, ready, answer, driver, gap, release, dark)))


def apart(image: Path, shows: int) -> int:
    """How far apart two nodes on one pair latch, at most, each at its own phase."""
    dice = random.Random(2)
    nodes = [BoardNode(image, number=number) for number in (1, 2)]
    nodes[0].run(nodes[0].chip.cycle + 7_777)  # not powered up at one instant
    at, most = 200_000, 0
    for stamp in range(1, shows + 1):
        at += 80_000 + dice.randrange(100_000)
        for node in nodes:
            node.run(at)
            node.hear(show(stamp, stamp % 100, ask=stamp % 3), at)
            node.run(at + 80_000 - 1_000)
        first, second = (node.faces[-1].cycle for node in nodes)
        assert nodes[0].text == nodes[1].text == f"{stamp % 100:2d}"
        most = max(most, abs(first - second))
    return most


PAINT = 0xC5


@dataclass(frozen=True, slots=True)
class Stack:
    """Bytes of stack: the deepest seen by the paint that was left, and by the stack pointer."""

    painted: int
    pointed: int
    unread_most: int
    interrupts_off: int


def stack_under_fuzz(image: Path, frames: int) -> Stack:
    """Paint the free RAM, let the node hear good frames, broken ones and noise, and look."""
    dice = random.Random(328)
    node = BoardNode(image)
    chip = node.chip
    first_free = symbols(image)["_end"][0]
    chip.write(first_free, bytes([PAINT]) * (chip.ram_end + 1 - first_free))
    for stamp in range(1, frames + 1):
        wire = bytearray(show(stamp, dice.randrange(100), ask=dice.randrange(3)))
        match dice.randrange(4):
            case 0:
                wire[dice.randrange(len(wire))] = dice.randrange(256)
            case 1:
                wire = bytearray(dice.randbytes(dice.choice([1, 20, 66, 90])))
        node.hear(bytes(wire))
        if dice.random() < 0.5:  # else the next frame falls into the answer
            node.run_ms(dice.choice([0.1, 3, 12]))
    left = chip.read(first_free, chip.ram_end + 1 - first_free)
    unpainted = len(left) - len(re.match(bytes([PAINT]) + b"*", left)[0])  # type: ignore[index]
    figures = chip.figures
    return Stack(
        unpainted,
        chip.ram_end - figures.lowest_stack,
        figures.unread_most,
        figures.interrupts_off_longest,
    )


def sizes(image: Path) -> tuple[int, int]:
    """Bytes of flash and of RAM without the stack."""
    _, line = building.run("avr-size", image).splitlines()
    text, data, bss = map(int, line.split()[:3])
    return text + data, data + bss


RETURN_ADDRESS = 2


def stack_summed(image: Path) -> tuple[int, list[str]]:
    """The deepest that the stack can be, and the path to it: the deepest path of calls below
    ``main`` and the deepest of the interrupts on top, which do not nest.

    Frames are the compiler's own (``-fstack-usage``: saved registers, locals and the return
    address); calls are read from the disassembly, so that what was inlined counts once.
    """
    frames: dict[str, int] = {}
    for usage in image.parent.glob("*.su"):
        for line in usage.read_text().splitlines():
            where, size, kind = line.split("\t")
            assert kind == "static", line
            name = where.rsplit(":", 1)[1]
            frames[name] = max(int(size), frames.get(name, 0))
    calls: dict[str, set[str]] = {}
    name = ""
    for line in building.run("avr-objdump", "-d", image).splitlines():
        if begins := re.match(r"[0-9a-f]+ <(.+)>:", line):
            name = begins[1]
            calls[name] = set()
        elif re.search(r"\t(i|ei)call|\t(i|ei)jmp", line):
            raise AssertionError(f"{name} jumps to what nobody can see: {line}")
        elif goes := re.search(r"\tr?(?:call|jmp)\t.*<([^+>]+)(?:\+0x[0-9a-f]+)?>", line):
            calls[name] |= {goes[1]} - {name}

    def deepest(function: str, above: tuple[str, ...]) -> tuple[int, list[str]]:
        assert function not in above, f"recursion: {above}"
        # The disassembly may name the top of RAM, __stack, for a place in flash: no function.
        within = [each for each in calls[function] if each in calls]
        below = [deepest(each, (*above, function)) for each in within]
        size, path = max(below, default=(0, []))
        plain = function.split(".", maxsplit=1)[0]  # what the compiler made of it: judge.part.1
        return frames.get(plain, RETURN_ADDRESS) + size, [function, *path]

    vectors = [name for name in calls if name.startswith("__vector_") and name in frames]
    main, path = deepest("main", ())
    interrupt, on_top = max(deepest(vector, ()) for vector in vectors)
    return main + interrupt, [*path, *on_top]
