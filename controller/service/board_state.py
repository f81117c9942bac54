"""How the boards stand: lit, dark or off, and why.

All boards show the same, right numeral, or all are dark. A board darkens every board when two of
its last four answers were wrong, when it answers wrong or not at all three times without a right
answer in between, or when its port is lost. Darkness after a silence that ends within 3 s ends by
itself, at most twice in 10 minutes; after that, or when it lasts longer, only a relight ends it,
since coaches have been told by then (NCAA 3-2-4-d: both off, coaches told at once). A board that
showed a wrong numeral is never believed by itself again: that it is rightly dark says nothing of
its numerals.
"""

from __future__ import annotations

import enum
import json
from collections import deque
from collections.abc import Iterable

from controller.rules.events import BoardsFault, Event, ToggleBoards
from controller.rules.phases import Boards, Off
from controller.rules.play_clock import PlayClock
from controller.status.document import BoardHealth
from drivers.base import Answered, BoardReport

S_NS = 1_000_000_000
WRONG_ANSWERS = 2
LAST_ANSWERS = 4
"""A board wrong at every other answer is wrong half of the time: a right answer in between is no
excuse. A silence is no answer."""
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


_WORDS = {
    Answered.RIGHT: Word.RIGHT,
    Answered.WRONG: Word.WRONG,
    Answered.SILENT: Word.SILENT,
}


class _Board:
    __slots__ = ("answers", "bad", "fault", "mute", "word")

    def __init__(self, *, mute: bool) -> None:
        self.mute = mute
        self.word = Word.SENT if mute else Word.WAITING
        self.answers: deque[Word] = deque(maxlen=LAST_ANSWERS)
        """The last ones, right or wrong."""
        self.bad = 0
        """Wrong answers and silences since the last right one."""
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
        if word is not Word.SILENT:
            board.answers.append(word)
        if word is Word.RIGHT:
            board.bad = 0
            board.fault = ""
        else:
            board.bad += 1
        if word is Word.WRONG and board.answers.count(Word.WRONG) >= WRONG_ANSWERS:
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
        for board in self._boards.values():
            board.answers.clear()
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


class BoardState:
    """Takes every report of every board, and every fault of a port. Instants come in as arguments.

    ``play_clock`` has the axis of the boards: lit, blank or off. Those of ``boards`` that are not
    ``answering`` can never say what they show. ``off_why`` is the fault that put them off before
    the service started.
    """

    def __init__(
        self,
        play_clock: PlayClock,
        boards: Iterable[str],
        answering: Iterable[str],
        now: int,
        off_why: str = "",
    ) -> None:
        self._play_clock = play_clock
        self._names = tuple(boards)
        self._answering = tuple(answering)
        self._agreement = Agreement(self._names, set(self._names) - set(self._answering))
        self._off_why = off_why
        self._reports: dict[str, BoardReport] = {}
        self._told: dict[str, BoardReport] = {}  # the newest that is not a silence
        self._strangers: dict[str, int] = {}
        self._port_faults = dict.fromkeys(self._names, "")
        self._commanded_at = now
        self._unconfirmed: set[str] = set()

    # How they stand

    @property
    def lit(self) -> bool:
        """True when the boards may show a count."""
        return not self._agreement.dark and self._play_clock.boards is Boards.LIT

    @property
    def dark(self) -> bool:
        """True while a fault keeps every board dark, whatever the axis says."""
        return self._agreement.dark

    @property
    def off(self) -> bool:
        """True when only a relight lights them."""
        return self._play_clock.boards is Boards.OFF

    @property
    def dark_why(self) -> str:
        """The fault that keeps them dark for the moment; empty while they need not be."""
        return self._agreement.why

    @property
    def off_why(self) -> str:
        """The fault that put them off, where it is known; empty while they are not off by one."""
        return self._off_why

    @property
    def fault(self) -> str:
        """The fault that keeps them dark or has put them off, where it is known."""
        return self._agreement.why or self._off_why

    @property
    def why(self) -> str:
        """Why no count is on the boards although there is one."""
        if self.dark:
            return self._agreement.why
        off = self._play_clock.state.off
        if off is Off.FAULT:
            return self._off_why or "after a fault; relight when it is mended"
        return "" if off is None else "by order"

    @property
    def words(self) -> str:
        """How they stand in a few words, for the service manager."""
        dark = self.dark and not self.off
        words = "boards dark" if dark else f"boards {self._play_clock.boards.value}"
        return f"{words}: {self.fault}" if self.fault else words

    def health(self) -> tuple[BoardHealth, ...]:
        """What is known of each board."""
        return tuple(map(self._health, self._names))

    def _health(self, board: str) -> BoardHealth:
        word, report = self._agreement.word(board), self._reports.get(board)
        answers = board in self._answering
        if word is Word.PORT_FAULT:
            return BoardHealth(board, word.value, "", self._port_faults[board], answers)
        if word is Word.SENT:
            return BoardHealth(board, word.value, "", "cannot say what it shows", answers)
        if report is None:
            return BoardHealth(board)
        supply = "" if report.supply_v is None else f"{report.supply_v:.1f} V"
        detail = "; ".join(each for each in (supply, *report.notes) if each)
        return BoardHealth(board, word.value, report.seen, detail, answers, report.shown_at)

    def lost(self, boards: Iterable[str]) -> bool:
        """True when the port of these boards is in a fault, which is being retried."""
        return all(self._port_faults[name] for name in boards)

    # What changes it

    def decided(self, event: Event, at: int) -> None:
        """An order was carried out and changed something."""
        if isinstance(event, ToggleBoards):
            self._off_why = ""
            if not self.off:
                self._agreement.relit(at)
        elif isinstance(event, BoardsFault):
            self._off_why = event.reason

    def commanded(self, at: int) -> None:
        """The boards were told something that wants confirming."""
        self._commanded_at = at
        self._unconfirmed = set(self._answering)

    def port(self, boards: Iterable[str], fault: str, at: int) -> bool:
        """The port of these boards has a fault, or "" when it is open again. True when that is
        news: a port that is lost again and again is told of each time."""
        names = list(boards)
        news = any(self._port_faults[name] != fault for name in names)
        self._port_faults.update(dict.fromkeys(names, fault))
        if fault:
            self._agreement.port_lost(names, at)
        else:
            self._agreement.port_found(names, at)
        return news

    def answered(self, report: BoardReport, at: int) -> tuple[bool, bool]:
        """Take one report: (the board has just begun to answer badly, it heard a stranger)."""
        self._reports[report.board] = report
        word = _WORDS[report.answered]
        turned = word is not Word.RIGHT and self._agreement.word(report.board) is not word
        strange = self._heard_a_stranger(report)
        self._agreement.answered(report.board, word, at)
        return turned, strange

    @property
    def deadline(self) -> int | None:
        """When :meth:`pass_time` is wanted next."""
        return self._agreement.deadline

    def pass_time(self, now: int) -> str | None:
        """The reason, once, when a darkness has become one that only a relight ends."""
        return self._agreement.pass_time(now)

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
        return json.dumps({each: self._reports[each].seen for each in self._answering})
