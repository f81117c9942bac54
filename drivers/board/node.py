"""One to eight board nodes on one RS-485 pair, all showing the same face.

Every SHOW is a broadcast, so all boards change on the same byte. :meth:`NodeBus.show` writes it at
once, with three exceptions, in which the newest face waits in one slot:

- a node was asked and has not answered: to speak now would garble both. This ends with the answer,
  or ``REPLY_TIMEOUT_NS`` after the last byte of the SHOW that asked: 19.3 ms after its first;
- more than one frame is on its way already: nothing old may pile up in front of the newest;
- the port took only part of a frame: its rest goes first, so that the next one starts clean.

The bus itself decides which SHOW asks, see :mod:`drivers.board.poll_schedule`. Nothing is sent
between question and answer, so an answer can only speak of the SHOW that asked: that is all there
is to compare it with, and a STATUS with any other stamp is not an answer.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import replace

from drivers.base import (
    DARK,
    MS_NS,
    S_NS,
    Answered,
    Board,
    BoardListener,
    BoardReport,
    Clock,
    Face,
    FrameError,
    Port,
    PortError,
)
from drivers.board import messages
from drivers.board.blanking import close_dark
from drivers.board.kinds import BoardConfig
from drivers.board.messages import NodeStatus
from drivers.board.poll_schedule import PollSchedule
from drivers.board.show_frames import ShowFrameBuilder
from drivers.board.verification import Query, judge, silence
from drivers.framing import SPOIL, Deframer, other_version_words
from drivers.kind import Site

SHOW_BYTES = 16
BITS_A_BYTE = 10

REPLY_TIMEOUT_NS = 15_100_000
"""From the last byte of a SHOW to giving up on the answer, which needs 10 ms (PROTOCOL.md)."""
DRAIN_TIMEOUT_NS = 300 * MS_NS
DRAIN_SLACK_NS = 20 * MS_NS
"""How much later than the line allows a port may report its bytes gone (a USB adapter's turns)."""
LATE_LOOP_NS = 5 * MS_NS
PATIENCE = 2
"""When the event loop itself is later than this, an answer gets its time again, so many times."""
POLL_NS = 5 * MS_NS
"""How often a port that does not take or send its bytes is looked at again."""

STALE_NS = 150 * MS_NS
"""A face that has waited for so long is out of date: boards are told again every 100 ms
(PROTOCOL.md), so the event loop was held up, and what is right now comes next."""


def build(boards: Sequence[BoardConfig], site: Site) -> Board:
    """The bus of the nodes of one port."""
    first, nodes = boards[0], {each.node: each.name for each in boards}
    port = site.serial_port(str(first.port), first.baud, rs485=first.rs485)
    return NodeBus(port.name, port, nodes, site.controller_id, site.clock, baud=first.baud)


class NodeBus:
    """A :class:`~drivers.base.Board` of up to eight nodes.

    ``nodes`` maps a node's number, 1-8, to its board's name. ``controller_id``, 0-65535, is that of
    this installation. ``baud`` is the line's, from which line time follows. ``node_mask`` may be
    changed at any time: a cleared bit n-1 keeps node n dark from the next SHOW on.

    ``bad_frames`` counts what came damaged, ``stray_frames`` whole frames that nobody asked for,
    ``strangers`` what another controller must have sent: a SHOW that is not our own come back, and
    any frame of another version, which ``other_version`` names in plain words.
    """

    def __init__(
        self,
        name: str,
        port: Port,
        nodes: Mapping[int, str],
        controller_id: int,
        clock: Clock,
        *,
        baud: int = 38400,
    ) -> None:
        if not nodes:
            raise ValueError(f"{name}: needs at least one node")
        wrong = [number for number in nodes if not 1 <= number <= messages.HIGHEST_NODE]
        if wrong:
            raise ValueError(f"{name}: node {wrong[0]}: must be 1-{messages.HIGHEST_NODE}")
        if not 0 <= controller_id <= 0xFFFF:
            raise ValueError(f"{name}: controller id {controller_id}: must be 0-65535")
        self.node_mask = sum(1 << (number - 1) for number in nodes)
        self.stray_frames = self._foreign_shows = self.sent = self._written = 0
        self._name = name
        self.port = port
        self._shows = ShowFrameBuilder(controller_id)
        self._clock = clock
        self._frame_ns = SHOW_BYTES * BITS_A_BYTE * S_NS // baud
        self.nodes = dict(sorted(nodes.items()))
        self.boards = self.answering = tuple(self.nodes.values())
        self._deframer = Deframer()
        self._listener: BoardListener | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._fault: asyncio.Future[None] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._reset(0)

    @property
    def name(self) -> str:
        return self._name

    @property
    def bad_frames(self) -> int:
        return self._deframer.bad - self._deframer.of_other_version

    @property
    def strangers(self) -> int:
        return self._foreign_shows + self._deframer.of_other_version

    @property
    def other_version(self) -> str:
        version = self._deframer.other_version
        return "" if version is None else other_version_words(version)

    async def run(self, listener: BoardListener) -> None:
        """Serve the nodes until cancelled; on every way out two SHOW dark, if the port lives."""
        self._loop = asyncio.get_running_loop()
        fault = self._loop.create_future()
        self.port.open(self)
        self._reset(self._clock())
        self._listener, self._fault = listener, fault
        try:
            await fault
        finally:
            self._fault = None
            self._disarm()
            self._reset(self._clock())
            alive = not fault.done() or fault.cancelled()
            await close_dark(self.port, self._dark_frame, alive=alive)
            self._listener = None

    def show(self, face: Face) -> None:
        """Put ``face`` on every board now; dropped while the port is down."""
        if self._fault is None or self._fault.done():
            return
        now = self._shown_at = self._clock()
        if now - self._undrained_at >= DRAIN_TIMEOUT_NS and self.port.unsent():
            self._give_up()  # before a timer that the loop is late for; nothing goes behind it
        else:
            self._offer(face, now)

    def bytes_received(self, data: bytes, at: int) -> None:
        for body in self._deframer.feed(data):
            if body[0] == messages.SHOW:
                self._foreign_shows += not self._shows.is_echo(body)
                continue
            if body[0] == messages.STATUS:
                try:
                    self._take_answer(messages.decode_status(body))
                    continue
                except FrameError:
                    pass
            self.stray_frames += 1

    def port_lost(self, error: PortError) -> None:
        self._fail(error)

    # Sending

    def _reset(self, now: int) -> None:
        self._schedule = PollSchedule(self.nodes, now)
        self._late_answers = dict.fromkeys(self.nodes, 0)
        self._query: Query | None = None
        self._window_ends_at = 0
        self._patience = 0
        self._face: Face | None = None
        self._waiting: Face | None = None
        self._rest, self._spoil = b"", SPOIL
        self._written = self.sent
        self._line_free_at = self._undrained_at = self._shown_at = now

    def _offer_waiting(self, now: int, *, may_ask: bool = True) -> None:
        if self._waiting is not None:
            if now - self._shown_at > STALE_NS:
                self._waiting = None
            else:
                self._offer(self._waiting, now, may_ask=may_ask)

    def _offer(self, face: Face, now: int, *, may_ask: bool = True) -> None:
        unsent = self.port.unsent()
        if not unsent:
            self.sent = self._written
        if self._free(unsent, now):
            self._send(face, now, unsent, may_ask=may_ask)
        else:
            self._wait(face, now)

    def _free(self, unsent: int, now: int) -> bool:
        """Whether a frame written now would be the next to leave and disturb no answer."""
        return (
            self._query is None
            and not self._rest
            and unsent <= SHOW_BYTES
            and self._line_free_at - now <= self._frame_ns
        )

    def _send(self, face: Face, now: int, unsent: int, *, may_ask: bool) -> None:
        idle = now >= self._line_free_at and not unsent
        node = self._schedule.next_node(now, face != self._face, face.numerals is None)
        if not (idle and may_ask):  # else the SHOW waits, and the answer's window with it
            node = 0
        stamp, frame = self._shows.make(face, self.node_mask, node, now)
        frame = self._spoil + frame
        taken = self.port.write(frame)
        flows = not unsent or now < self._line_free_at + DRAIN_SLACK_NS
        if flows and (taken or self._waiting is None):
            self._undrained_at = now
        if not taken:
            self._wait(face, now)
            return
        self._waiting, self._spoil = None, b""
        self._face = face
        self._line_free_at = max(now, self._line_free_at) + self._frame_ns
        if node:
            self._ask(node, stamp, face, now)
        if taken < len(frame):
            self._rest = frame[taken:]
            self._arm(now + POLL_NS)
        else:
            self._written += 1

    def _wait(self, face: Face, now: int) -> None:
        self._waiting = face
        if self._timer is None:
            free_at = self._line_free_at - self._frame_ns
            self._arm(free_at if now < free_at < now + POLL_NS else now + POLL_NS)

    def _finish_frame(self, now: int) -> None:
        if now - self._shown_at > STALE_NS:
            self._rest, self._spoil = b"", SPOIL
            return
        taken = self.port.write(self._rest)
        self._rest = self._rest[taken:]
        if not self._rest:
            self._written += 1
            self._line_free_at = max(now, self._line_free_at)
            self._window_ends_at = max(self._window_ends_at, self._line_free_at + REPLY_TIMEOUT_NS)

    # Asking

    def _ask(self, node: int, stamp: int, face: Face, now: int) -> None:
        self._schedule.asked(node, now)
        lit = bool(self.node_mask >> (node - 1) & 1)
        self._query = Query(node, stamp, face, lit, now)
        self._window_ends_at = self._line_free_at + REPLY_TIMEOUT_NS
        self._patience = PATIENCE
        self._arm(self._window_ends_at)

    def _take_answer(self, status: NodeStatus) -> None:
        query = self._query
        if query is not None and query.is_answered_by(status):
            report = judge(self.nodes[query.node], query, status)
            self._close_window(query, report)
            return
        self.stray_frames += 1
        if query is None and status.node in self._late_answers:
            self._late_answers[status.node] += 1

    def _close_window(self, query: Query, report: BoardReport) -> None:
        """End the wait for an answer; a face that waited goes out before anything else. It asks
        nothing: what the listener makes of the answer, such as boards lit again, follows it at once
        and must not wait for an answer that a late loop may take long to read."""
        self._query = None
        self._disarm()
        self._offer_waiting(self._clock(), may_ask=False)
        report = replace(report, strangers=self.strangers, other_version=self.other_version)
        self._schedule.answered(query.node, report.answered is Answered.RIGHT)
        if self._listener is not None:
            self._listener.board_answered(report)

    # Time

    def _arm(self, at: int) -> None:
        """Set the one timer; it says itself when it is wanted next."""
        self._disarm()
        if self._loop is not None:
            wait_ns = at - self._clock()
            self._timer = self._loop.call_at(self._loop.time() + wait_ns / S_NS, self._timer_fired)

    def _disarm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _timer_fired(self) -> None:
        self._timer = None
        if self._fault is None or self._fault.done():
            return
        now = self._clock()
        if self._rest:
            self._finish_frame(now)
        query = self._query
        late_ns = now - self._window_ends_at
        if query is not None and late_ns > LATE_LOOP_NS and self._patience:
            self._patience -= 1
            self._window_ends_at = now + REPLY_TIMEOUT_NS
        elif query is not None and not self._rest and late_ns >= 0:
            name, late = self.nodes[query.node], self._late_answers[query.node]
            self._close_window(query, silence(name, query, late))
        else:
            self._offer_waiting(now)
        self._watch_the_port(now)

    def _watch_the_port(self, now: int) -> None:
        refused = self._waiting is not None and self._query is None
        if not (self._rest or refused or self.port.unsent()):
            self._undrained_at = now
        elif now - self._undrained_at >= DRAIN_TIMEOUT_NS:
            self._give_up()
        elif self._timer is None:
            self._arm(now + POLL_NS)
        if self._timer is None and self._query is not None:
            self._arm(self._window_ends_at)

    # The end

    def _give_up(self) -> None:
        """The port sends nothing; what it holds must not light up later."""
        self._fail(PortError(f"{self.port.name}: output not drained in 300 ms"))
        with contextlib.suppress(PortError):
            self.port.flush()

    def _fail(self, error: PortError) -> None:
        if self._fault is not None and not self._fault.done():
            self._fault.set_exception(error)

    def _dark_frame(self) -> bytes:
        return self._shows.make(DARK, self.node_mask, 0, self._clock())[1]
