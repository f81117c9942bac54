"""What a configuration holds. :mod:`controller.config.load` reads it from a file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple, TypeAlias

from controller.rules.settings import Settings

if TYPE_CHECKING:
    from drivers.base import Key
    from drivers.board.gpio_segments import SegmentPins
    from drivers.board.registers import RegisterMap
    from drivers.board.text_layout import TextLayout
    from drivers.handset.gpio import KeyPins

BoardDetails: TypeAlias = "RegisterMap | TextLayout | SegmentPins | None"
HandsetDetails: TypeAlias = "KeyPins | Mapping[int, Key] | None"

Role = Literal["keeper", "field", "shadow"]
Layout = Literal["twelve", "four"]
Rs485 = Literal["adapter", "kernel"]
Parity = Literal["none", "even", "odd"]
StartsOn = Literal["dead_ball", "ready_for_play", "referee_signal"]

ROLES: tuple[Role, ...] = ("keeper", "field", "shadow")
LAYOUTS: tuple[Layout, ...] = ("twelve", "four")
RS485: tuple[Rs485, ...] = ("adapter", "kernel")
STARTS_ON: tuple[StartsOn, ...] = ("dead_ball", "ready_for_play", "referee_signal")


class DriverKind(NamedTuple):
    """A driver that a file may name, and what it cannot do without.

    ``has_table`` if it has one of its own name, ``numbered`` if boards have numbers on it;
    ``authenticated`` is false when anyone could press the keys behind it.
    """

    name: str
    needs_port: bool = False
    needs_key: bool = False
    has_table: bool = False
    numbered: bool = False
    authenticated: bool = True


BOARD_DRIVERS = (
    DriverKind("node", needs_port=True, numbered=True),
    DriverKind("modbus", needs_port=True, has_table=True),
    DriverKind("text_line", needs_port=True, has_table=True),
    DriverKind("gpio_segments", has_table=True),
    DriverKind("simulated", numbered=True),
)
HANDSET_DRIVERS = (
    DriverKind("radio", needs_port=True, needs_key=True),
    DriverKind("gpio", has_table=True, authenticated=False),
    DriverKind("input_event", needs_port=True, has_table=True, authenticated=False),
    DriverKind("simulated"),
)

LINE_BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
"""The usual rates of ready-made displays."""
PARITIES: tuple[Parity, ...] = ("none", "even", "odd")

BOARD_BAUDS = (9600, 19200, 38400, 76800, 125000, 250000, 500000)
"""Rates a 16 MHz board node makes within 0.2 %: 16 MHz / (8 x (UBRR + 1)), ATmega328P data sheet,
USART in double speed (formula from memory). 57,600 would be 0.8 % slow and 115,200 2.1 % fast."""

HANDSET_BAUDS = (38400, 57600, 115200)
"""Rates of a radio receiver's serial side, which has no 16 MHz clock to divide."""


@dataclass(frozen=True, slots=True)
class BoardConfig:
    """One board. ``port`` is None for a driver without one; ``baud`` in bits per second; ``node``
    is 0 for a driver that does not number its boards, ``details`` what its own table says."""

    name: str
    driver: str
    port: str | None
    node: int
    rs485: Rs485
    baud: int
    parity: Parity = "none"
    stop_bits: int = 1
    details: BoardDetails = None


@dataclass(frozen=True, slots=True)
class HandsetConfig:
    """One handset. ``port`` is None for a driver without one; ``baud`` in bits per second;
    ``details`` is what its driver's own table says."""

    driver: str
    id: int
    role: Role
    layout: Layout
    port: str | None
    baud: int
    details: HandsetDetails = None


@dataclass(frozen=True, slots=True)
class ConsoleConfig:
    """The keys of the console."""

    enabled: bool
    role: Role


@dataclass(frozen=True, slots=True)
class Override:
    """A ruling that a league or state adopted in place of the rule set's.

    ``citation`` says who adopted it.
    """

    ending: str
    seconds: int
    starts_on: StartsOn
    citation: str


@dataclass(frozen=True, slots=True)
class Config:
    """A whole configuration. ``source`` names the file; ``brightness`` is 1-15."""

    source: str
    rules: str
    season: int | None
    state_folder: Path
    runtime_folder: Path
    journal: Path
    controller_id: int | None
    brightness: int
    allow_unauthenticated: bool
    key_file: Path | None
    play_clock: Settings
    boards: tuple[BoardConfig, ...]
    handsets: tuple[HandsetConfig, ...]
    console: ConsoleConfig
    overrides: tuple[Override, ...]
    options: tuple[tuple[str, str], ...] = ()
    """Published values chosen in place of the rule set's own: name and value."""

    @property
    def has_boards(self) -> bool:
        """False for a crew without boards, which has to say so on the command line."""
        return bool(self.boards)
