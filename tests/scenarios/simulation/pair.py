"""The pair of wires of the simulation: whatever is lost on it, and all that is said."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import NamedTuple

from tests.scenarios.simulation.schedule import Schedule
from tests.shared.board_node import ORDERED, TURN_ROUND_NS, Act, Boards, Node
from tests.shared.frames import BYTE_NS, STATUS_BYTES, Show


class Told(NamedTuple):
    """From ``at`` on the wire orders ``ordered``."""

    at: int
    ordered: int


class Asked(NamedTuple):
    """A question on the wire and what became of it: "right", "wrong" or "silent"."""

    at: int
    node: int
    word: str


class Pair(Boards):
    """Carries what leaves the boards' port to the nodes, and their answers back.

    ``loss`` is the share of frames lost to all, ``lose_answers`` how many of the next answers are.
    ``told`` is what the wire ordered, from when on; ``asked`` every question.
    """

    def __init__(self, nodes: Sequence[Node], schedule: Schedule, rng: random.Random) -> None:
        super().__init__(nodes, schedule.clock)
        self.loss = 0.0
        self.lose_answers = 0
        self.told: list[Told] = []
        self.asked: list[Asked] = []
        self.to_service: Callable[[bytes], bool] = lambda _: False
        self._schedule, self._rng = schedule, rng

    def carry(self, data: bytes, ends_at: int) -> None:
        """Bytes on the wire, of which the last one ends then."""
        for body in self._unframer.feed(data):
            self.heard(body, ends_at)

    def broadcast(self, show: Show, at: int) -> None:
        ordered = ORDERED.get(show.numerals, show.numerals)
        if not self.told or self.told[-1].ordered != ordered:
            self.told.append(Told(at, ordered))
        owed = False
        if not self.loss or self._rng.random() >= self.loss:
            for node in self.nodes:
                if node.plugged and not (node.loss and self._rng.random() < node.loss):
                    owed |= self._hear(node, show, at)
        if show.ask and not owed:
            self.asked.append(Asked(at, show.ask, "silent"))

    def _hear(self, node: Node, show: Show, at: int) -> bool:
        if not node.hear(show, at) or node.mute:
            return False
        if self.lose_answers > 0:
            self.lose_answers -= 1
            return False
        self.later(at + TURN_ROUND_NS, lambda then: self.answer(node, then))
        return True

    def later(self, at: int, act: Act) -> None:
        self._schedule.at(at, act)

    def answered(self, node: Node, status: bytes | None, lies: bool, at: int) -> None:
        place = len(self.asked)  # the service asks again before this has returned
        heard = status is not None and self.to_service(status)
        word = ("wrong" if lies else "right") if heard else "silent"
        self.asked.insert(place, Asked(at - STATUS_BYTES * BYTE_NS, node.number, word))
