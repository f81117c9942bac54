"""What must hold of the play clock at every order, whatever the rule set and the table say.

Said cheaply enough for hundreds of games; the table itself is in :mod:`tests.exploration.model`.
"""

from __future__ import annotations

import copy

from controller.rules.effects import Decision, Effect, Marked, Nudged, ReachedZero, Result
from controller.rules.events import Order, PlayEnded, Ready, Role, RunNumber, SetCount, Undo
from controller.rules.events import ToggleBoards as Toggle
from controller.rules.numerals import SECOND_NS
from controller.rules.phases import Boards, Expired, Idle, Live, Running, Set
from controller.rules.play_clock import UNDO_DEPTH, PlayClock, State
from controller.rules.rulings import StartsOn
from tests.exploration.model import SAYS_LESS


class BrokenInvariantError(AssertionError):
    """Says which invariant, and at which order."""


def pass_time(clock: PlayClock, to: int) -> None:
    """Let time pass: the first change takes one off the numerals, marks fall, zero comes last."""
    expires_at, due = clock.expires_at, clock.deadline
    if due is None or due > to:
        _hold(not clock.pass_time(to), "nothing is told before the deadline", to)
        return
    if expires_at is None:
        _pass_live(clock, due, to)
        return
    was = clock.numerals(due - 1)
    effects: list[Effect] = clock.pass_time(due)
    _hold(clock.numerals(due) == (was or 0) - 1, "a running count falls by one", due)
    effects += clock.pass_time(to)
    marks = [each.seconds for each in effects if isinstance(each, Marked)]
    _hold(marks == sorted(set(marks), reverse=True), "marks fall", to)
    zeros = [each.at for each in effects if isinstance(each, ReachedZero)]
    over = expires_at is not None and expires_at <= to
    _hold(zeros == ([expires_at] if over else []), "zero comes once, at the end of the count", to)


def _pass_live(clock: PlayClock, due: int, to: int) -> None:
    """While the ball is live nothing changes, and the crew is nudged once."""
    was = clock.state
    effects = [*clock.pass_time(due), *clock.pass_time(to)]
    _hold(effects == [Nudged(due)], "the crew is nudged once, when it is due", to)
    _hold(clock.deadline is None, "the crew is not nudged again", to)
    _hold(clock.state.down.phase == was.down.phase, "the ball stays live", to)


def decide(clock: PlayClock, order: Order) -> Decision:
    """Let the clock decide one order and hold it to everything. Raises BrokenInvariantError."""
    at = order.at
    pass_time(clock, at)
    before, gesture = clock.state, clock.gesture
    left_s = clock.numerals(at)
    was = clock.numerals(at) if isinstance(before.down.phase, Running) else None
    decided, effects = clock.handle(order, at)
    after = clock.state
    _hold(not effects, "time that has passed tells nothing again", order)
    _hold(decided.left_s == left_s, "what was left is recorded", order)
    if decided.changed:
        _check_rise(before, was, clock, decided)
    else:
        _check_kept(before, after, decided)
        _hold(clock.gesture is gesture, "what changes nothing leaves all as it is", order)
    phase = after.down.phase
    _check_due(clock, order)
    relit = before.off is not None and after.off is None
    _hold(not relit or isinstance(order.event, Toggle), "only a relight ends off", order)
    off = clock.boards is Boards.OFF
    _hold(off is (after.off is not None), "boards are off while they are put off", order)
    _hold(len(after.history) <= UNDO_DEPTH, "the history is bounded", order)
    if isinstance(order.event, PlayEnded) and decided.changed:
        _check_ruling(clock, decided)
        _check_promise(before, clock, decided)
    _check_vague(clock, order)
    if isinstance(phase, Set) and phase is not before.down.phase:
        _check_start(clock, phase, order)
    if isinstance(order.event, Undo) and decided.changed:
        _check_undone(before, after, order)
    elif _took_one(before, after):
        _check_taken(before, after, order)
    return decided


def _took_one(before: State, after: State) -> bool:
    """True when the order is in the history; not when all it did was to take back another."""
    newest = after.history[-1] if after.history else None
    return newest is not None and all(newest is not each for each in before.history)


def _check_due(clock: PlayClock, order: Order) -> None:
    """A running count is due within a second; the ball in play when it is live for too long."""
    phase, due = clock.state.down.phase, clock.deadline
    if isinstance(phase, Running):
        soon = due is not None and order.at < due <= order.at + SECOND_NS
        _hold(soon, "a running count is due in a second", order)
    elif isinstance(phase, Live):
        nudge_at = phase.since + int(clock.settings.nudge_s * SECOND_NS)
        to_come = nudge_at > order.at and clock.settings.nudge_s > 0
        _hold(due == (nudge_at if to_come else None), "a live ball is due when it nudges", order)
    else:
        _hold(due is None, "nothing else is due", order)


