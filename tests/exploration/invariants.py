"""What holds at every step and in every state, whatever was pressed before.

The design's table is written down here a second time, cell by cell, and by no function of the core.
"""

from __future__ import annotations

import copy
import itertools

from controller.rules.effects import Decision, Result
from controller.rules.events import (
    BoardsFault,
    Event,
    HoldNumber,
    Number,
    Order,
    PlayEnded,
    Ready,
    Role,
    RunNumber,
    SetCount,
    Snap,
    Stop,
    ToggleBoards,
    Undo,
)
from controller.rules.phases import (
    Down,
    Expired,
    Idle,
    Live,
    Phase,
    Running,
    Set,
    StartedBy,
    Stopped,
    name,
)
from controller.rules.play_clock import PlayClock, State
from controller.rules.rulings import ROUTINE_ENDS, RuleSet, StartsOn
from tests.controller.rules.naive_model import FOULS, contradicts

S = 1_000_000_000

COLUMNS = ("IDLE", "SET", "RUNNING", "LIVE", "STOPPED", "EXPIRED")
TABLE = {
    row.split(":")[0].strip(): dict(zip(COLUMNS, row.split(":")[1].split(), strict=True))
    for row in """
    routine end : count   set-end count-end count   count   count
    stoppage    : set     set     set     set     set     zero
    held        : set     set     set     set     set     set
    pump        : run     run     run     run     run     run
    Ready       : run     run     same    run     run     run
    Snap        : live    live    live    same    live    live
    Stop        : refused same    stopped refused follows same
    NoCount     : same    idle    idle    idle    idle    idle
    SetCount    : correct correct correct refused correct correct
    """.strip().splitlines()
}
"""The design's table: what each row leads to in each phase. ``count`` is what the ruling starts or
holds, ``-end`` that a window may say that it is of the same down."""


def check_step(before: PlayClock, after: PlayClock, decided: Decision) -> None:
    """One press; ``before`` is at the instant of the press."""
    event = decided.order.event
    phase = after.state.down.phase
    assert decided.phase_after == name(phase)
    assert isinstance(phase, Running) == (after.deadline is not None), "who has a deadline"
    at = decided.order.at
    assert after.deadline is None or at < after.deadline <= at + S, "the deadline's instant"
    relit = before.state.off is not None and after.state.off is None
    assert not relit or isinstance(event, ToggleBoards), "lit by something but a relight"
    darkened = before.state.off is None and after.state.off is not None
    assert not darkened or isinstance(event, ToggleBoards | BoardsFault), "darkened by a key"
    if decided.changed:
        check_changed(before, after, decided)
    else:
        noted = isinstance(event, PlayEnded) and decided.result is Result.NO_CHANGE
        assert kept(after, noted) == kept(before, noted), "what is refused changes nothing"
        assert decided.reason, "a refusal without a reason"
    check_numerals(before, after, decided)
    check_table(before, after, decided)


def kept(clock: PlayClock, but_named: bool) -> object:
    """All that the clock knows, save what an end of play that changes nothing may note."""
    state, down = clock.state, clock.state.down
    named = None if but_named else down.named
    rest = (state.off, state.history, state.last, clock.gesture, clock.boards)
    return (down.phase, named, down.stoppage_at, down.ruling, down.number, *rest)


def base(before: PlayClock, order: Order) -> tuple[State, bool]:
    """The state that an order is judged in, and whether an earlier press was taken back for it."""
    gesture = before.gesture
    if gesture is None:
        return before.state, False
    first = gesture.order
    field = order.role is Role.FIELD and first.role is Role.KEEPER
    field = field and order.at - first.at < S and contradicts(first.event, order.event)
    same = (order.gesture_at, order.handset) == (first.gesture_at, first.handset)
    if (order.amends and same) or (field and not same):
        return gesture.before._replace(off=before.state.off), True
    return before.state, False


def settled(down: Down, at: int) -> Down:
    """A down at ``at``: a count that has run out is zero."""
    out = isinstance(down.phase, Running) and down.phase.expires_at <= at
    return down._replace(phase=Expired()) if out else down


