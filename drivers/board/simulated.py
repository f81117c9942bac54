"""Board nodes without hardware, by the "Rules of a node" of ``hardware/PROTOCOL.md``.

A :class:`SimulatedNode` is pure: bytes and instants in, lamps and answers out. A
:class:`SimulatedPair` puts nodes on one end of a port, in the event loop.

Left out: the turning of the drivers (a node here never holds the pair too long), collisions (two
who speak at once are both heard whole), noise and bias, and the node's clock error. Nodes on one
pair hear each other's answers at once instead of byte by byte. A lamp is lit or not; its failures
are ``stuck_segments``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from drivers.base import DARK, MS_NS, S_NS, Board, Clock, Face, FrameError, Port, PortError
from drivers.board import messages
from drivers.board.kinds import BoardConfig
from drivers.board.messages import NodeFlag, NodeStatus, Show
from drivers.board.node import NodeBus
from drivers.board.segments import LAMP_TEST_SEGMENTS, segments
from drivers.framing import Deframer
from drivers.kind import Site

SILENCE_NS = 1500 * MS_NS
ANSWER_DELAY_NS = 2_500_000
"""From the last byte of SHOW to the first of STATUS; 2.0-3.0 ms are allowed."""


def build(boards: Sequence[BoardConfig], site: Site) -> Board:
    """A bus with simulated nodes at its other end."""
    near, far = site.memory_line("simulated pair", "simulated nodes")
    nodes = {each.node: each.name for each in boards}
    ends = [SimulatedNode(number, site.clock) for number in nodes]
    site.pairs.append(SimulatedPair(far, ends, site.clock))
    return NodeBus("simulated", near, nodes, site.controller_id, site.clock)


class SimulatedNode:
    """One board node. Times are instants of ``clock``, which is read for the first power-up only.

    It measures neither currents nor temperature nor light.

    Faults to switch on: ``mute`` does not answer, ``deaf`` hears nothing, ``stuck_segments`` are
    lamps (tens, units) that show whatever is ordered. ``supply_dv`` is in 0.1 V.
    """

    def __init__(self, node: int, clock: Clock, *, supply_dv: int = 120, revision: int = 1) -> None:
        if not 1 <= node <= messages.HIGHEST_NODE:
            raise ValueError(f"node {node}: must be 1-{messages.HIGHEST_NODE}")
        self.node = node
        self.supply_dv = supply_dv
        self.revision = revision
        self.mute = False
        self.deaf = False
        self.stuck_segments: tuple[int, int] | None = None
        self.power_cycle(clock())

    def power_cycle(self, at: int) -> None:
        """Lose everything and start, dark."""
        self.answer_due_at: int | None = None
        """When the answer that is owed starts."""
        self.stale_frames = 0
        self.foreign_frames = 0
        self._powered_at = at
        self._deframer = Deframer()
        self._bad_bodies = 0
        self._obeyed: Show | None = None
        self._obeyed_at = at
        self._obeying = False
        self._dark_by_silence = False

    @property
    def frame_errors(self) -> int:
        """Bad and stale frames since power-up."""
        return self._deframer.bad + self._bad_bodies + self.stale_frames

    def receive(self, data: bytes, at: int) -> None:
        """Hear bytes of which the last ended at ``at``."""
        if self.deaf:
            return
        for body in self._deframer.feed(data):
            if body[0] == messages.STATUS:
                continue
            try:
                show = messages.decode_show(body)
            except FrameError:
                self._bad_bodies += 1
            else:
                self._hear(show, at)

    def shown(self, at: int) -> Face:
        """Give the face that the node means to show at ``at``, which must not be in the past."""
        self._notice_silence(at)
        show = self._obeyed
        if show is None or not self._obeying or not show.node_mask >> (self.node - 1) & 1:
            return DARK
        if show.numerals == messages.LAMP_TEST:
            return Face(None, show.brightness, lamp_test=True)
        return Face(None if show.numerals == messages.DARK else show.numerals, show.brightness)

    def lamps(self, at: int) -> tuple[int, int]:
        """Give the lamps (tens, units) that are lit at ``at``, which is what is read back."""
        if self.stuck_segments is not None:
            return self.stuck_segments
        face = self.shown(at)
        return LAMP_TEST_SEGMENTS if face.lamp_test else segments(face.numerals)

    def take_answer(self, at: int) -> bytes | None:
        """Give the STATUS that is due at ``at``, once; None when none is."""
        if self.answer_due_at is None or at < self.answer_due_at or self._obeyed is None:
            return None
        self.answer_due_at = None
        lamps = self.lamps(at)
        status = NodeStatus(
            node=self.node,
            stamp=self._obeyed.stamp,
            segments=lamps,
            brightness=self._obeyed.brightness,
            flags=self._flags(at),
            supply_dv=min(self.supply_dv, 0xFF),
            frame_errors=self.frame_errors & 0xFF,
            foreign_frames=self.foreign_frames & 0xFF,
            uptime_s=min((at - self._powered_at) // S_NS, 0xFFFF),
            revision=self.revision,
        )
        self._dark_by_silence = False
        return None if self.mute else messages.encode_status(status)

    def _flags(self, at: int) -> NodeFlag:
        flags = NodeFlag.POWER_ON
        if self._dark_by_silence:
            flags |= NodeFlag.DARK_BY_SILENCE
        if self.stuck_segments is not None:
            flags |= NodeFlag.CHAIN_FAULT
        if self.shown(at).lamp_test:
            flags |= NodeFlag.LAMP_TEST
        return flags

    def _hear(self, show: Show, at: int) -> None:
        self._notice_silence(at)
        last = self._obeyed
        if self._obeying and last is not None:
            if show.controller_id != last.controller_id:
                self.foreign_frames += 1
                return
            if not 0 < (show.stamp - last.stamp) & 0xFFFF < 0x8000:
                self.stale_frames += 1
                return
        self._obeyed = show
        self._obeyed_at = at
        self._obeying = True
        self.answer_due_at = at + ANSWER_DELAY_NS if show.ask == self.node else None

    def _notice_silence(self, at: int) -> None:
        if self._obeying and at - self._obeyed_at >= SILENCE_NS:
            self._obeying = False
            self._dark_by_silence = True


class SimulatedPair:
    """The nodes' end of a port: every node hears every byte; who is asked answers in its time.

    ``port`` is the far end of the controller's, as :func:`drivers.port.memory_port.memory_pair`
    makes it, or a pty's master.
    """

    def __init__(self, port: Port, nodes: Sequence[SimulatedNode], clock: Clock) -> None:
        self.nodes = tuple(nodes)
        self._port = port
        self._clock = clock
        self._loop: asyncio.AbstractEventLoop | None = None

    def open(self) -> None:
        """Join the line, also again after it was lost. Raises :class:`PortError`."""
        self._loop = asyncio.get_running_loop()
        self._port.open(self)

    def close(self) -> None:
        self._port.close()

    def bytes_received(self, data: bytes, at: int) -> None:
        for node in self.nodes:
            node.receive(data, at)
            if self._loop is not None and node.answer_due_at is not None:
                wait_ns = node.answer_due_at - self._clock()
                self._loop.call_at(self._loop.time() + wait_ns / S_NS, self._answer, node)

    def port_lost(self, error: PortError) -> None:
        """Nothing to do: without bytes the nodes go dark by themselves."""

    def _answer(self, node: SimulatedNode) -> None:
        # The loop may call a timer up to its clock's resolution early.
        now = max(self._clock(), node.answer_due_at or 0)
        frame = node.take_answer(now)
        if frame is not None:
            self._port.write(frame)
            for hearer in self.nodes:
                hearer.receive(frame, now)
