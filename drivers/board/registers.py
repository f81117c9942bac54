"""What a Modbus display wants in its registers for each face. Pure.

Addresses are those on the wire, from 0; a manual that counts holding registers from 40001 means 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from drivers.base import Face
from drivers.board.segments import DARK_SEGMENTS, LAMP_TEST_SEGMENTS, read_back, segments
from drivers.kind import DeviceTable

Format = Literal["binary", "bcd", "ascii", "segments"]
Function = Literal[6, 16]
ReadFunction = Literal[3, 4]
FORMATS: tuple[Format, ...] = get_args(Format)
FUNCTIONS: tuple[Function, ...] = get_args(Function)
READ_FUNCTIONS: tuple[ReadFunction, ...] = get_args(ReadFunction)
LAMP_TEST = 88
"""All bars of two seven-segment digits."""
NATURAL_BLANKS: dict[str, int] = {"ascii": 0x2020, "segments": 0x0000}
"""Two spaces, and no lamp; a number has no natural blank."""


@dataclass(frozen=True, slots=True)
class RegisterMap(DeviceTable):
    """The registers of one display, each 0-65535.

    ``unit`` 1-247 is its address on the line. ``register`` takes the numerals as ``format`` says:
    "binary" 0-99, "bcd" a digit in each of the low half-bytes, "ascii" and "segments" (bit 0 is a)
    with the tens in the high byte. ``blank`` darkens it. ``function`` 6 or 16 writes. The
    brightness goes to ``brightness_register`` as 1 to ``brightness_most``. ``read_back_register``
    tells what the lamps really show, in the same format, and is read with ``read_back_function``,
    3 or 4, at the earliest ``read_back_after_ms`` (50-900) after a change.

    Raises ``ValueError``, which begins with the name of the field at fault.
    """

    unit: int
    register: int
    format: Format
    blank: int | None = None
    function: Function = 6
    brightness_register: int | None = None
    brightness_most: int = 15
    read_back_register: int | None = None
    read_back_function: ReadFunction = 3
    read_back_after_ms: int = 90

    def __post_init__(self) -> None:
        if self.blank is None and self.format not in NATURAL_BLANKS:
            raise ValueError(f'blank: missing; format = "{self.format}" has no natural blank')
        if self.dark in {self._numerals(value) for value in range(100)}:
            raise ValueError(f"blank: {self.dark} is the value of a numeral")
        if self.brightness_register == self.register:
            raise ValueError(f"brightness_register: {self.register} holds the numerals")
        if self.read_back_register == self.register and self.read_back_function == 3:
            raise ValueError(
                f"read_back_register: {self.register} is where the numerals are written: it gives "
                f"back what was written, not what the lamps show"
            )

    @property
    def address(self) -> str:
        return f"unit {self.unit}"

    @property
    def dark(self) -> int:
        """The value that darkens the display."""
        return NATURAL_BLANKS[self.format] if self.blank is None else self.blank

    def value(self, face: Face) -> int:
        """What the register of the numerals must hold."""
        if face.lamp_test:
            if self.format == "segments":
                return LAMP_TEST_SEGMENTS[0] << 8 | LAMP_TEST_SEGMENTS[1]
            return self._numerals(LAMP_TEST)
        return self.dark if face.numerals is None else self._numerals(face.numerals)

    def brightness(self, face: Face) -> int:
        """What the register of the brightness must hold."""
        return max(1, round(face.brightness * self.brightness_most / 15))

    def words(self, value: int) -> str:
        """What a value of the register shows, in plain words."""
        if value == self.dark:
            return "dark"
        if self.format == "segments":
            lamps = value >> 8, value & 0xFF
            return "dark" if lamps == DARK_SEGMENTS else read_back(lamps)
        shown = next((n for n in range(100) if self._numerals(n) == value), None)
        return f"register {value:04X}" if shown is None else str(shown)

    def _numerals(self, numerals: int) -> int:
        tens, units = divmod(numerals, 10)
        if self.format == "binary":
            return numerals
        if self.format == "bcd":
            return tens << 4 | units
        if self.format == "ascii":
            return int.from_bytes(f"{numerals:2d}".encode("ascii"), "big")
        lamps = segments(numerals)
        return lamps[0] << 8 | lamps[1]
