"""Displays that take lines of plain text on a serial line and never answer.

Nothing tells what such a display shows, so it is sent to and never right. Nor does it go dark by
itself when the sender dies: its last text stands until its supply is switched off.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from functools import partial

from drivers.base import DARK, MS_NS, S_NS, Board, BoardListener, Clock, Face, Port, PortError
from drivers.board.blanking import close_dark
from drivers.board.kinds import BoardConfig
from drivers.board.text_layout import LONGEST_LINE, TextLayout
from drivers.kind import DeviceTable, Site, TableReader

BITS_A_BYTE = 10
DRAIN_SLACK_NS = 300 * MS_NS
"""How much later than the line allows a text may be on its way before the port is at fault."""
POLL_NS = 5 * MS_NS
"""How often a port that does not take or send its bytes is looked at again."""
STALE_NS = 150 * MS_NS
"""A face that waited for so long is out of date: boards are told again every 100 ms."""


def read_table(table: TableReader) -> DeviceTable | None:
    """``[boards.text_line]``, as :class:`TextLayout` has it."""
    make = partial(
        TextLayout,
        numerals=table.raw_text("numerals", LONGEST_LINE),
        dark=table.raw_text("dark", LONGEST_LINE),
        brightness=table.raw_text("brightness", LONGEST_LINE, ""),
        refresh_ms=table.integer("refresh_ms", 100, 60_000, 1000),
    )
    table.finish()
    return table.made(make) if {"numerals", "dark"} <= table.good.keys() else None


def build(boards: Sequence[BoardConfig], site: Site) -> Board:
    """The line of the displays of one port, which all hear the same."""
    layout, port = boards[0].details, boards[0].line(site)
    assert isinstance(layout, TextLayout)
    names = [each.name for each in boards]
    return TextLine(port.name, port, names, layout, site.clock, baud=boards[0].baud)


class TextLine:
    """A :class:`~drivers.base.Board` of the displays ``boards`` that listen to one line.

    A text is sent when it changes and again after the layout's ``refresh_ms``; one text at a time
    is on its way, and the newest face waits behind it. ``baud`` is the line's. ``sent`` counts the
    faces whose text has left the port, said again or not.
    """

    answering: tuple[str, ...] = ()

    def __init__(
        self,
        name: str,
        port: Port,
        boards: Sequence[str],
        layout: TextLayout,
        clock: Clock,
        *,
        baud: int = 9600,
    ) -> None:
        self.name = name
        self.boards = tuple(boards)
        self.sent = 0
        self._port, self._layout, self._clock = port, layout, clock
        self._byte_ns = BITS_A_BYTE * S_NS // baud
        self._fault: asyncio.Future[None] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._waiting: Face | None = None
        self._reset()

    async def run(self, listener: BoardListener) -> None:
        """Serve the displays until cancelled; on every way out they are sent dark."""
        loop = self._loop = asyncio.get_running_loop()
        fault: asyncio.Future[None] = loop.create_future()
        self._port.open(self)
        self._reset()
        self._fault = fault
        try:
            await fault
        finally:
            self._fault = None
            self._disarm()
            under_way = self._port.unsent() + len(self._rest)
            closing_s = (under_way + 3 * len(self._text(DARK))) * self._byte_ns / S_NS + 0.01
            alive = not fault.done() or fault.cancelled()
            await close_dark(self._port, self._last_text, alive=alive, closing_s=closing_s)

    def show(self, face: Face) -> None:
        """Send the text of ``face`` now, or when the one under way has left."""
        if self._fault is None:
            return
        self._shown_at = self._clock()
        self._waiting = face
        self._go_on()

    def bytes_received(self, data: bytes, at: int) -> None:
        """A text display has nothing to say."""

    def port_lost(self, error: PortError) -> None:
        self._fail(error)

    def _reset(self) -> None:
        self._waiting = None
        self._rest = self._last = b""
        self._shown_at = self._refresh_at = self._left_by_at = 0

    def _text(self, face: Face) -> bytes:
        return self._layout.dimming(face) + self._layout.line(face)

    def _last_text(self) -> bytes:
        """The rest of a text under way, so that dark is not taken for its end; then dark."""
        rest, self._rest = self._rest, b""
        return rest + self._text(DARK)

    def _go_on(self) -> None:
        """Send what is to be sent, as far as the port takes it."""
        now = self._clock()
        if self._rest:
            self._write(self._rest)
        if self._rest or self._port.unsent():
            if now > self._left_by_at:
                self._fail(PortError(f"{self._port.name}: text not sent in time"))
            else:
                self._arm()
            return
        face, self._waiting = self._waiting, None
        if face is None or now - self._shown_at > STALE_NS:
            return
        text = self._text(face)
        if text == self._last and now < self._refresh_at:
            self.sent += 1
            return
        self._last, self._refresh_at = text, now + self._layout.refresh_ms * MS_NS
        self._left_by_at = now + len(text) * self._byte_ns + DRAIN_SLACK_NS
        self._write(text)
        self._arm()

    def _write(self, data: bytes) -> None:
        self._rest = data[self._port.write(data) :]

    def _arm(self) -> None:
        if self._timer is None and self._fault is not None:
            self._timer = self._loop.call_later(POLL_NS / S_NS, self._timer_fired)

    def _timer_fired(self) -> None:
        self._timer = None
        if self._fault is not None and (self._rest or self._waiting or self._port.unsent()):
            self._go_on()

    def _disarm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _fail(self, error: PortError) -> None:
        if self._fault is not None and not self._fault.done():
            self._fault.set_exception(error)
