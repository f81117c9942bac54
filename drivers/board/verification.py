"""What a node's answer, or its silence, says about its board."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.base import Answered, BoardReport, Face
from drivers.board.messages import NodeFlag, NodeStatus
from drivers.board.segments import DARK_SEGMENTS, LAMP_TEST_SEGMENTS, read_back, segments

RESET_IS_NEWS_S = 60
"""For so long after a reset its cause is told; later it is only in the way."""

_RESETS = {
    NodeFlag.POWER_ON: "last reset by power-up",
    NodeFlag.EXTERNAL_RESET: "last reset from outside",
    NodeFlag.BROWN_OUT: "last reset by a drop of its supply",
    NodeFlag.WATCHDOG: "last reset by its watchdog",
}
_NOTES = {
    NodeFlag.DARK_BY_SILENCE: "went dark by silence",
    NodeFlag.CHAIN_FAULT: "chain of lamp drivers faulty",
    NodeFlag.LAMP_TEST: "lamp test",
}


@dataclass(frozen=True, slots=True)
class Query:
    """A SHOW that asks: which node, which stamp, what it shall show if ``lit`` by the mask."""

    node: int
    stamp: int
    face: Face
    lit: bool
    sent_at: int

    @property
    def lamps(self) -> tuple[int, int]:
        if not self.lit:
            return DARK_SEGMENTS
        return LAMP_TEST_SEGMENTS if self.face.lamp_test else segments(self.face.numerals)

    def is_answered_by(self, status: NodeStatus) -> bool:
        return status.node == self.node and status.stamp == self.stamp


def judge(board: str, query: Query, status: NodeStatus) -> BoardReport:
    """Compare an answer with what was ordered; every difference is noted in plain words."""
    seen, expected = read_back(status.segments), read_back(query.lamps)
    wrong = []
    if status.segments != query.lamps:
        wrong.append(f"shows {seen}, not {expected}")
    if status.brightness != query.face.brightness:
        wrong.append(f"brightness {status.brightness}, not {query.face.brightness}")
    told = _NOTES | _RESETS if status.uptime_s < RESET_IS_NEWS_S else _NOTES
    flags = [words for flag, words in told.items() if status.flags & flag]
    return BoardReport(
        board=board,
        answered=Answered.WRONG if wrong else Answered.RIGHT,
        expected=expected,
        seen=seen,
        shown_at=query.sent_at,
        supply_v=status.supply_dv / 10,
        uptime_s=status.uptime_s,
        frame_errors=status.frame_errors,
        foreign_frames=status.foreign_frames,
        notes=(*wrong, *flags),
    )


def silence(board: str, query: Query, late_answers: int) -> BoardReport:
    """Report that no answer came, with the count of those that came too late."""
    return BoardReport(
        board=board,
        answered=Answered.SILENT,
        expected=read_back(query.lamps),
        seen="",
        shown_at=query.sent_at,
        notes=(f"answers that came too late: {late_answers}",) if late_answers else (),
    )
