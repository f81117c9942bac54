"""One simulated AVR, cycle by cycle: bytes and levels in, pin edges and bytes sent out.

``chip.c`` does it, over libsimavr; see there for what simavr gets wrong and what is done about it.
Nothing in here knows what the firmware is for.
"""

from __future__ import annotations

import ctypes
import functools
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from tests.firmware import building

Pin = tuple[str, int]
"""Port and bit: ("D", 6) is PD6."""

BAUD = 38_400
BITS_OF_A_BYTE = 10

PIN, SENT, HEARD, RESET = range(4)
_SEND_BYTE, _DRIVE_PIN = range(2)

POWER_ON, EXTERNAL, BROWN_OUT, WATCHDOG = 1, 2, 4, 8
"""Causes of a reset, as in MCUSR of the ATmega328P."""
_MCUSR = 0x54
_STATES_OF_NO_RETURN = {1: "stopped", 6: "slept with interrupts off", 7: "crashed"}


class Event(NamedTuple):
    """What happened at a cycle: a PIN moved to a level, a byte was SENT (its start) or HEARD (its
    end), or a RESET."""

    cycle: int
    what: int
    pin: Pin | None
    value: int


class Figures(NamedTuple):
    """Measured since the firmware first enabled interrupts.

    ``unread_most``: bytes that waited when another one was complete (the chip has room for two).
    ``interrupts_off_longest``: cycles. ``lowest_stack``: address.
    """

    unread_most: int
    interrupts_off_longest: int
    interrupts_off_until: int
    lowest_stack: int
    resets: int


class _RawEvent(ctypes.Structure):
    _fields_ = (
        ("cycle", ctypes.c_uint64),
        ("what", ctypes.c_uint32),
        ("place", ctypes.c_uint32),
        ("value", ctypes.c_uint32),
    )


_HOOK = ctypes.CFUNCTYPE(None, ctypes.c_uint32, ctypes.c_uint32)


@functools.cache
def _library() -> ctypes.CDLL:
    flags = ("-std=gnu11", "-O2", "-shared", "-fPIC", "-isystem", "/usr/include/simavr")
    path = building.program("chip.so", [building.HERE / "chip.c"], [*flags, "-lsimavr", "-lelf"])
    library = ctypes.CDLL(str(path))
    chip, u32, u64 = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint64
    for name, result, *arguments in (
        ("chip_new", chip, ctypes.c_char_p, ctypes.c_char_p, u32, u32),
        ("chip_free", None, chip),
        ("chip_reset", None, chip, u32, u32),
        ("chip_set_hook", None, chip, _HOOK),
        ("chip_watch", ctypes.c_int, chip, u32, ctypes.c_int),
        ("chip_drive", None, chip, u32, u32),
        ("chip_set_adc", None, chip, u32, u32),
        ("chip_order", None, chip, u64, u32, u32, u32),
        ("chip_run", ctypes.c_int, chip, u64),
        ("chip_cycle", u64, chip),
        ("chip_event_count", ctypes.c_size_t, chip),
        ("chip_take_events", None, chip, ctypes.POINTER(_RawEvent)),
        ("chip_memory", ctypes.POINTER(ctypes.c_uint8), chip),
        ("chip_flash", ctypes.POINTER(ctypes.c_uint8), chip),
        ("chip_ram_end", u32, chip),
        ("chip_eeprom", ctypes.c_int, chip, ctypes.c_char_p, u32, u32, ctypes.c_int),
        ("chip_figures", None, chip, ctypes.POINTER(u64)),
    ):
        function = getattr(library, name)
        function.restype, function.argtypes = result, arguments
    return library


def _place(pin: Pin) -> int:
    return ord(pin[0]) << 8 | pin[1]


