"""A simulated board node with its lamps: registers, segments and blanking, none the firmware's.

The registers behave as the data sheet of a 74HC595 says (function table): the shift register moves
on the rising edge of its shift clock, the outputs take it over on the rising edge of the latch
clock, the serial output is the last stage. Segments are named as on every seven-segment lamp: a is
the top bar, then clockwise, g the middle one (common practice; PROTOCOL.md, "Lamps").
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from pathlib import Path

from tests.firmware.chip import HEARD, PIN, POWER_ON, RESET, SENT, Chip, Event

# hardware/firmware/board/PINS.md
BLANK = ("D", 6)
DATA, CLOCK, LATCH = ("B", 0), ("B", 1), ("B", 2)
NUMBER = (("C", 0), ("C", 1), ("C", 2))
DRIVE = ("C", 3)
RETURN = ("C", 4)
SUPPLY_CHANNEL = 5
DIVIDER = 20 / (82 + 20)

# What a player sees of each numeral, drawn: a seven-segment digit in three rows of three.
_DRAWN = """
 _       _   _       _   _   _   _   _
| |   |  _|  _| |_| |_  |_    | |_| |_|
|_|   | |_   _|   |  _| |_|   | |_|  _|
"""
_PLACES = (
    (0, 1, "a"),
    (1, 2, "b"),
    (2, 2, "c"),
    (2, 1, "d"),
    (2, 0, "e"),
    (1, 0, "f"),
    (1, 1, "g"),
)
POINT = 0x80


def _read_drawing() -> dict[int, str]:
    rows = [row.ljust(40) for row in _DRAWN.split("\n")[1:4]]
    digits = {0: " "}
    for digit in range(10):
        lit = [name for row, column, name in _PLACES if rows[row][4 * digit + column] != " "]
        digits[sum(1 << "abcdefg".index(name) for name in lit)] = str(digit)
    return digits


DIGITS = _read_drawing()


@dataclass(slots=True)
class Registers:
    """The chain: 16 stages, the tens' register first."""

    shifted: int = 0x5AA5  # what registers hold at power-up is chance
    outputs: int = 0xA55A
    stuck: int | None = None
    """A level that the chain's end is stuck at, or None."""
    upset: tuple[int, int] = (0, 0)
    """Lamps (tens, units) that the shift registers gain by a disturbance after each latch."""
    data: int = 0

    def clocked(self) -> None:
        self.shifted = (self.shifted << 1 | self.data) & 0xFFFF

    def latched(self) -> None:
        self.outputs = self.shifted
        self.shifted |= self.upset[1] << 8 | self.upset[0]

    @property
    def end(self) -> int:
        return self.shifted >> 15 & 1 if self.stuck is None else self.stuck

    @property
    def digits(self) -> tuple[int, int]:
        """Lamps of tens and units. The tens' register is the first: it has what came in last."""
        return self.outputs & 0xFF, self.outputs >> 8


def text_of(digits: tuple[int, int]) -> str:
    """What a player reads: "40", " 7"; "**" for all lamps; "?" for no digit."""
    if digits == (0xFF, 0xFF):
        return "**"
    return "".join(DIGITS.get(digit, "?") for digit in digits)


@dataclass(frozen=True, slots=True)
class Face:
    """What the outputs hold from a cycle on, whether or not they are lit."""

    cycle: int
    digits: tuple[int, int]

    @property
    def text(self) -> str:
        return text_of(self.digits)


@dataclass(frozen=True, slots=True)
class Answer:
    """A frame that the node sent, with the cycles of driver on, first byte and driver off."""

    wire: bytes
    driver_on_at: int
    starts_at: tuple[int, ...]
    driver_off_at: int


