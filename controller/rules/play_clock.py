"""The play clock: the heart. Orders and instants in, decisions and effects out.

Give it every order with :meth:`PlayClock.handle`, ask :attr:`PlayClock.deadline` when it next wants
to be called, and call :meth:`PlayClock.pass_time` then. It never reads a clock and never waits.

Order of judgement for one order: time passes up to its instant; the shadow role is recorded only;
the same order again changes nothing; the field official's press stands; a gesture that grows
stronger takes back what it did so far; then the one table decides.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.rules import promises
from controller.rules.actions import Context, Move, NoChange, is_of_stoppage, unless_low
from controller.rules.effects import (
    Decision,
    Effect,
    GaveWay,
    Marked,
    Nudged,
    ReachedZero,
    Result,
)
from controller.rules.endings import PLAYS
from controller.rules.events import (
    BoardsFault,
    Event,
    HoldNumber,
    MarkMoment,
    NoCount,
    Number,
    Order,
    PlayEnded,
    Role,
    Score,
    Stop,
    ToggleBoards,
    Undo,
)
from controller.rules.numerals import SECOND_NS, next_change_at
from controller.rules.phases import (
    Boards,
    Coming,
    Down,
    Expired,
    Idle,
    Live,
    Off,
    Running,
    name,
    shown,
)
from controller.rules.precedence import conflicts
from controller.rules.rulings import RuleSet, own_mark
from controller.rules.settings import Settings, check_settings
from controller.rules.transitions import IN_THE_TABLE, REFUSALS, TRANSITIONS, Kind, kind_of, why_not

UNDO_DEPTH = 16
"""Accepted key events that can be taken back: about four downs."""

MEMORY = 1_000
"""Events whose row in the table is remembered: far more than a game has."""

MARK_FRESH_NS = SECOND_NS // 2
"""A mark later than this is not cued: it would mislead. Zero always is."""

FIRST_OF_HALF = "first play of the half"
"""Promised by the break between the halves; nobody names it."""

_FIRST_KINDS = frozenset({Kind.READY, Kind.SNAP, Kind.ROUTINE_END})
_HELD_25 = HoldNumber(Number.ADMINISTRATIVE)
_FIRST_EVENTS = frozenset({_HELD_25, PlayEnded("start_of_period")})
"""What can begin a half."""

OVER = frozenset(PLAYS.values())
"""Promised plays that were taken to be over."""

NOTHING_YET = Down(Idle(), frozenset(), None, None, 0)
"""Before the first order of a game."""


class Taken(NamedTuple):
    """An accepted order, a score as what it was read as, and the down before it."""

    before: Down
    order: Order


class State(NamedTuple):
    """Everything the play clock knows. Immutable; give it back to go on exactly."""

    down: Down = NOTHING_YET
    off: Off | None = None
    history: tuple[Taken, ...] = ()
    last: Order | None = None
    """The last accepted order: the guard against the same press again looks at it."""


class LastGesture(NamedTuple):
    """The newest gesture's order, and the state before it, to give back when it is amended."""

    order: Order
    before: State


class Judgement(NamedTuple):
    """What became of an order; the fields are those of a :class:`Decision`. ``event`` is what a
    score was read as."""

    result: Result
    reason: str = ""
    assumed: str = ""
    promised: str = ""
    gave_way: GaveWay | None = None
    taken_back: Order | None = None
    event: PlayEnded | None = None