class Chip:
    """A chip that runs an ELF image.

    ``supply_mv`` is what the chip itself is fed with, and its converter's reference.
    """

    def __init__(
        self,
        elf: Path,
        *,
        mcu: str = "atmega328p",
        hz: int = 16_000_000,
        supply_mv: int = 5_000,
    ) -> None:
        self.hz = hz
        self.byte_cycles = hz * BITS_OF_A_BYTE / BAUD
        """One byte on the line at exactly 38,400 baud."""
        self._library = _library()
        self._chip = self._library.chip_new(str(elf).encode(), mcu.encode(), hz, supply_mv)
        assert self._chip, f"cannot run {elf} on {mcu}"
        self._hooks: dict[int, Callable[[int], None]] = {}
        self._hook = _HOOK(lambda place, level: self._hooks[place](level))
        self._library.chip_set_hook(self._chip, self._hook)

    def __del__(self) -> None:
        if getattr(self, "_chip", None):
            self._library.chip_free(self._chip)

    @property
    def cycle(self) -> int:
        """Cycles since the chip was made."""
        return int(self._library.chip_cycle(self._chip))

    def cycles(self, ms: float) -> int:
        """How many cycles ``ms`` milliseconds are."""
        return round(ms * self.hz / 1000)

    # In

    def watch(self, pin: Pin) -> None:
        """Note this pin's changes as events from now on."""
        assert self._library.chip_watch(self._chip, _place(pin), 0) == 0, pin

    def hook(self, pin: Pin, changed: Callable[[int], None]) -> None:
        """Call ``changed`` with the level, at the very cycle, when this pin changes."""
        self._hooks[_place(pin)] = changed
        assert self._library.chip_watch(self._chip, _place(pin), 1) == 0, pin

    def drive(self, pin: Pin, level: int, at: int | None = None) -> None:
        """Hold an input at a level, now or from cycle ``at`` on.

        This is how resistors, jumpers, buttons and the outputs of other chips are connected. What
        has never been driven follows the chip's own pull-up.
        """
        if at is None:
            self._library.chip_drive(self._chip, _place(pin), level)
        else:
            self._library.chip_order(self._chip, at, _DRIVE_PIN, _place(pin), level)

    def adc(self, channel: int, mv: int) -> None:
        """Put a voltage on a channel of the converter."""
        self._library.chip_set_adc(self._chip, channel, mv)

    def send(self, data: bytes, at: int | None = None, *, byte_cycles: float = 0) -> int:
        """Put bytes on the line; the first one's start bit begins at cycle ``at``, or now.

        Gives the cycle at which the last one's stop bit ends. Later bytes of the same line must
        not start before that.
        """
        start = self.cycle if at is None else at
        each = byte_cycles or self.byte_cycles
        end = start
        for place, byte in enumerate(data, 1):
            end = start + round(place * each)
            self._library.chip_order(self._chip, end, _SEND_BYTE, 0, byte)
        return end

    def reset(self, causes: int = EXTERNAL) -> None:
        """Reset the chip now, with these causes in MCUSR."""
        self._library.chip_reset(self._chip, _MCUSR, causes)

    # Time

    def run(self, until: int) -> None:
        """Run up to a cycle."""
        state = self._library.chip_run(self._chip, until)
        assert state not in _STATES_OF_NO_RETURN, (
            f"the firmware {_STATES_OF_NO_RETURN.get(state)} at cycle {self.cycle}"
        )

    def run_ms(self, ms: float) -> None:
        """Run on for some milliseconds."""
        self.run(self.cycle + self.cycles(ms))

    # Out

    def events(self) -> list[Event]:
        """What happened since the last call, in order."""
        count = self._library.chip_event_count(self._chip)
        raw = (_RawEvent * count)()
        self._library.chip_take_events(self._chip, raw)
        return [
            Event(
                each.cycle,
                each.what,
                (chr(each.place >> 8), each.place & 7) if each.what == PIN else None,
                each.value,
            )
            for each in raw
        ]

    @property
    def figures(self) -> Figures:
        """What was measured on the way."""
        values = (ctypes.c_uint64 * 5)()
        self._library.chip_figures(self._chip, values)
        return Figures(*values)

    @property
    def ram_end(self) -> int:
        """The last address of RAM, where the stack begins."""
        return int(self._library.chip_ram_end(self._chip))

    def read(self, address: int, length: int) -> bytes:
        """Registers and RAM."""
        memory = self._library.chip_memory(self._chip)
        return bytes(memory[address : address + length])

    def write(self, address: int, data: bytes) -> None:
        """Change RAM, as nothing real could: to paint the stack, or to break something."""
        memory = self._library.chip_memory(self._chip)
        for place, byte in enumerate(data):
            memory[address + place] = byte

    def write_flash(self, address: int, data: bytes) -> bytes:
        """Change the program, to see what becomes of a broken one; gives what stood there."""
        flash = self._library.chip_flash(self._chip)
        before = bytes(flash[address : address + len(data)])
        for place, byte in enumerate(data):
            flash[address + place] = byte
        return before

    def eeprom(self, offset: int, length: int) -> bytes:
        """What EEPROM holds."""
        buffer = ctypes.create_string_buffer(length)
        assert self._library.chip_eeprom(self._chip, buffer, offset, length, 0) == 0
        return buffer.raw

    def set_eeprom(self, offset: int, data: bytes) -> None:
        """Change EEPROM, as a programmer does."""
        assert self._library.chip_eeprom(self._chip, data, offset, len(data), 1) == 0


@functools.cache
def symbols(elf: Path) -> dict[str, tuple[int, int]]:
    """Address and size of every variable and function; those of RAM as :meth:`Chip.read` has them.

    avr-nm puts RAM at 800000 and up.
    """
    found = {}
    for line in building.run("avr-nm", "--print-size", elf).splitlines():
        match line.split():
            case [address, size, kind, name] if kind.lower() in "bdt":
                found[name] = (int(address, 16) & 0xFFFF, int(size, 16))
            case [address, _, name]:
                found[name] = (int(address, 16) & 0xFFFF, 0)
    return found
