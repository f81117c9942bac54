"""A made-up display: two digits and a full stop on a serial line, "--" for dark, and no answer.

It shows how a driver is added, as DEVELOPERS.md says; ``tests/test_adding_a_driver.py`` adds it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

from drivers.base import DARK, Board, BoardListener, Face, Port, PortError
from drivers.board.blanking import close_dark
from drivers.board.kinds import BoardConfig
from drivers.kind import DeviceTable, Site, TableReader


@dataclass(frozen=True)
class Digits(DeviceTable):
    """``[boards.plain_digits]``: ``stop`` ends each number."""

    stop: str


def read_table(table: TableReader) -> DeviceTable | None:
    """What the file says; whatever is wrong with it is noted."""
    stop = table.choice("stop", (".", "!"))
    table.finish()
    return Digits(stop) if "stop" in table.good else None


def build(boards: Sequence[BoardConfig], site: Site) -> Board:
    """The displays of one port, which all hear the same."""
    digits = boards[0].details
    assert isinstance(digits, Digits)
    return PlainDigits(boards[0].line(site), [each.name for each in boards], digits)


class PlainDigits:
    """A :class:`~drivers.base.Board`: each face is written when it comes."""

    answering: tuple[str, ...] = ()

    def __init__(self, port: Port, boards: Sequence[str], digits: Digits) -> None:
        self.name, self.boards = port.name, tuple(boards)
        self.sent = 0
        self._port, self._digits = port, digits
        self._lost: asyncio.Future[None] | None = None

    async def run(self, listener: BoardListener) -> None:
        """Serve the displays until cancelled; they are dark on every way out."""
        lost = asyncio.get_running_loop().create_future()
        self._port.open(self)
        self._lost = lost
        try:
            await lost
        finally:
            self._lost = None
            alive = not lost.done() or lost.cancelled()
            await close_dark(self._port, lambda: self._text(DARK), alive=alive)

    def show(self, face: Face) -> None:
        """Write it at once; the line is never so slow that a face waits."""
        if self._lost is not None:
            self._port.write(self._text(face))
            self.sent += not self._port.unsent()

    def bytes_received(self, data: bytes, at: int) -> None:
        """It has nothing to say."""

    def port_lost(self, error: PortError) -> None:
        if self._lost is not None and not self._lost.done():
            self._lost.set_exception(error)

    def _text(self, face: Face) -> bytes:
        numerals = 88 if face.lamp_test else face.numerals
        digits = "--" if numerals is None else f"{numerals:02d}"
        return (digits + self._digits.stop).encode()
