"""What each entry of the table does: the down as it is, to the down as it becomes.

Every function here is one cell, or one row of cells, of :mod:`controller.rules.transitions`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from controller.rules.events import Event, HoldNumber, Number, PlayEnded, RunNumber, SetCount
from controller.rules.numerals import SECOND_NS
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
)
from controller.rules.rulings import RuleSet, Ruling, StartsOn
from controller.rules.settings import Settings


class Context(NamedTuple):
    """All that a transition may look at. ``at`` is the instant of the event."""

    down: Down
    event: Event
    at: int
    rules: RuleSet
    settings: Settings
    game_clock_s: int | None = None

    def number(self, number: Number) -> Ruling:
        """The ruling for a bare number key."""
        routine = number is Number.ROUTINE
        seconds = self.rules.routine_s if routine else self.rules.administrative_s
        return Ruling(number.value, seconds, StartsOn.READY, KEEPER, "text")

    @property
    def what_follows(self) -> Ruling:
        """What the next ready runs after a stop or a zero: what the facts call for, if that waits
        for a ready, else the administrative number."""
        ruling = self.rules.in_force(self.down.named)
        if ruling is not None and ruling.starts_on is StartsOn.READY and ruling.seconds:
            return ruling
        return self.number(Number.ADMINISTRATIVE)


KEEPER: Final = "set by the keeper"


class Move(NamedTuple):
    """What the down becomes; ``assumed`` names what nobody pressed."""

    down: Down
    assumed: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class NoChange:
    """The count stays as it is, and ``why``. ``named``: facts that are noted all the same, so that
    what is told of a down later finds them."""

    why: str
    named: frozenset[str] | None = None


Outcome = Move | NoChange
Transition = Callable[[Context], Outcome]


def _run(c: Context, seconds: int, by: StartedBy, lag_s: float = 0.0) -> Running:
    starts_at = c.at + int(lag_s * SECOND_NS)
    return Running(seconds, c.at, starts_at + seconds * SECOND_NS, by)


# Ends of a play


def _named(c: Context) -> frozenset[str]:
    assert isinstance(c.event, PlayEnded)
    return c.down.named | {c.event.ending} | c.event.facts


def _end_play(c: Context, before: frozenset[str]) -> Down:
    """The count of an end of play whose down so far was told ``before``."""
    assert isinstance(c.event, PlayEnded)
    named = before | {c.event.ending} | c.event.facts
    ruling = c.rules.in_force(named)
    assert ruling is not None and ruling.seconds is not None
    if ruling.starts_on is StartsOn.DEAD_BALL:
        phase: Phase = _run(c, ruling.seconds, StartedBy.DEAD_BALL, c.settings.start_lag_s)
    else:
        phase = Set(ruling.seconds)
    return Down(phase, named, None, ruling, c.down.number)


def same_down(c: Context) -> Outcome:
    """The end of the down in progress."""
    return Move(_end_play(c, c.down.named))


def end_after_stop(c: Context) -> Outcome:
    """An end of play after a stop: what the stopped count was for is over."""
    return Move(_end_play(c, frozenset()))


def new_down(c: Context) -> Outcome:
    """An end of play of a new down, whose snap nobody pressed."""
    down = _end_play(c, frozenset())
    return Move(down._replace(number=down.number + 1), assumed="snap")


def routine_in_set(c: Context) -> Outcome:
    """An end of play while a number is held: it never displaces a stoppage of this down."""
    if c.down.stoppage_at is None:
        return same_down(c)
    if c.at - c.down.stoppage_at < c.settings.stoppage_holds_s * SECOND_NS:
        return NoChange("a stoppage of this down was named: its number stands", _named(c))
    return new_down(c)


def routine_in_running(c: Context) -> Outcome:
    """An end of play while a count runs: pressed again, or a new down."""
    phase = c.down.phase
    assert isinstance(phase, Running)
    young = c.at - phase.started_at < c.settings.same_down_s * SECOND_NS
    if phase.started_by is StartedBy.DEAD_BALL and young:
        return NoChange("the same end of play, pressed again", _named(c))
    return new_down(c)


def stoppage(c: Context) -> Outcome:
    """A named stoppage: the number that all facts of the down call for, held."""
    named = _named(c)
    ruling = c.rules.in_force(named)
    assert ruling is not None and ruling.seconds is not None
    if (Set(ruling.seconds), named) == (c.down.phase, c.down.named):
        return NoChange("already named for this down")
    return Move(Down(Set(ruling.seconds), named, c.at, ruling, c.down.number))


def stoppage_at_zero(c: Context) -> Outcome:
    """A named stoppage at zero: a foul keeps the zero, anything else shows its number."""
    assert isinstance(c.event, PlayEnded)
    named = _named(c)
    if not c.rules.is_foul(c.event.ending, named & c.rules.facts):
        return stoppage(c)
    if named == c.down.named:
        return NoChange("already named for this down")
    down = c.down._replace(named=named, stoppage_at=c.at, ruling=c.rules.in_force(named))
    return Move(down, note="zero stays until the penalty is completed")


# Numbers


def hold(c: Context) -> Outcome:
    """A bare number, held."""
    assert isinstance(c.event, HoldNumber)
    ruling = c.number(c.event.number)
    assert ruling.seconds is not None
    if c.down.phase == Set(ruling.seconds):
        return NoChange(f"{ruling.seconds} is already shown and held")
    return Move(c.down._replace(phase=Set(ruling.seconds), ruling=ruling))


def reset_and_run(c: Context) -> Outcome:
    """A pumped palm, or an ending that the referee starts at once: its number, running."""
    if isinstance(c.event, PlayEnded):
        ruling = c.rules.ruling(c.event.ending, c.event.facts)
    else:
        assert isinstance(c.event, RunNumber)
        ruling = replace(c.number(c.event.number), starts_on=StartsOn.SIGNAL)
    assert ruling.seconds is not None
    phase = _run(c, ruling.seconds, StartedBy.REFEREE)
    return Move(c.down._replace(phase=phase, ruling=ruling))


def _ready(c: Context, ruling: Ruling | None, assumed: str = "") -> Outcome:
    """The ready runs ``ruling``, and with that the stop it ends is over: what was named for it is
    used up. A stoppage before the snap is judged by itself."""
    assert ruling is not None and ruling.seconds is not None
    phase = _run(c, ruling.seconds, StartedBy.READY)
    return Move(Down(phase, frozenset(), None, ruling, c.down.number), assumed)


def ready_in_set(c: Context) -> Outcome:
    """The ready runs the number that is held."""
    assert c.down.ruling is not None
    return _ready(c, c.down.ruling)


def ready_unprepared(c: Context) -> Outcome:
    """A ready with no number up: an administrative start."""
    return _ready(c, c.number(Number.ADMINISTRATIVE), assumed="administrative number")


def ready_in_live(c: Context) -> Outcome:
    """A ready with the ball live: an administrative start, normal where every count waits."""
    waits = c.rules.rulings["routine"].starts_on is StartsOn.READY
    return _ready(c, c.number(Number.ADMINISTRATIVE), "" if waits else "administrative number")


def ready_what_follows(c: Context) -> Outcome:
    """A ready after a stop or at zero runs what follows."""
    return _ready(c, c.what_follows)


def ready_in_running(c: Context) -> Outcome:
    """A ready while a count runs."""
    return NoChange("the count already runs")


# Low game clock


def unless_low(c: Context, outcome: Outcome) -> Outcome:
    """``outcome``, but no count where a running game clock has less time than the count that a dead
    ball or a ready would start, and the rule set says so. A pump and a correction are the
    referee's own order and run."""
    left_s, ruling = c.game_clock_s, c.rules.low_time
    if left_s is None or ruling is None or isinstance(outcome, NoChange):
        return outcome
    down, phase = outcome.down, outcome.down.phase
    if not isinstance(phase, Running) or phase.started_by is StartedBy.REFEREE:
        return outcome
    if left_s >= phase.seconds:
        return outcome
    note = f"{left_s // 60}:{left_s % 60:02} left on the game clock: no count is started"
    return Move(down._replace(phase=Idle(), ruling=ruling), outcome.assumed, note)


