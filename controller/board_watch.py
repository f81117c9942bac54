"""What the boards say of themselves: their answers, whether they agree, what is confirmed."""

from __future__ import annotations

import json
from collections.abc import Iterable

from controller.agreement import Agreement, Word
from drivers.base import Answered, BoardReport

_WORDS = {
    Answered.RIGHT: Word.RIGHT,
    Answered.WRONG: Word.WRONG,
    Answered.SILENT: Word.SILENT,
}


class BoardWatch:
    """Takes every report of every board. Instants come in as arguments.

    ``reports`` is the newest of each board, ``faults`` the port faults in plain words ("" when
    well), ``agreement`` decides whether they may be lit.
    """

    def __init__(self, boards: Iterable[str], now: int) -> None:
        names = list(boards)
        self.agreement = Agreement(names)
        self.reports: dict[str, BoardReport] = {}
        self.faults = dict.fromkeys(names, "")
        self._commanded_at = now
        self._unconfirmed: set[str] = set()

    def commanded(self, at: int) -> None:
        """The boards were told something that wants confirming."""
        self._commanded_at = at
        self._unconfirmed = set(self.faults)

    def port(self, boards: Iterable[str], fault: str, at: int) -> None:
        """The port of these boards has a fault, or "" when it is open again."""
        names = list(boards)
        self.faults.update(dict.fromkeys(names, fault))
        if fault:
            self.agreement.port_lost(names, at)

    def answered(self, report: BoardReport, at: int) -> tuple[bool, bool]:
        """Take one report: (the board has just begun to answer badly, it heard a stranger)."""
        before = self.reports.get(report.board)
        self.reports[report.board] = report
        word = _WORDS[report.answered]
        turned = word is not Word.RIGHT and self.agreement.word(report.board) is not word
        strange = before is not None and report.foreign_frames != before.foreign_frames
        self.agreement.answered(report.board, word, at)
        return turned, strange

    def confirmed(self, report: BoardReport) -> str:
        """What every board shows, as JSON by name, once, when the last of them has confirmed the
        newest command; else empty."""
        if report.answered is not Answered.RIGHT or report.shown_at < self._commanded_at:
            return ""
        if report.board not in self._unconfirmed:
            return ""
        self._unconfirmed.discard(report.board)
        if self._unconfirmed:
            return ""
        return json.dumps({each: self.reports[each].seen for each in self.faults})
