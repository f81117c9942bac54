"""Displays on a Modbus RTU line, all showing the same face.

One request is on the line at a time, and each has its answer or its time. The units are told in
turn, each the newest face there is when its turn comes. A unit that can be read back is asked what
its lamps show, with the next refresh after each change and once a second, and reports that or its
silence; of one that cannot, only that it takes what is written is known, and three requests without
an answer are a fault.

The answer to function 6 is the request once more, so an adapter that hears itself would pass for a
unit: it wants function 16.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from drivers.base import (
    DARK,
    MS_NS,
    S_NS,
    Answered,
    Board,
    BoardListener,
    BoardReport,
    Clock,
    DriverError,
    Face,
    FrameError,
    Port,
    PortError,
)
from drivers.board.kinds import BoardConfig
from drivers.board.modbus_frames import BUSY, EXCEPTIONS, Frames, Response
from drivers.board.registers import FORMATS, FUNCTIONS, READ_FUNCTIONS, RegisterMap
from drivers.kind import DeviceTable, Site, TableReader

REGISTER = (0, 0xFFFF)
BITS_A_CHARACTER = 11
SILENT_CHARACTERS = 3.5
LEAST_SILENCE_S = 0.00175
"""Between frames 3.5 characters, above 19,200 baud 1.75 ms (MODBUS over serial line V1.02,
2.5.1.1)."""
ASK_NS = 1 * S_NS
MISSES = 3
AGAIN_NS = S_NS // 2
"""How often a unit that does not answer is tried again, so that it does not hold up the others."""


def read_table(table: TableReader) -> DeviceTable | None:
    """``[boards.modbus]``, as :class:`RegisterMap` has it."""

    def optional(key: str) -> int | None:
        return table.integer(key, *REGISTER) if table.has(key) else None

    make = partial(
        RegisterMap,
        unit=table.integer("unit", 1, 247),
        register=table.integer("register", *REGISTER),
        format=table.choice("format", FORMATS),
        blank=optional("blank"),
        function=table.choice("function", FUNCTIONS, 6),
        brightness_register=optional("brightness_register"),
        brightness_most=table.integer("brightness_most", 1, 0xFFFF, 15),
        read_back_register=optional("read_back_register"),
        read_back_function=table.choice("read_back_function", READ_FUNCTIONS, 3),
        read_back_after_ms=table.integer("read_back_after_ms", 50, 900, 90),
    )
    table.finish()
    return table.made(make) if {"unit", "register", "format"} <= table.good.keys() else None


def build(boards: Sequence[BoardConfig], site: Site) -> Board:
    """The line of the displays of one port."""
    units = [(each.name, each.details) for each in boards if isinstance(each.details, RegisterMap)]
    port = boards[0].line(site)
    return ModbusLine(port.name, port, units, site.clock, baud=boards[0].baud)


@dataclass(slots=True)
class _Unit:
    board: str
    map: RegisterMap
    value: int = -1
    brightness: int = -1
    changed_at: int = 0
    written_at: int = 0
    asked_at: int = 0
    tried_at: int = 0
    misses: int = 0
    doubtful: bool = True
    """What its lamps show was not what was written, when it was asked last."""

    @property
    def answers(self) -> bool:
        return self.map.read_back_register is not None


class ModbusLine:
    """A :class:`~drivers.base.Board` of the displays of one line; ``units`` maps their names.

    ``patience_s`` is how long a unit may take to begin its answer. ``bad_answers`` counts what
    came damaged or answered something else.
    """

    def __init__(
        self,
        name: str,
        port: Port,
        units: Sequence[tuple[str, RegisterMap]],
        clock: Clock,
        *,
        baud: int = 19200,
        patience_s: float = 0.2,
    ) -> None:
        self.name = name
        self.boards = tuple(board for board, _ in units)
        self.answering = tuple(b for b, map_ in units if map_.read_back_register is not None)
        self.sent = self.bad_answers = 0
        self._port, self._clock = port, clock
        self._maps = tuple(units)
        self._patience_s = patience_s
        self._character_s = BITS_A_CHARACTER / baud
        self._silence_s = SILENT_CHARACTERS * self._character_s if baud <= 19200 else 0.0
        self._silence_s = max(self._silence_s, LEAST_SILENCE_S)
        self._frames: Frames | None = None
        self._face: Face | None = None
        self._answer: asyncio.Future[Response] | None = None
        self._lost: PortError | None = None
        self._running = False
        self._request = self._heard = b""

    async def run(self, listener: BoardListener) -> None:
        """Serve the displays until cancelled; on every way out they are written dark."""
        self._frames = self._frames or Frames(self.name)
        self._wake = asyncio.Event()
        self._lost = self._face = None
        self._port.open(self)
        self._listener = listener
        self._units = [_Unit(board, map_) for board, map_ in self._maps]
        self._quiet_at = self._clock()
        self._running = True
        try:
            while True:
                await self._wake.wait()
                self._wake.clear()
                for unit in self._units:
                    await self._serve(unit)
        finally:
            self._running = False
            await self._leave()

    def show(self, face: Face) -> None:
        """Tell every display ``face``, as soon as the line is free."""
        if self._running:
            self._face = face
            self._wake.set()

    def bytes_received(self, data: bytes, at: int) -> None:
        self._quiet_at = at
        answer = self._answer
        if answer is None or answer.done() or self._frames is None:
            return
        self._heard += data
        try:
            found = self._frames.answer(self._request, self._heard)
        except FrameError:
            self.bad_answers += 1
            self._heard = b""
            return
        if found is not None:
            answer.set_result(found)

    def port_lost(self, error: PortError) -> None:
        self._lost = error
        self._wake.set()
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(error)

    # One unit

    async def _serve(self, unit: _Unit) -> None:
        """Write what the unit shall show, and ask what it does when that is due."""
        if self._lost is not None:
            raise self._lost
        face, now = self._face, self._clock()
        if face is None or (unit.misses >= MISSES and now - unit.tried_at < AGAIN_NS):
            return
        unit.tried_at = now
        value = unit.map.value(face)
        if not await self._write(unit, unit.map.register, value):
            return
        if value != unit.value:
            unit.value, unit.changed_at = value, now
        unit.written_at = now
        await self._dim(unit, face)
        settled = now - unit.changed_at >= unit.map.read_back_after_ms * MS_NS
        due = unit.doubtful or unit.asked_at <= unit.changed_at
        if settled and (due or now - unit.asked_at >= ASK_NS):
            unit.asked_at = now
            await self._ask(unit)

    async def _dim(self, unit: _Unit, face: Face) -> None:
        """Set the brightness when it is another, or after the unit was missed."""
        register, brightness = unit.map.brightness_register, unit.map.brightness(face)
        if register is None or brightness == unit.brightness:
            return
        if await self._write(unit, register, brightness):
            unit.brightness = brightness

    async def _write(self, unit: _Unit, register: int, value: int) -> bool:
        """True when the unit says that it holds the value."""
        assert self._frames is not None
        request = self._frames.write(unit.map.unit, register, value, unit.map.function)
        return self._came(unit, await self._exchange(request), f"register {register}")

    async def _ask(self, unit: _Unit) -> None:
        register = unit.map.read_back_register
        if register is None:
            return
        assert self._frames is not None
        request = self._frames.read(unit.map.unit, register, unit.map.read_back_function)
        answer = await self._exchange(request)
        if self._came(unit, answer, f"register {register}") and answer is not None:
            shown = answer.value if answer.value is not None else -1
            right = shown == unit.value
            unit.doubtful = not right
            expected, seen = unit.map.words(unit.value), unit.map.words(shown)
            self._report(unit, Answered.RIGHT if right else Answered.WRONG, expected, seen)

    def _came(self, unit: _Unit, answer: Response | None, what: str) -> bool:
        """Whether a unit did what it was asked; its silence is reported, or becomes a fault."""
        if answer is not None and answer.exception not in (0, BUSY):
            code = answer.exception
            why = EXCEPTIONS.get(code, "not in the standard")
            raise DriverError(
                f"{self.name}: {unit.board} (unit {unit.map.unit}) refuses {what}: "
                f"exception {code}, {why}"
            )
        if answer is not None and not answer.exception:
            unit.misses = 0
            return True
        unit.misses += 1
        unit.brightness = -1  # it may have been switched off
        if unit.answers:
            expected = unit.map.words(unit.map.value(self._face or DARK))
            self._report(unit, Answered.SILENT, expected, "")
        elif unit.misses >= MISSES:
            raise DriverError(f"{self.name}: {unit.board} (unit {unit.map.unit}) does not answer")
        return False

    def _report(self, unit: _Unit, answered: Answered, expected: str, seen: str) -> None:
        shown_at = unit.written_at
        report = BoardReport(unit.board, answered, expected, seen, shown_at)
        if self._running:
            self._listener.board_answered(report)

    # The line

    async def _exchange(self, request: bytes) -> Response | None:
        """Send a request when the line has been silent for long enough; the answer, or None.

        Raises :class:`PortError` when the port is lost or does not send.
        """
        quiet_s = (self._clock() - self._quiet_at) / S_NS
        if quiet_s < self._silence_s:
            await asyncio.sleep(self._silence_s - quiet_s)
        if self._lost is not None:
            raise self._lost
        self._request, self._heard = request, b""
        self._answer = asyncio.get_running_loop().create_future()
        if self._port.write(request) < len(request):
            self._port.flush()
            raise PortError(f"{self._port.name}: does not take a request")
        # A request and an answer have up to 11 characters.
        timeout_s = self._patience_s + 2 * 11 * self._character_s
        try:
            await asyncio.wait({self._answer}, timeout=timeout_s)
            if self._answer.done():
                self.sent += 1
                return self._answer.result()
            if self._port.unsent():
                raise PortError(f"{self._port.name}: request not sent in time")
            self.sent += 1
            return None
        finally:
            self._answer = None
            self._quiet_at = max(self._quiet_at, self._clock())

    async def _leave(self) -> None:
        """Darken every display that still answers, and close the port."""
        try:
            if self._lost is None and self._face is not None:
                await asyncio.sleep(self._silence_s + 22 * self._character_s)
                for unit in self._units:
                    await self._darken(unit)
        finally:
            try:
                if self._lost is None and self._port.unsent():
                    self._port.flush()
            except PortError:
                pass
            self._port.close()

    async def _darken(self, unit: _Unit) -> None:
        assert self._frames is not None
        map_ = unit.map
        request = self._frames.write(map_.unit, map_.register, map_.dark, map_.function)
        try:
            missed = await self._exchange(request) is None
            if missed and not unit.misses:  # it may have met an answer under way
                await self._exchange(request)
        except (PortError, DriverError):
            return
