"""What a handset makes the thumb feel, counted from the last STATE by its own clock. Pure."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from drivers.base import MS_NS, S_NS, Answer, CueCode, PhaseCode
from drivers.handset.messages import StateFlag, StateFrame

_TICK = 10 * MS_NS

LINK_LOST_S = 3
FLUTTER_S = 5
SAME_COUNT_MS = 500
"""A STATE that moves zero by less than this corrects the count; by more, it is another count."""
STATE_FLIGHT_NS = 31 * 10 * S_NS // 38_400
"""From the first byte of a STATE sent to its last byte heard, on a serial line alone."""


class CueKind(enum.Enum):
    """What the thumb feels, by what it means."""

    RUNNING = "running: one short"
    HELD = "held: two short"
    NO_CHANGE = "no change: a tick"
    REFUSED = "refused: one long"
    NOT_HEARD = "not heard: one long"
    ASSUMED = "assumed: short-long"
    MARK = "the rule set's mark: one medium"
    MARK_10 = "10 left: two medium"
    MARK_TICK = "5 to 1 left: a tick"
    ZERO = "zero: 0.8 s"
    NUDGE = "ball live too long: two ticks apart"
    COURTESY_WARNING = "courtesy count ends soon: three ticks"
    COURTESY_OVER = "courtesy count over: three short"
    FLUTTER = "boards off or differing: a flutter"


RESULT_CUES = {
    Answer.RUNNING: CueKind.RUNNING,
    Answer.HELD: CueKind.HELD,
    Answer.NO_CHANGE: CueKind.NO_CHANGE,
    Answer.REFUSED: CueKind.REFUSED,
    Answer.ASSUMED: CueKind.ASSUMED,
    Answer.NOT_HEARD: CueKind.NOT_HEARD,
}
TOLD_CUES = {
    CueCode.NUDGE: CueKind.NUDGE,
    CueCode.COURTESY_WARNING: CueKind.COURTESY_WARNING,
    CueCode.COURTESY_OVER: CueKind.COURTESY_OVER,
}
"""What STATE's cue asks for, by the low nibble."""
_MARKS_S = {10: CueKind.MARK_10}
_MARKS_S |= dict.fromkeys((5, 4, 3, 2, 1), CueKind.MARK_TICK) | {0: CueKind.ZERO}
"""Of every count; any other mark is the rule set's own."""
_ALARMS = StateFlag.BOARDS_OFF | StateFlag.FAULT


@dataclass(frozen=True, slots=True)
class Cue:
    """One cue and the instant it began."""

    kind: CueKind
    at: int


LONGEST_PAST = 1_000
"""Cues that are remembered: more than a long count has."""


class CueClock:
    """The count and the cues of one handset, by the table of ``hardware/PROTOCOL.md``.

    ``flight_ns`` is what the firmware takes off for the way of a STATE. Call :meth:`pass_time`
    at :attr:`next_at`; instants may not go back.
    """

    def __init__(self, flight_ns: int = STATE_FLIGHT_NS) -> None:
        self.played: list[Cue] = []
        self._flight_ns = flight_ns
        self._state: StateFrame | None = None
        self._link_ends_at: int | None = None
        self._zero_at: int | None = None
        self._ahead: list[int] = []
        """Marks that this count has still to pass, in seconds left."""
        self._alarm = False
        self._flutter_at: int | None = None
        self._cue: int | None = None
        """The cue told last, None where the next one only sets it."""

    @property
    def next_at(self) -> int | None:
        """The next instant at which something happens by itself."""
        instants = [self._link_ends_at, self._flutter_at]
        if self._zero_at is not None and self._ahead:
            instants.append(self._zero_at - self._ahead[0] * S_NS)
        return min((instant for instant in instants if instant is not None), default=None)

    @property
    def linked(self) -> bool:
        """False when the lamp says that the link is lost."""
        return self._link_ends_at is not None

    def numerals(self, at: int) -> int | None:
        """The numeral shown: counted on from the last STATE to that count's zero, no further.

        None for no count, and when the link is lost: a stale number is worse than none.
        """
        if not self.linked or self._state is None or self._state.numerals is None:
            return None
        if self._zero_at is None:
            return self._state.numerals
        return min(self._state.numerals, max(0, -((at - self._zero_at) // S_NS)))

    def play(self, kind: CueKind, at: int) -> None:
        """Play one cue."""
        self.played.append(Cue(kind, at))
        del self.played[:-LONGEST_PAST]

    def key(self) -> None:
        """Any key stops the flutter."""
        self._alarm, self._flutter_at = False, None

    def welcomed(self) -> None:
        """A session begins: the cue that its first STATE names was for others."""
        self._cue = None

    def hear(self, state: StateFrame, at: int) -> None:
        """Take a STATE that is authentic and new, heard at ``at``."""
        self.pass_time(at)
        before, self._state = self._state, state
        self._link_ends_at = at + LINK_LOST_S * S_NS
        self._hear_count(state, at)
        self._hear_cue(state.cue, at)
        self._hear_alarms(before, state, at)

    def pass_time(self, at: int) -> None:
        """Count on to ``at``; stop where the link is lost."""
        until = at if self._link_ends_at is None else min(at, self._link_ends_at)
        self._pass_marks(until)
        self._flutter(until)
        if self._link_ends_at is not None and at >= self._link_ends_at:
            self._link_ends_at = self._zero_at = self._flutter_at = None
            self._ahead = []

    def _hear_count(self, state: StateFrame, at: int) -> None:
        if state.phase is PhaseCode.RUNNING:
            zero_at = at + state.remaining_10ms * _TICK - self._flight_ns
            if self._zero_at is None or abs(zero_at - self._zero_at) >= SAME_COUNT_MS * MS_NS:
                marks = _MARKS_S.keys() | ({state.mark} if state.mark else set())
                ahead = (mark for mark in marks if zero_at - mark * S_NS > at)
                self._ahead = sorted(ahead, reverse=True)
            self._zero_at = zero_at
            self._pass_marks(at, played_at=at)
        else:
            if state.phase is PhaseCode.EXPIRED and self._zero_at is not None and self._ahead:
                self.play(CueKind.ZERO, at)
            self._zero_at, self._ahead = None, []

    def _hear_cue(self, cue: int, at: int) -> None:
        before, self._cue = self._cue, cue
        if cue and before is not None and cue != before:
            self.play(TOLD_CUES[CueCode(cue & 0xF)], at)

    def _hear_alarms(self, before: StateFrame | None, state: StateFrame, at: int) -> None:
        alarms = state.flags & _ALARMS
        if alarms & ~(before.flags if before else StateFlag(0)):
            self._alarm, self._flutter_at = True, None
        self._alarm = self._alarm and bool(alarms)
        if not self._alarm:
            self._flutter_at = None
        elif self._flutter_at is None:
            self._flutter_at = at
            self._flutter(at)

    def _pass_marks(self, at: int, played_at: int | None = None) -> None:
        """Play the marks that come by ``at``; those that a correction hurried, at ``played_at``."""
        while self._zero_at is not None and self._ahead:
            passed_at = self._zero_at - self._ahead[0] * S_NS
            if passed_at > at:
                return
            kind = _MARKS_S.get(self._ahead.pop(0), CueKind.MARK)
            self.play(kind, played_at or passed_at)

    def _flutter(self, at: int) -> None:
        while self._flutter_at is not None and self._flutter_at <= at:
            self.play(CueKind.FLUTTER, self._flutter_at)
            self._flutter_at += FLUTTER_S * S_NS