def _check_vague(clock: PlayClock, order: Order) -> None:
    """A vague word beside an exact one of its kind does not weigh anything."""
    named, rules = clock.state.down.named, clock.rules
    for vague in named & SAYS_LESS.keys():
        if SAYS_LESS[vague] & named and rules.counts_as(vague, named & rules.facts) == vague:
            same = rules.in_force(named) == rules.in_force(named - {vague})
            _hold(same, "an exact word is not weaker than a vague one", order)


def _check_promise(before: State, clock: PlayClock, decided: Decision) -> None:
    """What was promised never changes the numeral of an end of play without being said."""
    event, rules, down = decided.order.event, clock.rules, clock.state.down
    assert isinstance(event, PlayEnded)
    if decided.promised or decided.assumed or decided.result is Result.ASSUMED:
        return
    if not isinstance(before.down.phase, Live) or not isinstance(down.phase, Running):
        return
    told = rules.in_force(before.down.named | {event.ending} | event.facts)
    up = (down.phase.seconds, StartsOn.DEAD_BALL)
    signal = decided.ruling is not None and decided.ruling.starts_on is StartsOn.SIGNAL
    plain = told is not None and (told.seconds, told.starts_on) == up
    _hold(plain or signal, "a promise that changes a numeral is said", decided.order)


def _hold(holds: bool, what: str, where: object) -> None:
    if not holds:
        raise BrokenInvariantError(f"{what}: not at {where}")


def _check_kept(before: State, after: State, decided: Decision) -> None:
    """What is refused changes nothing; what was so already may add what was named."""
    order = decided.order
    _hold(decided.reason != "", "what changes nothing has a reason", order)
    if decided.result is Result.NO_CHANGE and isinstance(order.event, PlayEnded):
        noted = after.down
        before = before._replace(
            down=before.down._replace(
                named=noted.named, stoppage_at=noted.stoppage_at, coming=noted.coming
            )
        )
    _hold(after is before or after == before, "what changes nothing leaves all as it is", order)


def _check_rise(before: State, was: int | None, clock: PlayClock, decided: Decision) -> None:
    """The numerals of a running count rise by a reset, a correction, Undo or a new down only."""
    order, now = decided.order, clock.numerals(decided.order.at)
    both = isinstance(before.down.phase, Running) and clock.expires_at is not None
    if not both or was is None or now is None or now <= was:
        return
    told = isinstance(order.event, RunNumber | SetCount | Undo) or decided.assumed == "snap"
    ruling = decided.ruling
    signal = ruling is not None and ruling.starts_on is StartsOn.SIGNAL
    taken_back = order.amends or order.role is Role.FIELD
    exact = decided.gave_way is not None  # counted from the ready, with what is right now
    _hold(told or signal or taken_back or exact, "a running count does not rise by itself", order)


def _check_ruling(clock: PlayClock, decided: Decision) -> None:
    """The ruling after an ending is the rule set's answer for all that was named of the down."""
    down = clock.state.down
    if decided.ruling is None or decided.ruling.starts_on is StartsOn.SIGNAL:
        return
    if decided.ruling is clock.rules.low_time:
        _hold(isinstance(down.phase, Idle), "with too little time no count is up", decided.order)
        return
    phase = down.phase
    if isinstance(phase, Set | Running) and down.ruling is not None:
        _hold(phase.seconds == down.ruling.seconds, "the ruling's number is up", decided.order)


def _check_start(clock: PlayClock, phase: Set, order: Order) -> None:
    """A held number is what the next ready runs."""
    at = order.at + 2 * SECOND_NS
    later = copy.copy(clock)
    later.handle(Order(Ready(), at, 2, Role.FIELD), at)
    runs = later.expires_at == at + phase.seconds * SECOND_NS
    _hold(runs or phase.seconds == 0, "what is held is what the ready runs", order)


def _check_taken(before: State, after: State, order: Order) -> None:
    """An accepted order leaves the down before it for Undo, newest last."""
    taken = after.history[-1]
    displaces = order.amends or order.role is Role.FIELD  # what it took back is not in between
    _hold(displaces or taken.before == before.down, "Undo finds the down before", order)
    _hold(taken.order.role is order.role, "Undo finds who gave it", order)


def _check_undone(before: State, after: State, order: Order) -> None:
    """Undo gives back what was there, less the time since."""
    expected = before.history[-1].before
    phase = expected.phase
    if isinstance(phase, Running) and phase.expires_at <= order.at:
        expected = expected._replace(phase=Expired())
    _hold(after.down == expected, "Undo gives back what was there", order)
    _hold(after.history == before.history[:-1], "Undo takes one order back", order)
