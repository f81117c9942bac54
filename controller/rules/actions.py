"""What each entry of the table does: the down as it is, to the down as it becomes.

Every function here is one cell, or one row of cells, of :mod:`controller.rules.transitions`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from controller.rules import promises
from controller.rules.endings import ENDINGS, FACTS, GIVES_WAY, PLAYS, ROUTINE_WORDS
from controller.rules.events import (
    Event,
    HoldNumber,
    NoCount,
    Number,
    PlayEnded,
    RunNumber,
    SetCount,
)
from controller.rules.numerals import SECOND_NS
from controller.rules.phases import (
    Coming,
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
from controller.rules.rulings import RuleSet, Ruling, StartsOn, same_count, without_fact
from controller.rules.settings import Settings


def is_of_stoppage(down: Down, at: int, settings: Settings) -> bool:
    """True while what is told at ``at`` can only be of the stoppage named last."""
    holds_ns = settings.stoppage_holds_s * SECOND_NS
    return down.stoppage_at is not None and at - down.stoppage_at < holds_ns


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

    def ruling_for(self, named: frozenset[str], coming: Coming) -> Ruling | None:
        """The ruling for what was ``named`` and what a promise adds; None if that is nothing."""
        return self.rules.in_force(promises.weighed(self.rules, named, coming))

    @property
    def of_this_stoppage(self) -> bool:
        """True while an end of play can only be that of the stoppage named last."""
        return is_of_stoppage(self.down, self.at, self.settings)

    @property
    def what_follows(self) -> Ruling:
        """What the next ready runs after a stop or a zero: what the facts call for, if that waits
        for a ready, else the administrative number."""
        ruling = self.ruling_for(self.down.named, self.down.coming)
        if ruling is not None and ruling.starts_on is StartsOn.READY and ruling.seconds:
            return ruling
        return self.number(Number.ADMINISTRATIVE)


KEEPER: Final = "set by the keeper"


class Move(NamedTuple):
    """What the down becomes; ``assumed`` names what nobody pressed, ``promised`` what was taken to
    have come because it had been promised, ``gave_way`` the words that gave way to an exact one."""

    down: Down
    assumed: str = ""
    note: str = ""
    promised: str = ""
    gave_way: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class NoChange:
    """The count stays as it is, and ``why``. ``noted``: the down with what was told all the same,
    so that what is told of it later finds that."""

    why: str
    noted: Down | None = None


Outcome = Move | NoChange
Transition = Callable[[Context], Outcome]


def _run(c: Context, seconds: int, by: StartedBy, lag_s: float = 0.0) -> Running:
    starts_at = c.at + int(lag_s * SECOND_NS)
    return Running(seconds, c.at, starts_at + seconds * SECOND_NS, by)


# Ends of a play


def _named(c: Context, before: frozenset[str]) -> frozenset[str]:
    assert isinstance(c.event, PlayEnded)
    return c.rules.told(before, c.event.ending, c.event.facts)


def _end_play(c: Context, before: frozenset[str], coming: Coming) -> Move:
    """The count of an end of play whose down so far was told ``before``."""
    named = _named(c, before)
    ruling = c.ruling_for(named, coming)
    assert ruling is not None and ruling.seconds is not None
    if ruling.starts_on is StartsOn.DEAD_BALL:
        phase: Phase = _run(c, ruling.seconds, StartedBy.DEAD_BALL, c.settings.start_lag_s)
    else:
        phase = Set(ruling.seconds)
    after, over = promises.after_naming(c.rules, named, coming), _over(c, named, coming)
    after = after._replace(
        put_up_at=c.at if over else None, between_periods=False, quiet_since=None
    )
    # The next play cannot end as soon as a routine one: a try, say, first needs lining up.
    named_at = c.at if over or after.next else None
    down = Down(phase, named, named_at, ruling, c.down.number, coming=after)
    return Move(down, promised=over)


def _over(c: Context, named: frozenset[str], coming: Coming) -> str:
    """Which promised play is taken to be over though its end was not told, in words: once the ball
    is dead, or if the number comes from that."""
    if not promises.is_taken_as_over(c.rules, named, coming):
        return ""
    told, taken = c.rules.in_force(named), c.ruling_for(named, coming)
    assert told is not None and taken is not None  # an ending was named
    by_it = not same_count(told, taken)
    return PLAYS[coming.now] if named & ROUTINE_WORDS or by_it else ""


def _noted(c: Context) -> Down:
    """The down with what was told of it, the count as it is."""
    named = _named(c, c.down.named)
    coming = promises.after_naming(c.rules, named, c.down.coming)
    news = coming.next and not c.down.coming.next
    return c.down._replace(
        named=named, coming=coming, stoppage_at=c.at if news else c.down.stoppage_at
    )


def same_down(c: Context) -> Outcome:
    """The end of the down in progress; of one whose snap nobody pressed where one was promised."""
    if c.down.coming.next and not c.down.coming.now:
        return new_down(c)
    return _end_play(c, c.down.named, c.down.coming)


def end_after_stop(c: Context) -> Outcome:
    """An end of play after a stop: what the stopped count was for is over."""
    coming = c.down.coming
    if coming.next and not c.of_this_stoppage:
        return new_down(c)
    return _end_play(c, frozenset(), coming._replace(carried=coming.next))


def new_down(c: Context) -> Outcome:
    """An end of play of a new down, whose snap nobody pressed."""
    coming = promises.after_snap(c.rules, c.down.named, c.down.coming)
    move = _end_play(c, frozenset(), coming)
    return move._replace(down=move.down._replace(number=move.down.number + 1), assumed="snap")


def routine_in_set(c: Context) -> Outcome:
    """An end of play while a number is held: it never displaces a stoppage of this down."""
    if c.down.stoppage_at is None:
        return same_down(c)
    if c.of_this_stoppage:
        return NoChange("a stoppage of this down was named: its number stands", _noted(c))
    return new_down(c)


def routine_in_running(c: Context) -> Outcome:
    """An end of play while a count runs: pressed again, or a new down."""
    phase = c.down.phase
    assert isinstance(phase, Running)
    if phase.started_by is not StartedBy.DEAD_BALL:
        return new_down(c)
    assert isinstance(c.event, PlayEnded)
    # A word typed for the play that a key has ended takes longer than the key pressed again.
    word = c.event.ending != "routine" and c.down.named <= {"routine"}
    same_s = c.settings.stoppage_holds_s if word else c.settings.same_down_s
    if c.of_this_stoppage or c.at - phase.started_at < same_s * SECOND_NS:
        told = c.event.ending.replace("_", " ")
        why = f"{told} noted: the count goes on" if word else "the same end of play, pressed again"
        return NoChange(why, _noted(c))
    return new_down(c)


def stoppage(c: Context) -> Outcome:
    """A named stoppage: the number that all facts of the down call for, held."""
    if said := _says_less(c):
        return NoChange(said)
    if told := _told_after_ready(c):
        return told
    named, coming = _named(c, c.down.named), c.down.coming
    ruling = c.ruling_for(named, coming)
    assert ruling is not None and ruling.seconds is not None
    if (Set(ruling.seconds), named) == (c.down.phase, c.down.named):
        return NoChange("already told for this play")
    after, over = promises.after_naming(c.rules, named, coming), _over(c, named, coming)
    if not over:
        after = after._replace(put_up_at=None)
    down = Down(Set(ruling.seconds), named, c.at, ruling, c.down.number, coming=after)
    note = _both(c, named, ruling.seconds)
    return Move(down, note=note, promised=over, gave_way=_give_way(c, c.down.named))


def stoppage_at_zero(c: Context) -> Outcome:
    """A named stoppage at zero: a foul keeps the zero, anything else shows its number."""
    assert isinstance(c.event, PlayEnded)
    named = _named(c, c.down.named)
    if not c.rules.is_foul(c.event.ending, named & FACTS.keys()):
        return stoppage(c)
    if said := _says_less(c):
        return NoChange(said)
    if named == c.down.named:
        return NoChange("already told for this play")
    down = _noted(c)._replace(stoppage_at=c.at, ruling=c.ruling_for(named, c.down.coming))
    note = "zero stays until the penalty is completed"
    return Move(down, note=note, gave_way=_give_way(c, c.down.named))


# Words that say less, and exact ones


def _meant(c: Context, before: frozenset[str]) -> str:
    """What the ending told counts as, with the facts of the down told ``before``."""
    assert isinstance(c.event, PlayEnded)
    facts = c.event.facts | (before & c.rules.facts)
    return without_fact(c.rules.counts_as(c.event.ending, facts))


def _give_way(c: Context, before: frozenset[str]) -> frozenset[str]:
    """Which words told ``before``, and in force until now, say less than the one told now."""
    meant = _meant(c, before)
    in_force = before & c.rules.words_in_force(before)
    return frozenset(each for each in in_force if meant in GIVES_WAY.get(each, ()))


def _says_less(c: Context) -> str:
    """Why the word told now changes nothing: an exact one of its kind was told of this down."""
    assert isinstance(c.event, PlayEnded)
    exact = GIVES_WAY.get(_meant(c, c.down.named), frozenset())
    exact &= c.rules.words_in_force(c.down.named)
    if not exact or c.event.facts - c.down.named:
        return ""
    words = " and ".join(ENDINGS[each] for each in sorted(exact))
    for kind in ("foul", "injury"):
        if exact & {f"{kind}_offense", f"{kind}_defense"}:
            words += f"; both teams? :{kind} both, or the {c.rules.administrative_s} key"
    return f"already told: {words}"


_OF_BOTH: Final = frozenset({"foul_both", "injury_both"})


def _both(c: Context, named: frozenset[str], seconds: int) -> str:
    """A word on how to take one back, once both teams were named one after the other."""
    assert isinstance(c.event, PlayEnded)
    both = _OF_BOTH & (c.rules.words_in_force(named) - c.rules.words_in_force(c.down.named))
    if not both or c.event.ending in _OF_BOTH:
        return ""
    return f"both teams: {seconds}; only the last? UNDO twice, then name it again"


def _told_after_ready(c: Context) -> Move | None:
    """The exact word for what the count was started for, told just after the ready: the count runs
    on with the number that is right, from that ready. Announcement and ready are seconds apart."""
    phase, before = c.down.phase, c.down.before_ready
    if not isinstance(phase, Running) or phase.started_by is not StartedBy.READY:
        return None
    if c.at - phase.started_at >= c.settings.same_down_s * SECOND_NS:
        return None
    gave_way = _give_way(c, before)
    named = _named(c, before)
    ruling = c.rules.in_force(named)
    if not gave_way or ruling is None or not ruling.seconds:
        return None
    expires_at = phase.started_at + ruling.seconds * SECOND_NS
    again = Running(ruling.seconds, phase.started_at, expires_at, StartedBy.READY)
    coming = promises.told_after_ready(c.rules, before, named, c.down.coming)
    down = c.down._replace(phase=again, ruling=ruling, before_ready=named, coming=coming)
    return Move(down, note=f"{ruling.seconds}, counted from the ready", gave_way=gave_way)


# Numbers


def hold(c: Context) -> Outcome:
    """A bare number, held."""
    assert isinstance(c.event, HoldNumber)
    ruling = c.number(c.event.number)
    assert ruling.seconds is not None
    if c.down.phase == Set(ruling.seconds):
        return NoChange(f"{ruling.seconds} is already shown and held")
    return _overruled(c, c.down._replace(phase=Set(ruling.seconds), ruling=ruling))


def _overruled(c: Context, down: Down) -> Move:
    """``down``; another number, given while the one that a promise put up is held, says that the
    keeper knows better."""
    put_up_at = c.down.coming.put_up_at
    held = put_up_at is not None and isinstance(c.down.phase, Set)
    if not held or c.at - (put_up_at or 0) >= promises.OVERRULED_NS:
        return Move(down)
    if down.ruling == c.down.ruling or _seconds(down.phase) == _seconds(c.down.phase):
        return Move(down)
    bare = down._replace(coming=promises.ended(down.coming), stoppage_at=None)
    return Move(bare, note="the assumption is overruled")


def _seconds(phase: Phase) -> int | None:
    return phase.seconds if isinstance(phase, Set | Running) else None


def reset_and_run(c: Context) -> Outcome:
    """A pumped palm, or an ending that the referee starts at once: its number, running."""
    if isinstance(c.event, PlayEnded):
        ruling = c.rules.ruling(c.event.ending, c.event.facts)
    else:
        assert isinstance(c.event, RunNumber)
        ruling = replace(c.number(c.event.number), starts_on=StartsOn.SIGNAL)
    assert ruling.seconds is not None
    phase = _run(c, ruling.seconds, StartedBy.REFEREE)
    return _overruled(c, c.down._replace(phase=phase, ruling=ruling))


def _ready(c: Context, ruling: Ruling | None, assumed: str = "") -> Outcome:
    """The ready runs ``ruling``, and with that the stop it ends is over: what was named for it is
    used up. A stoppage before the snap is judged by itself."""
    assert ruling is not None and ruling.seconds is not None
    phase = _run(c, ruling.seconds, StartedBy.READY)
    was, down = c.down, Down(c.down.phase, frozenset(), None, ruling, c.down.number)
    coming, promised = promises.after_ready(c.rules, was.named, was.coming), ""
    play = promises.opening_play(c.rules)
    opens = coming.opening and not coming.overtime and not coming.next
    if opens and isinstance(was.phase, Set) and play:
        coming, promised = coming._replace(next=play, carried=play), "opening kickoff"
    before = promises.weighed(c.rules, was.named, was.coming) if was.named else was.named
    down = down._replace(phase=phase, before_ready=before, coming=coming)
    return Move(down, assumed, promised=promised)


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
    live = Live(c.rules.routine_s, c.at)
    assumed = "ready" if isinstance(c.down.phase, Set) else ""
    ruling = c.rules.rulings.get("snap")
    coming = promises.after_snap(c.rules, c.down.named, c.down.coming)
    down = Down(live, frozenset(), None, ruling, c.down.number + 1, coming=coming)
    return Move(down, assumed)


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
    """No count, and nothing known of the down any more, but of what comes next."""
    assert isinstance(c.event, NoCount)
    coming = promises.after_no_count(c.rules, c.down, c.at, c.event.period_over)
    return Move(Down(Idle(), frozenset(), None, None, c.down.number, coming=coming))


def already_idle(c: Context) -> Outcome:
    """No count while there is none; that the period is over may still be told."""
    assert isinstance(c.event, NoCount)
    if c.event.period_over and not c.down.coming.between_periods:
        return no_count(c)
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
