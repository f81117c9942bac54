"""What players may read while things fail: the right numeral, the one before for as long as a
frame takes, or nothing; and on a board that cannot be reached, its last for the 1.5 s of silence.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from tests.scenarios.main_job.playing import SETTLED_NS
from tests.shared.board_node import Boards, Heard, Node
from tests.shared.frames import DARK_NUMERALS, MS_NS
from tests.shared.truth import Reading, Spell, Truth

DARK = "  "
SILENCE_NS = 1_500 * MS_NS
STUCK_NS = 300 * MS_NS
"""A port that does not send is given up after this (design of the drivers)."""


@dataclass(slots=True)
class Judge:
    """Holds frames and lamps against the truth of the orders that were given."""

    readings: list[Reading]
    faults: list[Spell]
    """When a board could not be reached, or its port did not send."""
    old_frames: int = 0
    oldest_ns: int = 0
    _begins: list[int] = field(default_factory=list)

    @classmethod
    def of(cls, truth: Truth, end_at: int, faults: Iterable[Spell] = ()) -> Judge:
        readings = truth.readings(end_at)
        return cls(readings, list(faults), _begins=[each.from_at for each in readings])

    def texts(self, first_at: int, last_at: int) -> set[str]:
        """All that was right at some moment from ``first_at`` to ``last_at``."""
        first = max(0, bisect_right(self._begins, first_at) - 1)
        return {each.text for each in self.readings[first : bisect_right(self._begins, last_at)]}

    def boards(self, boards: Boards, first_at: int) -> None:
        """Hold every frame on the pair and every lamp against the truth."""
        self.frames(boards.log, first_at)
        for node in boards.nodes:
            self.lamps(node, first_at)

    def frames(self, log: Sequence[Heard], first_at: int) -> None:
        """No frame carries an old numeral, but for what was under way when a port stalled."""
        for heard in log:
            numerals = heard.show.numerals
            if heard.at < first_at or numerals == DARK_NUMERALS:
                continue
            text = f"{numerals:2d}"
            if text in self.texts(heard.at - SETTLED_NS, heard.at):
                continue
            assert text in self.texts(heard.at - STUCK_NS - SETTLED_NS, heard.at), (
                f"{text!r} at {heard.at}: right then {self.texts(heard.at, heard.at)}"
            )
            assert self._faulty(heard.at, STUCK_NS), f"old {text!r} at {heard.at} without a fault"
            self.old_frames += 1
            ended_at = max(
                each.to_at
                for each in self.readings
                if each.text == text and each.from_at <= heard.at
            )
            self.oldest_ns = max(self.oldest_ns, heard.at - ended_at)

    def lamps(self, node: Node, first_at: int) -> None:
        """A board reads what is right, or nothing, or for 1.5 s its last."""
        for begin_at, end_at, text in node.spells():
            if text == DARK or end_at < first_at:
                continue
            for at in self._moments(max(begin_at, first_at), end_at):
                if text in self.texts(at - SETTLED_NS, at):
                    continue
                what = f"node {node.number} reads {text!r} at {at}, {self.texts(at, at)} is right"
                assert self._faulty(at, SILENCE_NS), what
                assert text in self.texts(at - SILENCE_NS - STUCK_NS, at), what

    def _moments(self, begin_at: int, end_at: int) -> list[int]:
        """Where something may turn from right to wrong within a spell of the lamps."""
        turns = [at + SETTLED_NS + 1 for at in self._begins]
        return [begin_at, *(at for at in turns if begin_at < at < end_at), end_at - 1]

    def _faulty(self, at: int, for_ns: int) -> bool:
        return any(each.from_at <= at <= each.to_at + for_ns for each in self.faults)


def gaps_ms(log: Sequence[Heard], begin_at: int, end_at: int) -> list[float]:
    """The milliseconds between frames within a time."""
    instants = [each.at for each in log if begin_at <= each.at <= end_at]
    return [(after - before) / MS_NS for before, after in pairwise(instants)]
