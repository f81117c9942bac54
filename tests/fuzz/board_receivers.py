"""Fuzz targets: the receive paths of the board link, with a model beside each.

The model knows ``hardware/PROTOCOL.md`` alone (``tests.shared.frames``): what it does not allow
must have no effect, whatever came before.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

from drivers import framing
from drivers.base import Answered, Face
from drivers.board import node, poll_schedule, show_frames, simulated, verification
from tests.drivers.board.listeners import Reports
from tests.fuzz import steps
from tests.fuzz.frames import framed
from tests.fuzz.guided import Target
from tests.shared import frames as independent
from tests.shared.virtual_time import VirtualClock

MS = 1_000_000
S = 1_000 * MS


class NodeModel:
    """Rules 1 to 4 of a node: what it may show."""

    def __init__(self) -> None:
        self._unframer = independent.Unframer()
        self._last: independent.Show | None = None
        self._obeyed_at = 0

    def hear(self, data: bytes, at: int) -> None:
        for body in self._unframer.feed(data):
            try:
                show = independent.read_show(body)
            except independent.BadFrameError:
                continue
            last = self._last if at - self._obeyed_at < 1_500 * MS else None
            if last is None or (
                show.controller == last.controller and 0 < (show.stamp - last.stamp) % 65536 < 32768
            ):
                self._last, self._obeyed_at = show, at

    def lamps(self, at: int) -> tuple[int, int]:
        show = self._last
        if show is None or at - self._obeyed_at >= 1_500 * MS or not show.mask & 1:
            return 0, 0
        return independent.lamps_of(show.numerals)


def check_node(data: bytes, _: Path) -> None:
    """The simulated node shows at every step what the model shows."""
    at, stamp = 1, 0
    board, model = simulated.SimulatedNode(1, lambda: 1), NodeModel()
    for kind, what in steps.steps(data):
        wire = steps.wire_of(kind, what)
        if kind == steps.PAUSE:
            at, wire = at + steps.pause_ns(what), b""
        elif kind == steps.TRUE and len(what) >= 4:
            stamp = (stamp + what[3]) % 65536
            numerals, brightness, ask = what[0] % 100, what[1] % 15 + 1, what[2] % 9
            wire = independent.make_show(
                independent.Show(7, stamp, numerals, brightness, ask, what[3] | 1)
            )
        elif kind == steps.ACT:
            answer, wire = board.take_answer(at), b""
            assert answer is None or independent.opened(answer[1:-1])[0] == independent.STATUS
        at += len(wire) * independent.BYTE_NS
        board.receive(wire, at)
        model.hear(wire, at)
        assert board.lamps(at) == model.lamps(at)


def asked_in(port: steps.StubPort) -> independent.Show | None:
    """The last SHOW that asks."""
    for wire in reversed(port.written):
        frame = wire[wire.index(0) + 1 : -1]  # before the very first one stands a byte that spoils
        show = independent.read_show(independent.opened(frame))
        if show.ask:
            return show
    return None


def check_bus(data: bytes, _: Path) -> None:
    """A board is called right only by a true answer to the question asked last."""

    async def story(clock: VirtualClock) -> None:
        port, reports = steps.StubPort(), Reports()
        bus = node.NodeBus("pair", port, {1: "home", 2: "away"}, 7, clock)
        task = asyncio.create_task(bus.run(reports))
        await asyncio.sleep(0)
        unframer, true_answers = independent.Unframer(), 0
        for kind, what in steps.steps(data):
            asked, wire = asked_in(port), b""
            if kind == steps.PAUSE:
                await asyncio.sleep(steps.pause_ns(what) / S)
            elif kind == steps.ACT:
                await asyncio.sleep(0.1)
                bus.show(Face(what[0] % 100 if what and what[0] < 250 else None))
            elif kind == steps.TRUE and asked is not None and len(what) >= 4:
                tens, units = independent.lamps_of(asked.numerals)
                said = independent.Status(
                    asked.ask ^ (what[0] & 1),
                    asked.stamp ^ (what[1] & 1),
                    (tens ^ (what[2] & 1), units),
                    asked.brightness ^ (what[3] & 1),
                    *(0, 0, 0, 9),
                )
                wire = independent.make_status(said)
            elif kind in (steps.RAW, steps.FRAMED):
                wire = steps.wire_of(kind, what)
            for body in unframer.feed(wire):
                true_answers += asked is not None and is_true_answer(body, asked)
            bus.bytes_received(wire, clock())
            assert not task.done()
        right = sum(report.answered is Answered.RIGHT for report in reports.all)
        assert right <= true_answers
        port.lose()
        (ended,) = await asyncio.gather(task, return_exceptions=True)
        assert type(ended).__name__ == "PortError", ended

    steps.in_virtual_time(story)


def is_true_answer(body: bytes, asked: independent.Show) -> bool:
    """Whether a body is a STATUS by the page that says what ``asked`` ordered."""
    if body[0] != independent.STATUS or len(body) != 20 or body[7] & 0x80:
        return False
    lamps = independent.lamps_of(asked.numerals) if asked.mask >> (asked.ask - 1) & 1 else (0, 0)
    told = (body[1], int.from_bytes(body[2:4], "big"), tuple(body[4:6]), body[6])
    return told == (asked.ask, asked.stamp, lamps, asked.brightness)


_SHOWS = b"".join(steps.step(steps.TRUE, bytes([40 - i, 14, i % 9, i])) for i in range(1, 5))
_ASKS = steps.step(steps.ACT, b"\x28") * 12 + steps.step(steps.TRUE, bytes(4))

TARGETS = (
    Target(
        "node",
        check_node,
        (simulated, framing),
        (
            _SHOWS,
            _SHOWS + steps.step(steps.PAUSE, b"\x05\xdc") + _SHOWS + steps.step(steps.ACT, b""),
            framed("show"),
        ),
    ),
    Target(
        "node-bus",
        check_bus,
        (node, verification, poll_schedule, show_frames),
        (
            _ASKS,
            _ASKS + _ASKS + steps.step(steps.PAUSE, b"\0\x14") + _ASKS,
            _ASKS + framed("status"),
        ),
    ),
)
