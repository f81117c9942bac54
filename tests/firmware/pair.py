"""Two simulated chips as the board end of a whole installation: bytes of a pty in, lamps out.

They stand in for ``Node`` and ``Boards`` of :mod:`tests.shared.board_node`, in virtual or in real
time: the chips are run up to the present whenever somebody looks. A pty has no line time, so it is
added here, to the cycle.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.firmware.bench import NodeState, state_of
from tests.firmware.board import BoardNode, text_of
from tests.shared.board_node import Readings
from tests.shared.frames import BYTE_NS, SHOW, Unframer
from tests.shared.wire import Clock, Wire

ANSWERED_NS = 9_600_000
"""An answer of this firmware has ended so long after the SHOW: 2.41 ms, 7.03 ms on the line."""
DARK_CYCLES = 2_560
"""Current off for more than a period of the brightness, 128 us, is dark."""

Harm = Callable[[bytes], bytes]
"""What becomes on the way to a node of a SHOW that does not ask: on a busy machine some answers
come too late as it is, and three that are missing in a row would rightly darken the boards."""


class ChipNode(Readings):
    """One node, its lamps' history in nanoseconds of the clock."""

    def __init__(self, image: Path, number: int, clock: Clock) -> None:
        super().__init__(clock)
        self.number, self.plugged = number, True
        self.board = BoardNode(image, number=number)
        self.pair: ChipPair | None = None
        self._image = image
        self._origin_at = clock()
        self._seen_faces = self._seen_edges = 0
        self._latched = text_of((0, 0))
        self._lit = False

    def cycle_of(self, at: int) -> int:
        return (at - self._origin_at) * 16 // 1000

    def at_of(self, cycle: int) -> int:
        return self._origin_at + cycle * 1000 // 16

    def run(self, until_at: int) -> None:
        """Run the chip up to an instant."""
        cycle = self.cycle_of(until_at)
        if cycle > self.board.chip.cycle:
            self.board.run(cycle)

    def look(self) -> None:
        """Run the pair up to the present, and read the lamps."""
        if self.pair is not None:
            self.pair.advance()
        self._read(self.board.chip.cycle)

    def _read(self, now: int) -> None:
        faces = self.board.faces[self._seen_faces :]
        edges = self.board.blank[self._seen_edges :]
        happened = [(face.cycle, 0, face.text) for face in faces]
        self._seen_faces += len(faces)
        ends = [*(cycle for cycle, _ in edges[1:]), now]
        for (cycle, level), until in zip(edges, ends, strict=False):
            if level and until - cycle <= DARK_CYCLES and until == now:
                break  # not yet to be told from a period of brightness
            self._seen_edges += 1
            if not level or until - cycle > DARK_CYCLES:
                happened.append((cycle, 1, "" if level else "lit"))
        for cycle, what, value in sorted(happened):
            if what:
                self._lit = bool(value)
            else:
                self._latched = value
            self.note(self.at_of(cycle), self._latched if self._lit else "  ")

    def reset(self, causes: int) -> None:
        """Reset this chip now."""
        self.look()
        self.board.chip.reset(causes)

    @property
    def state(self) -> NodeState:
        self.look()
        return state_of(self.board, self._image)

    @property
    def bad(self) -> int:
        state = self.state
        return int(state.bad + state.refused_frames) & 0xFF

    @property
    def foreign(self) -> int:
        return int(self.state.foreign_frames)


class ChipPair:
    """The pair of wires. ``log`` has the bodies of the controller, ``bad`` counts what was none."""

    def __init__(self, nodes: Sequence[ChipNode], clock: Clock) -> None:
        self.nodes = list(nodes)
        self.log: list[bytes] = []
        self.answered: list[bytes] = []
        self.wire: Wire | None = None
        self.harm: Harm = bytes
        self.early_ns = 0
        """How much sooner than its end an answer is given to the controller: on a busy machine it
        would be too late. (The chips run ahead; the pair is silent then.)"""
        self._clock = clock
        self._unframer = Unframer()
        self._free_at = 0
        self._told = {node.number: 0 for node in self.nodes}
        self._passed = {node.number: 0 for node in self.nodes}
        self._asked = self._answered_at = 0
        for node in self.nodes:
            node.pair = self

    @property
    def bad(self) -> int:
        return self._unframer.bad

    def received(self, data: bytes) -> None:
        """Bytes of the controller."""
        self.advance()
        bodies = self._unframer.feed(data)
        self.log += bodies
        start_at = max(self._free_at, self._clock())
        self._free_at = start_at + len(data) * BYTE_NS
        asked = [body[7] for body in bodies if body[0] == SHOW and body[7]]
        for node in self.nodes:
            if node.plugged:
                line = data if asked else self.harm(data)
                node.board.chip.send(line, node.cycle_of(start_at))
        if asked:
            self._asked = asked[-1]
            self._answered_at = self._free_at + ANSWERED_NS
            wait_ns = self._answered_at - self.early_ns - self._clock()
            asyncio.get_running_loop().call_later(wait_ns / 1e9, self._give_answers)

    def advance(self) -> None:
        """Run the chips up to the present."""
        self._run(self._clock())

    def _run(self, now_at: int) -> None:
        """The asked chip first: the others hear what it sends."""
        for node in sorted(self.nodes, key=lambda node: node.number != self._asked):
            node.run(now_at)
            for cycle, byte in node.board.sent[self._passed[node.number] :]:
                self._passed[node.number] += 1
                for other in self.nodes:
                    if other is not node and other.plugged:
                        other.board.chip.send(bytes([byte]), other.cycle_of(node.at_of(cycle)))

    def _give_answers(self) -> None:
        """Whole answers go to the controller."""
        self._run(max(self._clock(), self._answered_at))
        for node in self.nodes:
            for answer in node.board.answers[self._told[node.number] :]:
                self._told[node.number] += 1
                self.answered.append(answer.wire)
                if self.wire is not None:
                    self.wire.send(answer.wire)
