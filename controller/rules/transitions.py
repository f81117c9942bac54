"""The one table: what an event does in each phase.

An entry takes the down as it is and says what it becomes, or that nothing changes
(:mod:`controller.rules.actions`). An absent entry is a refusal: nothing changes, and the reason is
said.

"Routine end" and "named stoppage" are both a :class:`PlayEnded`; the rule set tells them apart.

The two windows. A keeper who presses DEAD BALL twice, or flags first and presses DEAD BALL at the
whistle, must not start a new count: an end of play within ``same_down_s`` of a dead-ball start, or
within ``stoppage_holds_s`` of a stoppage named in the same down, changes nothing. Later than that
it is a new down whose snap nobody pressed.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from typing import Final

from controller.rules import actions
from controller.rules.actions import Transition
from controller.rules.events import (
    Event,
    HoldNumber,
    NoCount,
    PlayEnded,
    Ready,
    RunNumber,
    SetCount,
    Snap,
    Stop,
)
from controller.rules.phases import Expired, Idle, Live, Phase, Running, Set, Stopped
from controller.rules.rulings import NOT_ENDINGS, RulesError, RuleSet, StartsOn


class Kind(enum.Enum):
    """The rows of the table."""

    ROUTINE_END = "routine end of play"
    STOPPAGE = "named stoppage"
    HOLD = "bare number, held"
    RUN = "reset and run"
    READY = "ready"
    SNAP = "snap or free kick"
    STOP = "stop"
    NO_COUNT = "no count"
    SET_COUNT = "timing correction"


TRANSITIONS: Final[Mapping[type[Phase], Mapping[Kind, Transition]]] = {
    Idle: {
        Kind.ROUTINE_END: actions.same_down,
        Kind.STOPPAGE: actions.stoppage,
        Kind.HOLD: actions.hold,
        Kind.RUN: actions.reset_and_run,
        Kind.READY: actions.ready_unprepared,
        Kind.SNAP: actions.snap,
        Kind.NO_COUNT: actions.already_idle,
        Kind.SET_COUNT: actions.correct,
    },
    Set: {
        Kind.ROUTINE_END: actions.routine_in_set,
        Kind.STOPPAGE: actions.stoppage,
        Kind.HOLD: actions.hold,
        Kind.RUN: actions.reset_and_run,
        Kind.READY: actions.ready_in_set,
        Kind.SNAP: actions.snap,
        Kind.STOP: actions.already_stopped,
        Kind.NO_COUNT: actions.no_count,
        Kind.SET_COUNT: actions.correct,
    },
    Running: {
        Kind.ROUTINE_END: actions.routine_in_running,
        Kind.STOPPAGE: actions.stoppage,
        Kind.HOLD: actions.hold,
        Kind.RUN: actions.reset_and_run,
        Kind.READY: actions.ready_in_running,
        Kind.SNAP: actions.snap,
        Kind.STOP: actions.stop,
        Kind.NO_COUNT: actions.no_count,
        Kind.SET_COUNT: actions.correct,
    },
    Live: {
        Kind.ROUTINE_END: actions.same_down,
        Kind.STOPPAGE: actions.stoppage,
        Kind.HOLD: actions.hold,
        Kind.RUN: actions.reset_and_run,
        Kind.READY: actions.ready_in_live,
        Kind.SNAP: actions.snap_in_live,
        Kind.NO_COUNT: actions.no_count,
    },
    Stopped: {
        Kind.ROUTINE_END: actions.end_after_stop,
        Kind.STOPPAGE: actions.stoppage,
        Kind.HOLD: actions.hold,
        Kind.RUN: actions.reset_and_run,
        Kind.READY: actions.ready_what_follows,
        Kind.SNAP: actions.snap,
        Kind.STOP: actions.stop_again,
        Kind.NO_COUNT: actions.no_count,
        Kind.SET_COUNT: actions.correct,
    },
    Expired: {
        Kind.ROUTINE_END: actions.new_down,
        Kind.STOPPAGE: actions.stoppage_at_zero,
        Kind.HOLD: actions.hold,
        Kind.RUN: actions.reset_and_run,
        Kind.READY: actions.ready_what_follows,
        Kind.SNAP: actions.snap,
        Kind.STOP: actions.already_stopped,
        Kind.NO_COUNT: actions.no_count,
        Kind.SET_COUNT: actions.correct,
    },
}

REFUSALS: Final[Mapping[tuple[type[Phase], Kind], str]] = {
    (Idle, Kind.STOP): "there is no count to stop",
    (Live, Kind.STOP): "the ball is in play: there is no count to stop",
    (Live, Kind.SET_COUNT): "the ball is in play: no count can be set",
}

_KINDS: Final[Mapping[type[Event], Kind]] = {
    HoldNumber: Kind.HOLD,
    RunNumber: Kind.RUN,
    Ready: Kind.READY,
    Snap: Kind.SNAP,
    Stop: Kind.STOP,
    NoCount: Kind.NO_COUNT,
    SetCount: Kind.SET_COUNT,
}


IN_THE_TABLE: Final = frozenset({PlayEnded, *_KINDS})
"""The types of event that the table decides."""


def kind_of(event: Event, rules: RuleSet, named: frozenset[str]) -> Kind:
    """The row of the table that ``event`` belongs to under ``rules``, with what was ``named``."""
    if not isinstance(event, PlayEnded):
        return _KINDS[type(event)]
    facts = event.facts | (named & rules.facts)
    if rules.ruling(event.ending, facts).starts_on is StartsOn.SIGNAL:
        return Kind.RUN
    routine = rules.is_routine_end(event.ending, facts)
    return Kind.ROUTINE_END if routine else Kind.STOPPAGE


def why_not(event: PlayEnded, rules: RuleSet) -> str:
    """Why ``event`` says nothing under ``rules``, in plain words; empty when it does."""
    if event.ending in NOT_ENDINGS:
        return f"{event.ending!r} does not say how a play ended"
    try:
        rules.check(event.ending, event.facts)
    except RulesError as error:
        return str(error)
    countless = sorted(rules.only_asked & {event.ending, *event.facts})
    return f"{countless[0]!r} orders no count" if countless else ""
