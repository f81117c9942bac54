"""What the boards say of themselves: their answers, whether they agree, what is confirmed."""

from __future__ import annotations

import json
from collections.abc import Iterable

from controller.service.board_agreement import Agreement, Word
from drivers.base import Answered, BoardReport

_WORDS = {
    Answered.RIGHT: Word.RIGHT,
    Answered.WRONG: Word.WRONG,
    Answered.SILENT: Word.SILENT,
}


class BoardWatch:
    """Takes every report of every board. Instants come in as arguments.

    Those of ``boards`` that are not ``answering`` can never say what they show (None: all can).
    ``reports`` is the newest of each board, ``faults`` the port faults in plain words ("" when
    well), ``agreement`` decides whether they may be lit.
    """

    def __init__(
        self, boards: Iterable[str], now: int, answering: Iterable[str] | None = None
    ) -> None:
        names = list(boards)
        self.answering = tuple(names if answering is None else answering)
        self.agreement = Agreement(names, set(names) - set(self.answering))
        self.reports: dict[str, BoardReport] = {}
        self._told: dict[str, BoardReport] = {}  # the newest that is no silence
        self._strangers: dict[str, int] = {}
        self.faults = dict.fromkeys(names, "")
        self._commanded_at = now
        self._unconfirmed: set[str] = set()

    def commanded(self, at: int) -> None:
        """The boards were told something that wants confirming."""
        self._commanded_at = at
        self._unconfirmed = set(self.answering)

    def port(self, boards: Iterable[str], fault: str, at: int) -> bool:
        """The port of these boards has a fault, or "" when it is open again. True when that is
        news: a port that is lost again and again is told of each time."""
        names = list(boards)
        news = any(self.faults[name] != fault for name in names)
        self.faults.update(dict.fromkeys(names, fault))
        if fault:
            self.agreement.port_lost(names, at)
        else:
            self.agreement.port_found(names, at)
        return news

    def answered(self, report: BoardReport, at: int) -> tuple[bool, bool]:
        """Take one report: (the board has just begun to answer badly, it heard a stranger)."""
        self.reports[report.board] = report
        word = _WORDS[report.answered]
        turned = word is not Word.RIGHT and self.agreement.word(report.board) is not word
        strange = self._heard_a_stranger(report)
        self.agreement.answered(report.board, word, at)
        return turned, strange

    def _heard_a_stranger(self, report: BoardReport) -> bool:
        """The board's own count moved since its power-up, or the driver's did."""
        heard = report.strangers != self._strangers.get(report.board, 0)
        self._strangers[report.board] = report.strangers
        if report.answered is Answered.SILENT:
            return heard
        before = self._told.get(report.board)
        self._told[report.board] = report
        if before is None or (report.uptime_s or 0) < (before.uptime_s or 0):
            return heard  # a node that was reset counts from 0
        return heard or report.foreign_frames != before.foreign_frames

    def confirmed(self, report: BoardReport) -> str:
        """What every board that can answer shows, as JSON by name, once, when the last of them has
        confirmed the newest command; else empty."""
        if report.answered is not Answered.RIGHT or report.shown_at < self._commanded_at:
            return ""
        if report.board not in self._unconfirmed:
            return ""
        self._unconfirmed.discard(report.board)
        if self._unconfirmed:
            return ""
        return json.dumps({each: self.reports[each].seen for each in self.answering})
