"""What comes next is remembered: a try after a touchdown, a free kick after that.

An ending may promise the next play. The promise lives across ready, time-outs and the end of a
period; the end of the promised play is then taken for what the rule set says, and said to be
assumed. A keeper seldom names a try's end or a kickoff, and the routine count would be wrong.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.rules.endings import PLAY_ENDS
from controller.rules.events import Event, PlayEnded
from controller.rules.numerals import SECOND_NS
from controller.rules.phases import Coming, Down, Live
from controller.rules.rulings import CANCELLED, RuleSet

OVERRULED_NS = 10 * SECOND_NS
"""Another number so soon after the one that a promise put up says that there was no such play."""

BREAK_NS = 300 * SECOND_NS
"""No count for so long, and no order, is the break between the halves: a period's break lasts a
minute or two (NFHS 3-1-6: one minute between periods, from memory), the longest time-out two."""

LONG_BREAK_NS = 2 * BREAK_NS
"""The same, once an odd period was told over: that one's break may have been held up. A half's
break lasts at least ten minutes (common practice, no source)."""

TOUCHDOWN, OTHER_SCORE = "touchdown", "field_goal_or_safety"
"""What a score told by the key is read as: first the one, told again the other."""

IN_A_HALF, IN_A_GAME = 2, 4
"""Periods; after those of a game overtime follows."""


def weighed(rules: RuleSet, named: frozenset[str], coming: Coming) -> frozenset[str]:
    """What rules a stop or the end of a play: what was ``named``, and what a promise adds."""
    if coming.now:
        play = rules.plays[coming.now]
        if told := named & play.ended_by:
            return (named - told) | {play.ends} | play.facts
        other = named & PLAY_ENDS - {play.ends}
        return named if other else named | {play.ends} | play.facts
    if coming.carried and not _promised_by(rules, named, coming.overtime):
        return named | {rules.plays[coming.carried].before}
    return named


def of_play(rules: RuleSet, event: Event, coming: Coming) -> Event:
    """``event``; the end of the promised play, told in its own word, with what is known of it."""
    play = rules.plays.get(coming.now)
    if play is None or not isinstance(event, PlayEnded) or event.ending != play.ends:
        return event
    return PlayEnded(event.ending, event.facts | play.facts)


def is_taken_as_over(rules: RuleSet, named: frozenset[str], coming: Coming) -> bool:
    """True when the promised play's own end is among what is weighed without having been told."""
    return bool(coming.now) and weighed(rules, named, coming) != named


def after_naming(rules: RuleSet, named: frozenset[str], coming: Coming) -> Coming:
    """What is promised once ``named`` is all that was told of the down."""
    if any(play.not_after in named for play in rules.plays.values()):
        coming = _in_overtime(rules, coming)
    promised = _promised_by(rules, weighed(rules, named, coming), coming.overtime)
    if CANCELLED in named and coming.now:  # the play comes again, unless more was made of it
        play = rules.plays[coming.now]
        more = named & PLAY_ENDS - play.ended_by - {play.ends}
        promised = "" if more or (coming.overtime and play.not_after) else coming.now
    return coming._replace(next=promised or coming.carried)


def after_ready(rules: RuleSet, named: frozenset[str], coming: Coming) -> Coming:
    """A ready: the promised play in progress, if nothing was ``named`` of its end, is over."""
    over = coming
    if coming.now and not named:
        over = after_naming(rules, named, coming)
    return over._replace(carried=over.next, now="", put_up_at=None)


def told_after_ready(
    rules: RuleSet, before: frozenset[str], named: frozenset[str], coming: Coming
) -> Coming:
    """What is promised once the words ``before`` a ready have become ``named`` just after it."""
    over = after_naming(rules, named, coming)
    promised = _promised_by(rules, named, over.overtime)
    taken_back = CANCELLED in named - before and not promised
    follows = "" if taken_back else over.next
    return over._replace(next=follows, carried=follows)


