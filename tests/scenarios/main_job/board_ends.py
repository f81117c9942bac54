"""Board nodes on a pair of wires, written from ``hardware/PROTOCOL.md``."""

from __future__ import annotations

import asyncio
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.scenarios.main_job.independent_frames import (
    BYTE_NS,
    STATUS,
    BadFrameError,
    Show,
    Status,
    Unframer,
    framed,
    lamps_of,
    make_status,
    read_lamps,
    read_show,
)
from tests.scenarios.main_job.wire import S_NS, Clock, Wire

SILENCE_S = 1.5
TURN_ROUND_NS = 2_500_000
"""In the middle of the 2.0-3.0 ms that a node may take."""
POWER_ON, DARK_BY_SILENCE = 0x01, 0x10


@dataclass(slots=True)
class Node:
    """One board node. ``plugged`` False: off the pair. ``mute``: hears but does not answer.

    ``dead`` are the segments, as bits, that never light: a board that shows wrong numerals.
    """

    number: int
    clock: Clock
    plugged: bool = True
    mute: bool = False
    dead: int = 0
    lamps: tuple[int, int] = (0, 0)
    brightness: int = 1
    bad: int = 0
    foreign: int = 0
    silences: int = 0
    instants: list[int] = field(default_factory=list)
    faces: list[str] = field(default_factory=list)
    _controller: int | None = None
    _stamp: int | None = None
    _flags: int = POWER_ON
    _since_at: int = 0
    _silence: asyncio.TimerHandle | None = None

    def __post_init__(self) -> None:
        self._since_at = self.clock()
        self._note()

    @property
    def reads(self) -> str:
        """What a player reads now."""
        return read_lamps(*self.lamps)

    def read_at(self, at: int) -> str:
        """What a player read at ``at``."""
        return self.faces[bisect_right(self.instants, at) - 1]

    def changed_at(self, at: int) -> int:
        """Since when it was what a player read at ``at``."""
        return self.instants[bisect_right(self.instants, at) - 1]

    def faces_between(self, first_at: int, last_at: int) -> set[str]:
        """All that was to be read from ``first_at`` until just before ``last_at``."""
        begin, end = bisect_right(self.instants, first_at), bisect_right(self.instants, last_at - 1)
        return set(self.faces[begin - 1 : end])

    def heard(self, show: Show) -> bytes | None:
        """Rules 3 to 6 of a node; gives the answer to send, if there is one."""
        if self._controller is not None and show.controller != self._controller:
            self.foreign += 1
            return None
        if self._stamp is not None and not 0 < (show.stamp - self._stamp) % 65536 < 32768:
            self.bad += 1
            return None
        self._controller, self._stamp = show.controller, show.stamp
        lit = show.mask >> (self.number - 1) & 1
        ordered = lamps_of(show.numerals) if lit else (0, 0)
        self.lamps = (ordered[0] & ~self.dead, ordered[1] & ~self.dead)
        self.brightness = show.brightness
        self._note()
        self._feed()
        if show.ask != self.number or self.mute:
            return None
        uptime_s = (self.clock() - self._since_at) // S_NS
        flags, self._flags = self._flags, self._flags & ~DARK_BY_SILENCE
        said = (self.number, show.stamp, self.lamps, self.brightness, flags)
        return make_status(Status(*said, self.bad, self.foreign, uptime_s))

    def _feed(self) -> None:
        self.stop()
        self._silence = asyncio.get_running_loop().call_later(SILENCE_S, self._go_dark)

    def _go_dark(self) -> None:
        self.silences += 1
        self._controller = self._stamp = None
        self._flags |= DARK_BY_SILENCE
        self.lamps = (0, 0)
        self._note()

    def stop(self) -> None:
        """Stop the timer of silence."""
        if self._silence is not None:
            self._silence.cancel()

    def _note(self) -> None:
        if not self.faces or self.faces[-1] != self.reads:
            self.instants.append(self.clock())
            self.faces.append(self.reads)


@dataclass(frozen=True, slots=True)
class Heard:
    """One SHOW and the instant of its last byte."""

    show: Show
    at: int


class Boards:
    """The pair of wires with its nodes. ``log`` keeps every SHOW, ``answered_at`` every answer."""

    def __init__(self, nodes: list[Node], clock: Clock) -> None:
        self.nodes = nodes
        self.log: list[Heard] = []
        self.answered_at: list[int] = []
        self.refused: list[str] = []
        self.wire: Wire | None = None
        self._clock = clock
        self._unframer = Unframer()
        self._free_at = 0

    @property
    def bad(self) -> int:
        """Runs between delimiters that were no frame."""
        return self._unframer.bad

    def received(self, data: bytes) -> None:
        """Bytes of the controller."""
        for body in self._unframer.feed(data):
            line_ns = len(framed(body)) * BYTE_NS
            self._free_at = max(self._free_at, self._clock()) + line_ns
            self._later(self._free_at, self.heard, body)

    def heard(self, body: bytes) -> None:
        """A body whose last byte is in: from the controller, or from a stranger on the pair."""
        if body[0] == STATUS:
            return
        try:
            show = read_show(body)
        except BadFrameError as error:
            self.refused.append(str(error))
            return
        self.log.append(Heard(show, self._clock()))
        for node in self.nodes:
            answer = node.heard(show) if node.plugged else None
            if answer is not None:
                gone_at = self._clock() + TURN_ROUND_NS + len(answer) * BYTE_NS
                self._later(gone_at, self._answer, answer)

    def stranger(self, show: Show) -> None:
        """Another controller's SHOW arrives at the nodes."""
        for node in self.nodes:
            node.heard(show)

    def _answer(self, answer: bytes) -> None:
        if self.wire is not None:
            self.answered_at.append(self._clock())
            self.wire.send(answer)

    def _later(self, at: int, act: Callable[[bytes], None], data: bytes) -> None:
        asyncio.get_running_loop().call_later((at - self._clock()) / 1e9, act, data)
