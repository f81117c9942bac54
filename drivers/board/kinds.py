"""The drivers of boards that a configuration may name, and a board as its driver sees it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from drivers.base import Board, Parity, Port, Rs485, StopBits
from drivers.kind import PIN_CURES, DeviceTable, DriverKind, Site, TableReader

NODE_BAUDS = (9600, 19200, 38400, 76800, 125000, 250000, 500000)
"""Rates a 16 MHz board node makes within 0.2 %: 16 MHz / (8 x (UBRR + 1)), ATmega328P data sheet,
USART in double speed (formula from memory). 57,600 would be 0.8 % slow and 115,200 2.1 % fast."""
LINE_BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
"""The usual rates of ready-made displays."""
ANY_BAUDS = tuple(sorted({*NODE_BAUDS, *LINE_BAUDS}))


@dataclass(frozen=True, slots=True)
class BoardConfig:
    """One board. ``port`` is None for a driver without one; ``baud`` in bits per second; ``node``
    is 0 for a driver that does not number its boards, ``details`` what its own table says."""

    name: str
    driver: str
    port: str | None
    node: int
    rs485: Rs485 = "adapter"
    baud: int = 38400
    parity: Parity = "none"
    stop_bits: StopBits = 1
    details: DeviceTable | None = None

    def line(self, site: Site) -> Port:
        """The serial port that it hangs on."""
        return site.serial_port(
            str(self.port),
            self.baud,
            rs485=self.rs485,
            parity=self.parity,
            stop_bits=self.stop_bits,
        )


@dataclass(frozen=True, kw_only=True)
class BoardKind(DriverKind):
    """A driver of boards.

    ``numbered`` if boards have numbers on it; ``framing_fixed`` says why its line has neither
    parity nor more stop bits to choose.
    """

    folder = "drivers.board"
    numbered: bool = False
    framing_fixed: str = ""

    def read(self, table: TableReader) -> DeviceTable | None:
        """What the driver's own table says; None when something is wrong with it."""
        details: DeviceTable | None = self.module.read_table(table)
        return details

    def build(self, boards: Sequence[BoardConfig], site: Site) -> Board:
        """The driver of ``boards``, which hang on one port."""
        board: Board = self.module.build(boards, site)
        return board


BOARD_KINDS = (
    BoardKind(
        name="node",
        needs_port=True,
        shared=True,
        numbered=True,
        bauds=NODE_BAUDS,
        baud=38400,
        framing_fixed="a board node's line has neither; leave this out",
    ),
    BoardKind(
        name="modbus", needs_port=True, has_table=True, shared=True, bauds=LINE_BAUDS, baud=19200
    ),
    BoardKind(
        name="text_line", needs_port=True, has_table=True, shared=True, bauds=LINE_BAUDS, baud=9600
    ),
    BoardKind(name="gpio_segments", has_table=True, bauds=ANY_BAUDS, baud=38400, cures=PIN_CURES),
    BoardKind(
        name="simulated",
        shared=True,
        numbered=True,
        stands_in=True,
        bauds=ANY_BAUDS,
        baud=38400,
    ),
)
"""In the order in which messages list them; a file that names none is read as for the first."""