def check_changed(before: PlayClock, after: PlayClock, decided: Decision) -> None:
    """An accepted key is on top of what Undo takes back; Undo gives back exactly that, less the
    time since; boards and faults leave the count alone."""
    order, (was, given_back) = decided.order, base(before, decided.order)
    event, now = order.event, after.state
    if isinstance(event, ToggleBoards | BoardsFault):
        assert (now.down, now.history) == (was.down, was.history), "the boards moved the count"
    elif isinstance(event, Undo):
        taken = was.history[-1]
        assert now.history == was.history[:-1], "what is left to undo"
        assert now.down == settled(taken.before, order.at), "undo gives back exactly"
        assert order.role is Role.FIELD or taken.role is not Role.FIELD, "undid the field's press"
    elif not (given_back and now.history == was.history):
        assert now.history[:-1] == was.history[-15:], "what was to undo before"
        assert now.history[-1].role is order.role, "who pressed"
        assert settled(now.history[-1].before, order.at) == settled(was.down, order.at), "undo"


def check_numerals(before: PlayClock, after: PlayClock, decided: Decision) -> None:
    """While running, numerals rise only by a reset, a correction, Undo or a new down."""
    at, event = decided.order.at, decided.order.event
    if before.expires_at is not None and after.expires_at is not None:
        was, now = before.numerals(at), after.numerals(at)
        allowed = isinstance(event, RunNumber | SetCount | Undo) or decided.assumed == "snap"
        allowed = allowed or row_of(decided, after.rules, frozenset()) == "pump"
        allowed = allowed or base(before, decided.order)[1]
        assert was is not None and now is not None
        assert now <= was or allowed, "numerals rose"


def row_of(decided: Decision, rules: RuleSet, lately: frozenset[str]) -> str:
    """The row of the design's table; empty for what is not in it."""
    event: Event = decided.order.event
    if isinstance(event, HoldNumber | RunNumber):
        return "held" if isinstance(event, HoldNumber) else "pump"
    if not isinstance(event, PlayEnded):
        return type(event).__name__ if type(event).__name__ in TABLE else ""
    if event.ending not in rules.rulings:
        return ""
    facts = event.facts | (lately & rules.facts)
    own = rules.ruling(event.ending, facts)
    if own.starts_on is StartsOn.SIGNAL:
        return "pump"
    if rules.rulings["routine"].starts_on is StartsOn.DEAD_BALL:
        return "routine end" if own.starts_on is StartsOn.DEAD_BALL else "stoppage"
    routine = rules.counts_as(event.ending, facts) in ROUTINE_ENDS
    return "routine end" if routine else "stoppage"


def check_table(before: PlayClock, after: PlayClock, decided: Decision) -> None:
    """Each press leads where the design's table says."""
    order, result = decided.order, decided.result
    if order.role is Role.SHADOW or decided.reason == "the same press again":
        last = before.state.last
        again = last is not None and last.event == order.event and order.at - last.at < 3 * S // 2
        assert order.role is Role.SHADOW or again, "no such press lately"
        return
    if decided.reason == "the field official's press stands":
        first = before.gesture.order if before.gesture else None
        assert first is not None and first.role is Role.FIELD is not order.role
        assert order.at - first.at < S and contradicts(first.event, order.event)
        return
    was, _ = base(before, order)
    down = settled(was.down, order.at)
    over = down.stoppage_at is not None and order.at - down.stoppage_at >= 20 * S
    lately: frozenset[str] = frozenset() if over else down.named
    row = row_of(decided, after.rules, lately)
    if not row:
        undo = isinstance(order.event, Undo)
        mine = undo and bool(was.history)
        mine = mine and (order.role is Role.FIELD or was.history[-1].role is not Role.FIELD)
        assert (result is not Result.REFUSED) == (mine if undo else known(order.event)), "refused"
        return
    if result is Result.REFUSED:
        assert TABLE[row][name(down.phase)] == "refused", f"{row} refused in {name(down.phase)}"
        return
    assert TABLE[row][name(down.phase)] != "refused", f"{row} taken in {name(down.phase)}"
    expected = leads_to(TABLE[row][name(down.phase)], down, order, after.rules)
    now = after.state.down.phase
    left_out = low(expected, order, after.rules)
    assert shape(now) == (("IDLE",) if left_out else shape(expected)), f"{row} in {down.phase}"
    if isinstance(now, Running) and expected is not down.phase:
        assert now.expires_at == order.at + now.seconds * S, "the count is full"


def known(event: Event) -> bool:
    """True for what is outside the table and never refused."""
    return isinstance(event, ToggleBoards | BoardsFault)


def shape(phase: Phase) -> tuple[object, ...]:
    """A phase with what a person could see of it."""
    return (name(phase), getattr(phase, "seconds", None)) if name(phase) != "IDLE" else ("IDLE",)


def low(expected: Phase, order: Order, rules: RuleSet) -> bool:
    """True where a running game clock has less time than the count, and the rule set minds."""
    if order.game_clock_s is None or not isinstance(expected, Running):
        return False
    countless = rules.rulings["less_time_than_play_clock"].seconds is None
    started = expected.started_by is not StartedBy.REFEREE and expected.started_at == order.at
    return countless and started and order.game_clock_s < expected.seconds