class PlayClock:
    """The play clock of one game under one rule set.

    ``state``, ``gesture`` and ``now`` may be those of a moment of another instance, to go on.
    """

    def __init__(
        self,
        rules: RuleSet,
        settings: Settings | None = None,
        state: State | None = None,
        now: int = 0,
        gesture: LastGesture | None = None,
    ) -> None:
        self.rules = rules
        self.settings = settings or Settings()
        check_settings(self.settings)
        self.state = state or State()
        self.gesture = gesture
        self._kinds: dict[tuple[Event, frozenset[str]], Kind] = {}
        self._nudge_at: int | None = None
        self._settle(now)

    # What it shows

    @property
    def boards(self) -> Boards:
        """The board axis. Off beats blank beats lit."""
        if self.state.off is not None:
            return Boards.OFF
        return Boards.BLANK if isinstance(self.state.down.phase, Idle) else Boards.LIT

    def numerals(self, now: int) -> int | None:
        """The count's numerals at ``now``, 0-99, whatever the boards do; None for no count."""
        return shown(self.state.down.phase, now)

    @property
    def expires_at(self) -> int | None:
        """When the running count reaches zero; None unless it runs."""
        phase = self.state.down.phase
        return phase.expires_at if isinstance(phase, Running) else None

    @property
    def mark_s(self) -> int:
        """The seconds left at which this running count has the rule set's own mark, see
        :func:`~controller.rules.rulings.own_mark`; 0 for none."""
        phase, rules = self.state.down.phase, self.rules
        if not isinstance(phase, Running):
            return 0
        routine = phase.seconds == rules.routine_s
        return own_mark(rules.marks | rules.routine_marks if routine else rules.marks)

    # Time

    @property
    def deadline(self) -> int | None:
        """When :meth:`pass_time` is wanted next: the next change of numerals while running, the
        nudge while the ball is live."""
        phase = self.state.down.phase
        if isinstance(phase, Running):
            return next_change_at(phase.expires_at, self._shown)
        return self._nudge_at

    def pass_time(self, now: int) -> list[Effect]:
        """Let time pass to ``now``: numerals fall, marks and zero come out, in order."""
        effects: list[Effect] = []
        while (due := self.deadline) is not None and due <= now:
            phase = self.state.down.phase
            if not isinstance(phase, Running):
                self._nudge_at = None
                effects.append(Nudged(due))
                continue
            self._shown -= 1
            if self._shown == 0:
                self._set_down(self.state.down._replace(phase=Expired()))
                effects.append(ReachedZero(due))
            if self._marked(phase, now - due):
                effects.append(Marked(self._shown, due))
        return effects

    def _marked(self, phase: Running, late_ns: int) -> bool:
        if self._shown in self.rules.marks:
            return self._shown == 0 or late_ns <= MARK_FRESH_NS
        routine = phase.seconds == self.rules.routine_s
        return routine and self._shown in self.rules.routine_marks and late_ns <= MARK_FRESH_NS

    def _set_down(self, down: Down) -> None:
        self.state = self.state._replace(down=down)

    def _settle(self, now: int) -> None:
        """Take up the state at ``now`` without replaying any mark or nudge."""
        self._expire(now)
        phase, nudge_ns = self.state.down.phase, int(self.settings.nudge_s * SECOND_NS)
        self._shown = shown(phase, now) or 0
        due = isinstance(phase, Live) and nudge_ns > 0 and phase.since + nudge_ns > now
        self._nudge_at = phase.since + nudge_ns if isinstance(phase, Live) and due else None

    def _expire(self, at: int) -> None:
        phase = self.state.down.phase
        if isinstance(phase, Running) and phase.expires_at <= at:
            self._set_down(self.state.down._replace(phase=Expired()))

    def _give_back(self, state: State, at: int) -> None:
        """Return to an earlier state, less the time since; the board axis stays as it is."""
        self.state = state._replace(off=self.state.off)
        self._expire(at)

    def expect_no_opening(self) -> None:
        """A game goes on that began without this clock: no opening kickoff is due."""
        coming = self.state.down.coming._replace(fresh=False)
        self._set_down(self.state.down._replace(coming=coming))

    # Orders

    def handle(self, order: Order, now: int) -> tuple[Decision, list[Effect]]:
        """Decide one order, which happened at ``order.at`` (not after ``now``).

        Never raises for anything a person can press or type: what cannot be is refused, with the
        reason, and changes nothing.
        """
        effects = self.pass_time(order.at)
        before = self.state
        judged = self._judge(order)
        if self.state.down.phase is not before.down.phase:
            self._settle(now)
        down, result = self.state.down, judged.result
        if result is Result.RUNNING and not isinstance(down.phase, Running):
            result = Result.HELD  # what was given back has run out meanwhile
        return Decision(
            order=order if judged.event is None else order._replace(event=judged.event),
            result=result,
            reason=judged.reason,
            assumed=judged.assumed,
            phase_before=name(before.down.phase),
            phase_after=name(down.phase),
            ruling=down.ruling,
            named=down.named,
            down=down.number,
            promised=judged.promised,
            gave_way=judged.gave_way,
            taken_back=judged.taken_back,
            left_s=shown(before.down.phase, order.at),
        ), effects

    def _judge(self, order: Order) -> Judgement:
        if order.role is Role.SHADOW:
            return Judgement(Result.NO_CHANGE, "a keeper in training: recorded, not driven")
        if self._same_again(order):
            return Judgement(Result.NO_CHANGE, "the same press again")
        before = self.state
        if (why := self._clear_the_way(order)) is not None:
            return Judgement(Result.REFUSED, why)
        cleared = self.state
        if cleared is not before and self._same_again(order):
            return self._given_back()
        judged = self._apply(order)
        if judged.result is Result.NO_CHANGE and cleared is not before:
            return self._given_back(judged.reason)
        if judged.result is Result.REFUSED:
            self.state = before
        elif judged.result is not Result.NO_CHANGE and not isinstance(
            order.event, MarkMoment | BoardsFault
        ):
            self._remember(order, before)
        return judged

    def _given_back(self, why: str = "") -> Judgement:
        """Taking back the earlier press was all that was needed: a double tap given twice, say."""
        self.gesture = None
        words = f"the earlier press is taken back{f': {why}' if why else ''}"
        return Judgement(self._plain_result(), words)

    def _plain_result(self) -> Result:
        return Result.RUNNING if isinstance(self.state.down.phase, Running) else Result.HELD

    def _same_again(self, order: Order) -> bool:
        last = self.state.last
        if last is None or isinstance(order.event, Undo) or order.event != last.event:
            return False
        if isinstance(order.event, Stop) and order.handset == last.handset:
            return False  # given again it shows what follows, and needs no waiting
        return order.at - last.at < self.settings.same_press_s * SECOND_NS

    def _clear_the_way(self, order: Order) -> str | None:
        """Take back what this order displaces; the reason when it may not stand."""
        gesture = self.gesture
        if gesture is None or (gesture.order.role is order.role and not order.amends):
            return None
        first = gesture.order
        if self._is_of(gesture, order):
            if order.amends:
                self._give_back(gesture.before, order.at)
            return None
        lately = order.at - first.at < self.settings.field_stands_s * SECOND_NS
        if lately and first.role is not order.role and conflicts(first.event, order.event):
            if first.role is Role.FIELD:
                return "the field official's press stands"
            if order.role is Role.FIELD:
                self._give_back(gesture.before, order.at)
        return None

    @staticmethod
    def _is_of(gesture: LastGesture, order: Order) -> bool:
        first, taps = gesture.order, order.gesture_at is not None
        return taps and (order.gesture_at, order.handset) == (first.gesture_at, first.handset)

    def _remember(self, order: Order, before: State) -> None:
        if self.gesture is not None and self._is_of(self.gesture, order):
            before = self.gesture.before
        self.gesture = LastGesture(order, before)
        self.state = self.state._replace(last=order)

    def _apply(self, order: Order) -> Judgement:
        if isinstance(order.event, Score):
            return self._scored(order)
        if type(order.event) in IN_THE_TABLE:
            return self._transition(order, self.state.down)
        match order.event:
            case Undo():
                return self._undo(order)
            case ToggleBoards():
                off = Off.ORDERED if self.state.off is None else None
                self.state = self.state._replace(off=off)
                return Judgement(
                    Result.HELD, "boards relit" if off is None else "boards off by order"
                )
            case BoardsFault(reason):
                if self.state.off is not None:
                    return Judgement(Result.NO_CHANGE, f"boards are already off: {reason}")
                self.state = self.state._replace(off=Off.FAULT)
                return Judgement(Result.HELD, reason)
        return Judgement(Result.HELD, "moment marked")

    def _scored(self, order: Order) -> Judgement:
        """A score, read as the only one that it can be."""
        down = self.state.down
        read = promises.read_score(self.rules, down, order.at, self._of_stoppage(down, order.at))
        told = order._replace(event=PlayEnded(read.ending))
        judged = self._transition(told, read.down)
        if read.assumed and judged.result in (Result.HELD, Result.RUNNING):
            judged = judged._replace(
                result=Result.ASSUMED,
                assumed=read.assumed,
                reason=judged.reason or f"assumed: {read.assumed}",
            )
        return judged._replace(event=PlayEnded(read.ending))

    def _transition(self, order: Order, told: Down) -> Judgement:
        """What the table says of ``order`` with the down as it was ``told``: that of the state, but
        for what the order itself tells of it."""
        event = promises.of_play(self.rules, order.event, told.coming)
        order = order._replace(event=event)
        lately = self._named_lately(told, order.at)
        kind = self._kinds.get((event, lately))
        if kind is None:
            if isinstance(event, PlayEnded) and (why := why_not(event, self.rules)):
                return Judgement(Result.REFUSED, why)
            kind = kind_of(event, self.rules, lately)
            if len(self._kinds) < MEMORY:
                self._kinds[event, lately] = kind
        down = self._at_half(told, order, kind)
        transition = TRANSITIONS[type(down.phase)].get(kind)
        if transition is None:
            return Judgement(Result.REFUSED, REFUSALS[type(down.phase), kind])
        context = Context(down, event, order.at, self.rules, self.settings, order.game_clock_s)
        outcome = unless_low(context, transition(context))
        if isinstance(outcome, NoChange):
            if outcome.noted is not None:
                self._set_down(outcome.noted)
            return Judgement(Result.NO_CHANGE, outcome.why)
        if type(outcome.down.phase) is type(down.phase) and outcome.down == self.state.down:
            return Judgement(Result.NO_CHANGE, "that is so already")
        judged = self._accept(order, kind, outcome)
        return judged if down is told else judged._replace(promised=FIRST_OF_HALF)

    def _at_half(self, down: Down, order: Order, kind: Kind) -> Down:
        """The down, with the play promised that begins a half if ``order`` does."""
        if not isinstance(down.phase, Idle) or not promises.begins_half(down.coming, order.at):
            return down
        event = order.event
        if isinstance(event, PlayEnded):
            event = PlayEnded(event.ending)
        first = kind in _FIRST_KINDS or event in _FIRST_EVENTS
        if not first or not promises.opening_play(self.rules):
            return down
        return down._replace(coming=promises.half_begun(self.rules, down.coming))

    def _named_lately(self, down: Down, at: int) -> frozenset[str]:
        """What was named for this down; nothing once its stoppage is too old to be of it."""
        old = down.stoppage_at is not None and not self._of_stoppage(down, at)
        return frozenset() if old else down.named

    def _of_stoppage(self, down: Down, at: int) -> bool:
        return is_of_stoppage(down, at, self.settings)

    def _accept(self, order: Order, kind: Kind, move: Move) -> Judgement:
        gave_way = self._gave_way(move.gave_way, order.at) if move.gave_way else None
        down = move.down._replace(coming=_opening(move.down.coming, order.event, kind))
        taken = Taken(self.state.down, order)
        history = (*self.state.history[1 - UNDO_DEPTH :], taken)
        self.state = self.state._replace(down=down, history=history)
        assumed = [word for word in (move.assumed, move.promised) if word]
        note = move.note or (f"assumed: {', '.join(assumed)}" if assumed else "")
        result = Result.ASSUMED if move.assumed or move.promised in OVER else self._plain_result()
        return Judgement(result, note, move.assumed, move.promised, gave_way)

    def _gave_way(self, words: frozenset[str], at: int) -> GaveWay | None:
        """The newest of ``words``, and how long ago it was told."""
        for taken in reversed(self.state.history):
            event = taken.order.event
            if isinstance(event, PlayEnded) and event.ending in words:
                return GaveWay(event.ending, at - taken.order.at)
        return None

    def _undo(self, order: Order) -> Judgement:
        if not self.state.history:
            return Judgement(Result.REFUSED, "nothing to undo")
        taken = self.state.history[-1]
        if taken.order.role is Role.FIELD and order.role is not Role.FIELD:
            return Judgement(Result.REFUSED, "the keeper cannot undo the field official's press")
        self.state = self.state._replace(down=taken.before, history=self.state.history[:-1])
        return Judgement(self._plain_result(), "taken back", taken_back=taken.order)


def _opening(coming: Coming, event: Event, kind: Kind) -> Coming:
    """Whether an opening kickoff is still due after ``event``, one of ``kind``: the first order of
    a game held its number, and no play came since."""
    if coming.fresh:
        return coming._replace(fresh=isinstance(event, NoCount), opening=event == _HELD_25)
    if not coming.opening or event == _HELD_25:
        return coming
    waits = kind in (Kind.STOPPAGE, Kind.STOP, Kind.NO_COUNT) and not coming.next
    return coming._replace(opening=waits)