def after_snap(rules: RuleSet, named: frozenset[str], coming: Coming) -> Coming:
    """A snap: what was promised is in progress."""
    over = after_ready(rules, named, coming)
    return over._replace(
        next="", carried="", now=over.next, between_periods=False, quiet_since=None
    )


def after_no_count(rules: RuleSet, down: Down, at: int, period_over: bool) -> Coming:
    """No count: what was promised follows all the same, after the break too. A period is over once,
    however often that is told."""
    over = after_ready(rules, down.named, down.coming)._replace(quiet_since=at)
    if not period_over or over.between_periods:
        return over
    periods = over.periods_over + 1
    over = over._replace(periods_over=periods, between_periods=True)
    return _in_overtime(rules, over) if periods >= IN_A_GAME else over


def ended(coming: Coming) -> Coming:
    """Another number than the one assumed: no such play was, and none follows."""
    return coming._replace(next="", carried="", now="", put_up_at=None)


class ReadScore(NamedTuple):
    """A score read as an ``ending`` of ``down``; ``assumed`` names what nobody pressed."""

    ending: str
    down: Down
    assumed: str = ""


def read_score(rules: RuleSet, down: Down, at: int, of_this_stoppage: bool) -> ReadScore:
    """A score told without saying which: in a try its end; told again in the same dead ball, as
    ``of_this_stoppage`` says, the other kind; else a touchdown, in a new down if a play was due."""
    coming = down.coming
    trying = rules.plays.get(coming.now)
    if trying is not None and trying.ended_by and (coming.put_up_at is None or of_this_stoppage):
        return ReadScore(trying.ends, down)
    if of_this_stoppage and TOUCHDOWN in down.named:
        again = coming._replace(next=coming.carried)
        return ReadScore(OTHER_SCORE, down._replace(named=down.named - {TOUCHDOWN}, coming=again))
    if not coming.next or of_this_stoppage:
        return ReadScore(TOUCHDOWN, down)
    play, snapped = rules.plays[coming.next], after_snap(rules, down.named, coming)
    live = Live(rules.routine_s, at)
    due = Down(live, frozenset(), None, down.ruling, down.number + 1, coming=snapped)
    return ReadScore(play.ends if play.ended_by else TOUCHDOWN, due, "snap")


def opening_play(rules: RuleSet) -> str:
    """The play that begins each half, empty where the code has none."""
    return next((name for name, play in rules.plays.items() if play.opens_half), "")


def begins_half(coming: Coming, at: int) -> bool:
    """True when the next play, at ``at``, is the first after the break between the halves.

    Two periods are over, or there was no count and no order for longer than any other break.
    """
    if coming.next or coming.overtime or coming.quiet_since is None:
        return False
    quarter = coming.between_periods and coming.periods_over % IN_A_HALF
    if coming.between_periods and not quarter:
        return True
    return at - coming.quiet_since >= (LONG_BREAK_NS if quarter else BREAK_NS)


def half_begun(rules: RuleSet, coming: Coming) -> Coming:
    """The play promised that begins a half, which now has begun whatever was told of periods."""
    play = opening_play(rules)
    periods = max(coming.periods_over, IN_A_HALF)
    return coming._replace(next=play, carried=play, periods_over=periods)


def _promised_by(rules: RuleSet, named: frozenset[str], overtime: bool) -> str:
    for name, play in rules.plays.items():
        if play.again in named and not (overtime and play.not_after):
            return name
    words = rules.words_in_force(named)
    if CANCELLED in named:
        words -= rules.cancelled
    for name, play in rules.plays.items():
        if not play.after.isdisjoint(words) and not (overtime and play.not_after):
            return name
    return ""


def _in_overtime(rules: RuleSet, coming: Coming) -> Coming:
    """From now on no play is promised that the code's overtime does not have."""

    def left(name: str) -> str:
        return "" if name and rules.plays[name].not_after else name

    if not any(play.not_after for play in rules.plays.values()):
        return coming
    return coming._replace(overtime=True, next=left(coming.next), carried=left(coming.carried))
