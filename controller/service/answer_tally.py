"""How the boards answered during one count, tallied for the record.

A count is what is shown between two plays, from the number that is put up to the snap: held,
running, stopped or run out. A number that replaces a running one is a new count. While the ball is
live or there is no count, answers are not tallied.
"""

from __future__ import annotations

from controller.journal.recorder import Tally
from controller.rules.phases import Expired, Idle, Live, Phase, Running, Set
from drivers.base import Answered


class AnswerTally:
    """Takes every answer, and every phase that an order may have changed. A restart begins anew."""

    def __init__(self, phase: Phase) -> None:
        self._phase = phase
        self._counts: dict[str, dict[Answered, int]] = {}

    def answered(self, board: str, answered: Answered) -> None:
        """A board was asked what it shows; this is what came of it."""
        if isinstance(self._phase, Idle | Live):
            return
        counts = self._counts.get(board)
        if counts is None:
            counts = self._counts[board] = dict.fromkeys(Answered, 0)
        counts[answered] += 1

    def now_in(self, phase: Phase) -> Tally | None:
        """The phase is ``phase`` now: the tally of the count that this ends, if it ends one in
        which a board was asked."""
        before, self._phase = self._phase, phase
        if phase is before or not self._counts or _goes_on(before, phase):
            return None
        return self.ended()

    def ended(self) -> Tally | None:
        """The tally so far, to begin another; None when no board was asked."""
        boards, self._counts = self._counts, {}
        if not boards:
            return None
        right, wrong, silent = (sum(each[word] for each in boards.values()) for word in Answered)
        bad = [
            f"{name} {each[word]} {word.value}"
            for name, each in boards.items()
            for word in (Answered.WRONG, Answered.SILENT)
            if each[word]
        ]
        return Tally(right + wrong + silent, right, wrong, silent, ", ".join(bad))


def _goes_on(before: Phase, after: Phase) -> bool:
    """True when both are of one count: a held number that runs, a running one that runs out."""
    if isinstance(before, Set) and isinstance(after, Running):
        return before.seconds == after.seconds
    return isinstance(before, Running) and isinstance(after, Expired)
