"""Board nodes by the "Rules of a node" of ``hardware/PROTOCOL.md``, and the pair they hang on.

Written from that page alone and without ``drivers``, so that a mistake of the product's own
simulated nodes cannot hide here. What the lamps show is kept from the first instant to the last.
"""

from __future__ import annotations

import binascii
import random
from collections.abc import Callable, Sequence
from typing import NamedTuple

from tests.scenarios.simulation.schedule import Schedule
from tests.shared.frames import BYTE_NS, LIT_SEGMENTS, segment_bits
from tests.shared.truth import MS

DARK, ODD = -1, -2
"""Besides 0-99: no lamp lit; lamps that are no numeral."""
SILENCE_NS = 1_500 * MS
ANSWER_NS = 2_500 * 1_000
STATUS_BYTES = 19
_BLANK = 0x00
_DIGIT = {digit: segment_bits(letters) for digit, letters in LIT_SEGMENTS.items()}
LAMPS = {n: (_DIGIT[n // 10] if n > 9 else _BLANK, _DIGIT[n % 10]) for n in range(100)}
LAMPS[DARK] = (_BLANK, _BLANK)
LAMPS[ODD] = (0xFF, 0xFF)
_READ = {lamps: shown for shown, lamps in LAMPS.items()}


class Show(NamedTuple):
    controller: int
    stamp: int
    ordered: int
    brightness: int
    ask: int
    mask: int


class Face(NamedTuple):
    """From ``at`` on the lamps show ``shown``; ``ordered`` is what the node means to show."""

    at: int
    shown: int
    ordered: int


def body_of(run: bytes) -> bytes | None:
    """What stood between two delimiters, without stuffing and CRC; None if it is broken."""
    out = bytearray()
    place, end = 0, len(run)
    while place < end:
        code = run[place]
        if place + code > end:
            return None
        out += run[place + 1 : place + code]
        place += code
        if place < end:
            out.append(0)
    return bytes(out[:-2]) if len(out) > 2 and binascii.crc_hqx(out, 0xFFFF) == 0 else None


def framed(body: bytes) -> bytes:
    """A body as it goes on the wire; a body so short has no block of 254."""
    whole = body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big")
    return b"\0" + b"".join(bytes([len(run) + 1]) + run for run in whole.split(b"\0")) + b"\0"


def read_show(body: bytes) -> Show | None:
    """The fields of a SHOW; None if it is none or out of range."""
    if len(body) != 10 or body[0] != 0x11 or body[5] ^ body[6] != 0xFF:
        return None
    numerals, brightness, ask = body[5], body[7], body[8]
    if 99 < numerals < 0xFE or not 1 <= brightness <= 15 or ask > 8:
        return None
    ordered = {0xFF: DARK, 0xFE: ODD}.get(numerals, numerals)
    controller, stamp = body[1] << 8 | body[2], body[3] << 8 | body[4]
    return Show(controller, stamp, ordered, brightness, ask, body[9])


class Node:
    """One board. Faults: ``mute`` never answers, ``deaf`` hears nothing, ``loss`` is the share of
    frames that it alone does not hear, ``stuck`` are lamps that are always on and always off."""

    def __init__(self, number: int, at: int) -> None:
        self.number = number
        self.mute = self.deaf = False
        self.loss = 0.0
        self._stuck: tuple[tuple[int, int], tuple[int, int]] | None = None
        self._ordered = DARK
        self.faces = [Face(at, DARK, DARK)]
        self._obeying = False
        self.reset(at)

    def reset(self, at: int) -> None:
        """Lose everything and start, dark."""
        self.settle(at)
        self._powered_at = self._obeyed_at = at
        self._last: Show | None = None
        self._obeying = self._silenced = False
        self._errors = self._foreign = 0
        self._order(DARK, at)

    def stick(self, stuck: tuple[tuple[int, int], tuple[int, int]] | None, at: int) -> None:
        """Lamps (tens, units) that are on, and those that are off, whatever is ordered."""
        self.settle(at)
        self._stuck = stuck
        self._order(self._ordered, at)

    def settle(self, at: int) -> None:
        """Silence darkens, by the node's own timer."""
        if self._obeying and at - self._obeyed_at >= SILENCE_NS:
            self._obeying, self._silenced = False, True
            self._order(DARK, self._obeyed_at + SILENCE_NS)

    def hear(self, show: Show, at: int) -> bool:
        """Take a whole SHOW; True when an answer is owed."""
        self.settle(at)
        last = self._last
        if self._obeying and last is not None:
            if show.controller != last.controller:
                self._foreign += 1
                return False
            if not 0 < (show.stamp - last.stamp) & 0xFFFF < 0x8000:
                self._errors += 1
                return False
        self._last, self._obeyed_at, self._obeying = show, at, True
        lit = show.mask >> (self.number - 1) & 1
        self._order(show.ordered if lit else DARK, at)
        return show.ask == self.number

    def answer(self, at: int) -> tuple[bytes, bool] | None:
        """A STATUS, and whether its lamps are those that were ordered; None after a reset."""
        self.settle(at)
        if self._last is None:
            return None
        lamps = self._lamps()
        flags = 0x01 | (0x10 if self._silenced else 0) | (0x20 if self._stuck else 0)
        self._silenced = False
        uptime_s = min((at - self._powered_at) // 1_000_000_000, 0xFFFF)
        body = bytes((0x12, self.number, *self._last.stamp.to_bytes(2, "big"), *lamps))
        body += bytes(
            (self._last.brightness, flags, 120, self._errors & 0xFF, self._foreign & 0xFF)
        )
        return framed(body + uptime_s.to_bytes(2, "big") + b"\x01"), lamps == LAMPS[self._ordered]

    def _lamps(self) -> tuple[int, int]:
        tens, units = LAMPS[self._ordered]
        if self._stuck is None:
            return tens, units
        (on_tens, on_units), (off_tens, off_units) = self._stuck
        return (tens | on_tens) & ~off_tens, (units | on_units) & ~off_units

    def _order(self, ordered: int, at: int) -> None:
        self._ordered = ordered
        shown = ordered if self._stuck is None else _READ.get(self._lamps(), ODD)
        if (shown, ordered) != self.faces[-1][1:]:
            self.faces.append(Face(max(at, self.faces[-1].at), shown, ordered))


class Told(NamedTuple):
    """From ``at`` on the wire orders ``ordered``."""

    at: int
    ordered: int


class Asked(NamedTuple):
    """A question on the wire and what became of it: "right", "wrong" or "silent"."""

    at: int
    node: int
    word: str


class Pair:
    """Carries what leaves the boards' port to the nodes, and their answers back.

    ``loss`` is the share of frames lost to all, ``lose_answers`` how many of the next answers are.
    ``told`` is what the wire ordered, from when on; ``asked`` every question.
    """

    def __init__(self, nodes: Sequence[Node], world: Schedule, rng: random.Random) -> None:
        self.nodes = tuple(nodes)
        self.loss = 0.0
        self.lose_answers = 0
        self.told: list[Told] = []
        self.asked: list[Asked] = []
        self.frames = 0
        self.to_service: Callable[[bytes], bool] = lambda _: False
        self._world, self._rng = world, rng
        self._run = b""

    def carry(self, data: bytes, ends_at: int) -> None:
        """Bytes on the wire."""
        runs = (self._run + data).split(b"\0")
        self._run = runs.pop()
        for run in runs:
            body = body_of(run) if run else None
            show = read_show(body) if body else None
            if show is not None:
                self._broadcast(show, ends_at)

    def _broadcast(self, show: Show, at: int) -> None:
        self.frames += 1
        if not self.told or self.told[-1].ordered != show.ordered:
            self.told.append(Told(at, show.ordered))
        if self.loss and self._rng.random() < self.loss:
            if show.ask:
                self.asked.append(Asked(at, show.ask, "silent"))
            return
        owed = False
        for node in self.nodes:
            if not node.deaf and not (node.loss and self._rng.random() < node.loss):
                owed |= self._hear(node, show, at)
        if show.ask and not owed:
            self.asked.append(Asked(at, show.ask, "silent"))

    def _hear(self, node: Node, show: Show, at: int) -> bool:
        if not node.hear(show, at) or node.mute:
            return False
        if self.lose_answers > 0:
            self.lose_answers -= 1
            return False
        self._world.at(at + ANSWER_NS, lambda then: self._answer(node, then))
        return True

    def _answer(self, node: Node, at: int) -> None:
        status = node.answer(at)
        self._world.at(at + STATUS_BYTES * BYTE_NS, lambda _: self._arrive(node, status, at))

    def _arrive(self, node: Node, status: tuple[bytes, bool] | None, at: int) -> None:
        frame, right = status or (b"", False)
        heard = bool(frame) and self.to_service(frame)
        word = ("right" if right else "wrong") if heard else "silent"
        self.asked.append(Asked(at, node.number, word))