def leads_to(cell: str, down: Down, order: Order, rules: RuleSet) -> Phase:
    """The phase that a cell of the table leads to."""
    at, event = order.at, order.event
    if cell in ("same", "live", "stopped", "idle"):
        return _plain(cell, down.phase, rules)
    if isinstance(event, PlayEnded):
        return _ended(cell, down, event, at, rules)
    if isinstance(event, SetCount):
        if event.seconds == 0:
            return Expired()
        running = isinstance(down.phase, Running)
        return _run(event.seconds, at, StartedBy.REFEREE) if running else Set(event.seconds)
    if isinstance(event, Stop):
        return Set(follows(down, rules))
    if isinstance(event, Ready):
        seconds = rules.administrative_s
        if isinstance(down.phase, Set):
            seconds = down.phase.seconds
        elif name(down.phase) in ("STOPPED", "EXPIRED"):
            seconds = follows(down, rules)
        return _run(seconds, at, StartedBy.READY)
    assert isinstance(event, HoldNumber | RunNumber)
    routine = event.number is Number.ROUTINE
    seconds = rules.routine_s if routine else rules.administrative_s
    return Set(seconds) if cell == "set" else _run(seconds, at, StartedBy.REFEREE)


def _plain(cell: str, phase: Phase, rules: RuleSet) -> Phase:
    if cell == "live":
        return Live(rules.routine_s)
    if cell == "stopped":
        assert isinstance(phase, Running)
        return Stopped(phase.seconds, 0)
    return Idle() if cell == "idle" else phase


def _run(seconds: int, at: int, by: StartedBy) -> Running:
    return Running(seconds, at, at + seconds * S, by)


def follows(down: Down, rules: RuleSet) -> int:
    """What follows a stop or a zero."""
    ruling = rules.in_force(down.named)
    waits = ruling is not None and ruling.starts_on is StartsOn.READY
    return ruling.seconds if waits and ruling and ruling.seconds else rules.administrative_s


def _ended(cell: str, down: Down, event: PlayEnded, at: int, rules: RuleSet) -> Phase:
    told = event.facts | {event.ending}
    phase, stoppage_at, named = down.phase, down.stoppage_at, down.named
    if cell == "run":
        seconds = rules.ruling(event.ending, event.facts).seconds
        assert seconds is not None
        return _run(seconds, at, StartedBy.REFEREE)
    if cell == "count-end":
        assert isinstance(phase, Running)
        if phase.started_by is StartedBy.DEAD_BALL and at - phase.started_at < 6 * S:
            return phase
        named = frozenset()
    elif cell == "set-end" and stoppage_at is not None:
        if at - stoppage_at < 20 * S:
            return phase
        named = frozenset()
    elif cell == "count" and name(phase) in ("STOPPED", "EXPIRED"):
        named = frozenset()
    ruling = rules.in_force(named | told)
    assert ruling is not None and ruling.seconds is not None
    if cell == "zero" and event_is_foul(event, named & rules.facts, rules):
        return phase
    if cell in ("set", "zero") or ruling.starts_on is StartsOn.READY:
        return Set(ruling.seconds)
    return _run(ruling.seconds, at, StartedBy.DEAD_BALL)


def event_is_foul(event: PlayEnded, facts: frozenset[str], rules: RuleSet) -> bool:
    """True for what leaves a zero up."""
    meant = rules.counts_as(event.ending, event.facts | facts)
    return meant.split("+")[0] in FOULS


def check_state(clock: PlayClock, at: int) -> None:
    """What holds in a state: numerals only fall by themselves, a held number is what the next ready
    runs, and the four keys of the back judge lead on."""
    ahead = [clock.numerals(at + k * S // 3) for k in range(8)]
    falls = all(a is None or b is None or a >= b for a, b in itertools.pairwise(ahead))
    assert falls, "numerals rose by themselves"
    phase = clock.state.down.phase
    then = at + 2 * S
    for event in (PlayEnded("routine"), HoldNumber(Number.ADMINISTRATIVE), Ready(), Snap()):
        later = copy.copy(clock)
        decided, _ = later.handle(Order(event, then, 2, Role.FIELD, then), then)
        assert decided.result is not Result.REFUSED, "a dead key"
        if isinstance(event, Ready):
            assert decided.phase_after == "RUNNING", "a ready that runs nothing"
            if isinstance(phase, Set):
                assert later.expires_at == then + phase.seconds * S, "the held number is what runs"