@dataclass(slots=True)
class BoardNode:
    """One node: the chip with its chain, jumpers and supply."""

    image: Path
    number: int = 1
    supply_v: float = 12.0
    chip: Chip = field(init=False)
    registers: Registers = field(default_factory=Registers)
    faces: list[Face] = field(default_factory=list)
    blank: list[tuple[int, int]] = field(default_factory=list)
    """Cycle and level of the blanking pin: 1 is dark."""
    heard: list[tuple[int, int]] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    sent: list[tuple[int, int]] = field(default_factory=list)
    drive: list[tuple[int, int]] = field(default_factory=list)
    resets: list[int] = field(default_factory=list)
    _driver_on_at: int | None = None
    _sending: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        chip = self.chip = Chip(self.image)
        for bit, pin in enumerate(NUMBER):
            chip.drive(pin, 0 if (self.number - 1) >> bit & 1 else 1)
        chip.drive(BLANK, 1)  # the resistors of PINS.md
        chip.drive(DRIVE, 0)
        chip.drive(CLOCK, 0)
        chip.drive(LATCH, 0)
        chip.drive(RETURN, self.registers.end)
        chip.adc(SUPPLY_CHANNEL, round(1000 * self.supply_v * DIVIDER))
        chip.hook(DATA, self._data)
        chip.hook(CLOCK, self._clock)
        chip.hook(LATCH, self._latch)
        chip.watch(BLANK)
        chip.watch(DRIVE)
        chip.reset(POWER_ON)
        self._note_face()
        self.blank.append((chip.cycle, 1))

    def _data(self, level: int) -> None:
        self.registers.data = level

    def _clock(self, level: int) -> None:
        if level:
            self.registers.clocked()
            self.chip.drive(RETURN, self.registers.end)

    def _latch(self, level: int) -> None:
        if level:
            self.registers.latched()
            self._note_face()

    def _note_face(self) -> None:
        digits = self.registers.digits
        if not self.faces or self.faces[-1].digits != digits:
            self.faces.append(Face(self.chip.cycle, digits))

    # Run

    def run(self, until: int) -> None:
        """Run up to a cycle, and sort what happened."""
        self.chip.run(until)
        for event in self.chip.events():
            self._sort(event)

    def run_ms(self, ms: float) -> None:
        self.run(self.chip.cycle + self.chip.cycles(ms))

    def _sort(self, event: Event) -> None:
        if event.what == HEARD:
            self.heard.append((event.cycle, event.value))
        elif event.what == SENT:
            self.sent.append((event.cycle, event.value))
            self._sending.append((event.cycle, event.value))
        elif event.what == RESET:
            self.resets.append(event.cycle)
            self._sending.clear()
        elif event.what == PIN and event.pin == BLANK:
            if self.blank[-1][1] != event.value:
                self.blank.append((event.cycle, event.value))
        elif event.pin == DRIVE:
            self.drive.append((event.cycle, event.value))
            if event.value:
                self._driver_on_at = event.cycle
            elif self._driver_on_at is not None and self._sending:
                starts, data = zip(*self._sending, strict=True)
                self.answers.append(
                    Answer(bytes(data), self._driver_on_at, tuple(starts), event.cycle)
                )
                self._sending.clear()

    def hear(self, wire: bytes, at: int | None = None) -> int:
        """Put bytes on the line and run to the last one's end; gives that cycle."""
        end = self.chip.send(wire, at)
        self.run(end)
        return end

    # What is seen

    def blank_at(self, cycle: int) -> int:
        place = bisect_right(self.blank, (cycle, 2)) - 1
        return self.blank[place][1]

    def lit_share(self, first: int, last: int) -> float:
        """How much of the time from ``first`` to ``last`` the lamps had current."""
        lit, at, level = 0, first, self.blank_at(first)
        for cycle, new in self.blank[bisect_right(self.blank, (first, 2)) :]:
            if cycle >= last:
                break
            lit += 0 if level else cycle - at
            at, level = cycle, new
        lit += 0 if level else last - at
        return lit / (last - first)

    def digits_at(self, cycle: int) -> tuple[int, int]:
        """The lamps that the latches hold, when they have current in the 160 us up to ``cycle``."""
        window = self.chip.cycles(0.16)
        if self.lit_share(max(0, cycle - window), cycle) == 0:
            return 0, 0
        return self.faces[bisect_right(self.faces, cycle, key=lambda face: face.cycle) - 1].digits

    def text_at(self, cycle: int) -> str:
        return text_of(self.digits_at(cycle))

    @property
    def digits(self) -> tuple[int, int]:
        """The lamps that are lit now."""
        return self.digits_at(self.chip.cycle)

    @property
    def text(self) -> str:
        """What a player reads now."""
        return self.text_at(self.chip.cycle)