# Snap, stop, no count, correction


def snap(c: Context) -> Outcome:
    """The ball is in play: the routine number, held, and a new down."""
    live = Live(c.rules.routine_s)
    assumed = "ready" if isinstance(c.down.phase, Set) else ""
    ruling = c.rules.rulings.get("snap")
    return Move(Down(live, frozenset(), None, ruling, c.down.number + 1), assumed)


def snap_in_live(c: Context) -> Outcome:
    """A snap while the ball is in play."""
    return NoChange("the ball is already in play")


def stop(c: Context) -> Outcome:
    """The count stops where it is."""
    phase = c.down.phase
    assert isinstance(phase, Running)
    remaining_ns = min(phase.expires_at - c.at, phase.seconds * SECOND_NS)
    return Move(c.down._replace(phase=Stopped(phase.seconds, max(0, remaining_ns))))


def stop_again(c: Context) -> Outcome:
    """Stop pressed again: what follows, held."""
    ruling = c.what_follows
    assert ruling.seconds is not None
    return Move(c.down._replace(phase=Set(ruling.seconds), ruling=ruling))


def already_stopped(c: Context) -> Outcome:
    """Stop with no count running."""
    return NoChange("no count runs")


def no_count(c: Context) -> Outcome:
    """No count, and nothing known of the down any more."""
    return Move(Down(Idle(), frozenset(), None, None, c.down.number))


def already_idle(c: Context) -> Outcome:
    """No count while there is none."""
    return NoChange("there is no count")


def correct(c: Context) -> Outcome:
    """The referee's timing correction: running if a count runs, else held; 0 is zero."""
    assert isinstance(c.event, SetCount)
    seconds = c.event.seconds
    ruling = Ruling("timing_correction", seconds, StartsOn.SIGNAL, CORRECTION, "text")
    if seconds == 0:
        phase: Phase = Expired()
    elif isinstance(c.down.phase, Running):
        phase = _run(c, seconds, StartedBy.REFEREE)
    else:
        phase = Set(seconds)
    return Move(c.down._replace(phase=phase, ruling=ruling))


CORRECTION: Final = "timing correction by the referee"
