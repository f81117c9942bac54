"""Board nodes and the pair of wires they hang on, by ``hardware/PROTOCOL.md`` alone.

Nothing here comes from ``drivers``, so that a mistake of the product's own simulated nodes cannot
hide. A node has no timer: whoever looks at it brings it up to the present, so it serves any clock.
"""

from __future__ import annotations

import asyncio
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

from tests.shared.frames import (
    BYTE_NS,
    DARK_NUMERALS,
    LAMP_TEST_NUMERALS,
    MS_NS,
    S_NS,
    STATUS,
    STATUS_BYTES,
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
from tests.shared.wire import Clock, Wire

Act = Callable[[int], None]

SILENCE_NS = 1_500 * MS_NS
TURN_ROUND_NS = 2_500_000
"""In the middle of the 2.0-3.0 ms that a node may take."""
POWER_ON, DARK_BY_SILENCE, CHAIN_FAULT = 0x01, 0x10, 0x20

DARK, ODD = -1, -2
"""Besides 0-99: no lamp lit; lamps that are no numeral."""
SHOWN = {lamps_of(numerals): numerals for numerals in range(100)} | {(0, 0): DARK}
ORDERED = {DARK_NUMERALS: DARK, LAMP_TEST_NUMERALS: ODD}


class Face(NamedTuple):
    """From ``at`` on the lamps show ``shown``; ``ordered`` is what the node means to show."""

    at: int
    shown: int
    ordered: int


class Readings:
    """What a player reads on one board, from the first instant on: "40", " 7", "  " in the dark."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self._instants, self._texts = [clock()], [read_lamps(0, 0)]

    def look(self) -> None:
        """Bring it up to the present."""

    def note(self, at: int, text: str) -> None:
        """``text`` is to be read from ``at`` on."""
        if text != self._texts[-1]:
            self._instants.append(max(at, self._instants[-1]))
            self._texts.append(text)

    @property
    def instants(self) -> list[int]:
        """When what is to be read changed."""
        self.look()
        return self._instants

    @property
    def faces(self) -> list[str]:
        """What was to be read from each of the instants on."""
        self.look()
        return self._texts

    @property
    def reads(self) -> str:
        """What a player reads now."""
        return self.faces[-1]

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

    def spells(self) -> Iterator[tuple[int, int, str]]:
        """Everything that was ever to be read: from when, until when, what."""
        return zip(self.instants, [*self.instants[1:], self.clock()], self.faces, strict=True)


class Lamps(NamedTuple):
    """Segments of tens and units, as bits."""

    tens: int = 0
    units: int = 0


class Node(Readings):
    """One board node.

    Faults: not ``plugged``, it is off the pair; ``mute``, it hears but does not answer; ``loss`` is
    the share of frames that it alone does not hear; and lamps that :meth:`stick`.
    """

    def __init__(self, number: int, clock: Clock) -> None:
        super().__init__(clock)
        self.number = number
        self.plugged, self.mute, self.loss = True, False, 0.0
        self.silences = 0
        self.history = [Face(clock(), DARK, DARK)]
        self._on = self._off = Lamps()
        self._tells_of_chain = False
        self._obeyed: Show | None = None
        """None while it is dark by silence, and would obey anybody."""
        self._last: Show | None = None
        self.reset(clock())

    def reset(self, at: int) -> None:
        """Lose everything and start, dark."""
        self.settle(at)
        self._powered_at = self._heard_at = at
        self._obeyed = self._last = None
        self._silenced = False
        self.bad = self.foreign = 0
        self._order(DARK_NUMERALS, at)

    def stick(self, on: Lamps, off: Lamps, at: int, *, chain_fault: bool = False) -> None:
        """Lamps that are on, and lamps that are off, whatever is ordered; none: mended.

        ``chain_fault``: the node itself finds its chain of drivers faulty, and says so.
        """
        self.settle(at)
        self._on, self._off, self._tells_of_chain = on, off, chain_fault
        self._order(self._ordered, at)

    @property
    def obeys(self) -> Show | None:
        """The SHOW that it obeys: None in the dark of silence, when it would obey anybody."""
        self.look()
        return self._obeyed

    @obeys.setter
    def obeys(self, show: Show) -> None:
        self._obeyed = show

    @property
    def lies(self) -> bool:
        """True while its lamps are not those that are ordered."""
        return self._lamps() != lamps_of(self._ordered)

    def look(self) -> None:
        self.settle(self.clock())

    def settle(self, at: int) -> None:
        """Silence darkens, by the node's own timer."""
        if self._obeyed is not None and at - self._heard_at >= SILENCE_NS:
            self.silences += 1
            self._obeyed, self._silenced = None, True
            self._order(DARK_NUMERALS, self._heard_at + SILENCE_NS)

    def hear(self, show: Show, at: int) -> bool:
        """Take a whole SHOW, by rules 3 to 6 of a node; True when an answer is owed."""
        self.settle(at)
        if self._obeyed is not None:
            if show.controller != self._obeyed.controller:
                self.foreign += 1
                return False
            if not 0 < (show.stamp - self._obeyed.stamp) % 65536 < 32768:
                self.bad += 1
                return False
        self._obeyed = self._last = show
        self._heard_at = at
        lit = show.mask >> (self.number - 1) & 1
        numerals = show.numerals if lit else DARK_NUMERALS
        if numerals != self._ordered:
            self._order(numerals, at)
        return show.ask == self.number

    def answer(self, at: int) -> bytes | None:
        """A STATUS to the SHOW that it heard last; None if it has been reset since."""
        self.settle(at)
        if self._last is None:
            return None
        flags = POWER_ON | DARK_BY_SILENCE * self._silenced | CHAIN_FAULT * self._tells_of_chain
        self._silenced = False
        said = self.number, self._last.stamp, self._lamps(), self._last.brightness, flags
        uptime_s = (at - self._powered_at) // S_NS
        return make_status(Status(*said, self.bad, self.foreign, uptime_s))

    def _lamps(self) -> tuple[int, int]:
        ordered = lamps_of(self._ordered)
        tens, units = (
            (each | on) & ~off for each, on, off in zip(ordered, self._on, self._off, strict=True)
        )
        return tens, units

    def _order(self, numerals: int, at: int) -> None:
        self._ordered = numerals
        lamps, ordered = self._lamps(), ORDERED.get(numerals, numerals)
        shown = SHOWN.get(lamps, ODD)
        if (shown, ordered) != self.history[-1][1:]:
            self.history.append(Face(max(at, self.history[-1].at), shown, ordered))
        self.note(at, read_lamps(*lamps))


@dataclass(frozen=True, slots=True)
class Heard:
    """One SHOW and the instant of its last byte."""

    show: Show
    at: int


class Boards:
    """The pair of wires with its nodes. ``log`` keeps every SHOW, ``answered_at`` every answer.

    A pty has no line time, so it is added here: a frame counts as heard when its last byte would
    be in, and an answer is sent when its own last byte would have left.
    """

    def __init__(self, nodes: Sequence[Node], clock: Clock) -> None:
        self.nodes = list(nodes)
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
            self.later(self._free_at, partial(self.heard, body))

    def heard(self, body: bytes, at: int) -> None:
        """A body whose last byte is in: from the controller, or from a stranger on the pair."""
        if body[0] == STATUS:
            return
        try:
            show = read_show(body)
        except BadFrameError as error:
            self.refused.append(str(error))
            return
        self.log.append(Heard(show, at))
        self.broadcast(show, at)

    def broadcast(self, show: Show, at: int) -> None:
        """Every node hears a SHOW."""
        for node in self.nodes:
            if node.plugged and node.hear(show, at) and not node.mute:
                self.later(at + TURN_ROUND_NS, partial(self.answer, node))

    def stranger(self, show: Show) -> None:
        """Another controller's SHOW arrives at the nodes."""
        for node in self.nodes:
            node.hear(show, self._clock())

    def later(self, at: int, act: Act) -> None:
        """Call ``act(at)`` at that instant."""
        asyncio.get_running_loop().call_later((at - self._clock()) / 1e9, act, at)

    def answer(self, node: Node, at: int) -> None:
        """A node begins to answer."""
        status = node.answer(at)
        self.later(at + STATUS_BYTES * BYTE_NS, partial(self.answered, node, status, node.lies))

    def answered(self, node: Node, status: bytes | None, lies: bool, at: int) -> None:
        """The last byte of a node's answer has left."""
        if status is not None and self.wire is not None:
            self.answered_at.append(at)
            self.wire.send(status)
