"""Both boards show the same, right numeral, or both are dark.

A board that answers wrong twice, or wrong or not at all three times, without a right answer in
between, or whose port is lost, darkens every board. Darkness after a silence that ends within 3 s
ends by itself, at most twice in 10 minutes; after that, or when it lasts longer, only a relight
ends it, since coaches have been told by then (NCAA 3-2-4-d: both off, coaches told at once). A
board that showed a wrong numeral is never believed by itself again: that it is rightly dark says
nothing of its numerals.
"""

from __future__ import annotations

import enum
from collections import deque
from collections.abc import Iterable

S_NS = 1_000_000_000
WRONG_BEFORE_RIGHT = 2
BAD_BEFORE_RIGHT = 3
RETURN_WITHIN_NS = 3 * S_NS
RETURNS = 2
RETURNS_WINDOW_NS = 600 * S_NS


class Word(enum.Enum):
    """What a board's last answer came to."""

    WAITING = "waiting"
    RIGHT = "right"
    WRONG = "wrong"
    SILENT = "silent"
    PORT_FAULT = "port fault"
    SENT = "sent"
    """It can never say what it shows: what it was sent is all that is known."""


class _Board:
    __slots__ = ("bad", "fault", "mute", "word", "wrong")

    def __init__(self, *, mute: bool) -> None:
        self.mute = mute
        self.word = Word.SENT if mute else Word.WAITING
        self.bad = self.wrong = 0
        """Answers since the last right one: bad in any way, and wrong."""
        self.fault = ""


class Agreement:
    """Watches the answers of all boards. Pure: instants come in, :attr:`dark` comes out.

    ``mute`` are those that can never answer: only the loss of their port is a fault, and with the
    port it ends.
    """

    def __init__(self, boards: Iterable[str], mute: Iterable[str] = ()) -> None:
        never = set(mute)
        self._boards = {name: _Board(mute=name in never) for name in boards}
        self._since_at: int | None = None
        self._latched = False
        self._lies = False
        self._returns_at: deque[int] = deque(maxlen=RETURNS)
        self.why = ""
        """Why the boards are dark, in plain words; empty while they need not be."""

    @property
    def dark(self) -> bool:
        """True while every board must be dark."""
        return self._since_at is not None

    @property
    def deadline(self) -> int | None:
        """When a present darkness turns into one that only a relight ends."""
        if self._since_at is None or self._latched:
            return None
        if self._may_not_return(self._since_at):
            return self._since_at
        return self._since_at + RETURN_WITHIN_NS

    def word(self, board: str) -> Word:
        """What the board's last answer came to."""
        return self._boards[board].word

    def answered(self, name: str, word: Word, at: int) -> None:
        """Take one answer, or missing answer, of a board."""
        board = self._boards[name]
        board.word = word
        if word is Word.RIGHT:
            board.bad = board.wrong = 0
            board.fault = ""
        else:
            board.bad += 1
            board.wrong += word is Word.WRONG
        if board.wrong >= WRONG_BEFORE_RIGHT:
            board.fault = f"{name} shows a wrong numeral"
            self._lies = True
        elif board.bad >= BAD_BEFORE_RIGHT:
            board.fault = f"{name} does not answer"
        self._judge(at)

    def port_lost(self, names: Iterable[str], at: int) -> None:
        """The port of these boards is lost: nobody knows what they show."""
        for name in names:
            board = self._boards[name]
            board.word = Word.PORT_FAULT
            board.fault = f"{name}: its port is lost"
        self._judge(at)

    def port_found(self, names: Iterable[str], at: int) -> None:
        """The port of these boards is open again. A board that can answer has to, first."""
        for name in names:
            board = self._boards[name]
            if board.mute:
                board.word = Word.SENT
                board.fault = ""
        self._judge(at)

    def pass_time(self, now: int) -> str | None:
        """The reason, once, when a darkness has become one that only a relight ends."""
        due = self.deadline
        if due is None or now < due:
            return None
        self._latched = True
        return self.why

    def relit(self, at: int) -> None:
        """A relight was ordered: a fault that still stands has another 3 s to end."""
        self._latched = self._lies = False
        self._since_at = None
        self._returns_at.clear()
        self.why = ""
        self._judge(at)

    def _judge(self, at: int) -> None:
        faults = [board.fault for board in self._boards.values() if board.fault]
        if faults:
            self.why = "; ".join(faults)
            if self._since_at is None:
                self._since_at = at
        elif self.deadline is not None and at < self.deadline:
            self._since_at = None
            self.why = ""
            self._returns_at.append(at)

    def _may_not_return(self, since_at: int) -> bool:
        """True when a darkness may not end by itself, however soon."""
        used_up = len(self._returns_at) == RETURNS
        return self._lies or (used_up and since_at - self._returns_at[0] < RETURNS_WINDOW_NS)
