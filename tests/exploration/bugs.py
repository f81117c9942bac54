"""Bugs that somebody might make in the core: the exploration must see every one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import cast

import pytest

from controller.rules import actions, play_clock
from controller.rules.actions import Context, Move, Outcome, Transition
from controller.rules.effects import Result
from controller.rules.events import BoardsFault, Order
from controller.rules.phases import (
    Expired,
    Idle,
    Live,
    Off,
    Phase,
    Running,
    Set,
    StartedBy,
    Stopped,
)
from controller.rules.play_clock import Judgement, PlayClock
from controller.rules.transitions import REFUSALS, TRANSITIONS, Kind

Patch = pytest.MonkeyPatch


def cell(patch: Patch, phase: type[Phase], kind: Kind, to: Transition | None) -> None:
    """Put another transition, or none, into one cell of the table."""
    row = cast("dict[Kind, Transition]", cast("Mapping[object, object]", TRANSITIONS)[phase])
    if to is None:
        patch.delitem(row, kind)
        refusals = cast("dict[object, str]", REFUSALS)
        patch.setitem(refusals, (phase, kind), "not now")
    else:
        patch.setitem(row, kind, to)


def ready_dead_at_zero(patch: Patch) -> None:
    """Ready is refused at zero."""
    cell(patch, Expired, Kind.READY, None)


def dead_ball_dead_when_stopped(patch: Patch) -> None:
    """An end of play is refused after a stop."""
    cell(patch, Stopped, Kind.ROUTINE_END, None)


def ready_in_set_runs_25(patch: Patch) -> None:
    """Ready runs 25, whatever is held."""
    cell(patch, Set, Kind.READY, actions.ready_unprepared)


def ready_resets_a_running_count(patch: Patch) -> None:
    """Ready starts a running count again."""
    cell(patch, Running, Kind.READY, actions.ready_unprepared)


def second_dead_ball_counts_again(patch: Patch) -> None:
    """The same end of play, pressed twice, starts the count twice."""
    cell(patch, Running, Kind.ROUTINE_END, actions.new_down)


def dead_ball_displaces_a_stoppage(patch: Patch) -> None:
    """DEAD BALL after a named stoppage starts the count."""
    cell(patch, Set, Kind.ROUTINE_END, actions.new_down)


def foul_takes_the_zero_away(patch: Patch) -> None:
    """A foul at zero shows its number at once."""
    cell(patch, Expired, Kind.STOPPAGE, actions.stoppage)


def held_25_runs(patch: Patch) -> None:
    """The bare number runs while the ball is live."""

    def runs(c: Context) -> Outcome:
        outcome = actions.hold(c)
        if not isinstance(outcome, Move) or not isinstance(outcome.down.phase, Set):
            return outcome
        seconds = outcome.down.phase.seconds
        count = Running(seconds, c.at, c.at + seconds * 10**9, StartedBy.REFEREE)
        return Move(outcome.down._replace(phase=count))

    cell(patch, Live, Kind.HOLD, runs)


def correction_in_live(patch: Patch) -> None:
    """A count can be set while the ball is in play."""
    cell(patch, Live, Kind.SET_COUNT, actions.correct)


def no_count_forgets_nothing(patch: Patch) -> None:
    """No count after a stop leaves the stopped count up."""
    cell(patch, Stopped, Kind.NO_COUNT, actions.already_idle)


def undo_keeps_the_history(patch: Patch) -> None:
    """What was taken back can be taken back again."""
    undo = PlayClock._undo

    def again(self: PlayClock, order: Order) -> object:
        history = self.state.history
        outcome = undo(self, order)
        self.state = self.state._replace(history=history)
        return outcome

    patch.setattr(PlayClock, "_undo", again)


def a_key_lights_the_boards(patch: Patch) -> None:
    """Any accepted key lights boards that are off."""
    accept = PlayClock._accept

    def lit(self: PlayClock, order: Order, kind: Kind, move: Move) -> object:
        self.state = self.state._replace(off=None)
        return accept(self, order, kind, move)

    patch.setattr(PlayClock, "_accept", lit)


def relight_by_a_fault(patch: Patch) -> None:
    """Boards that are off by order are lit by a fault."""
    apply = PlayClock._apply

    def flips(self: PlayClock, order: Order) -> object:
        if isinstance(order.event, BoardsFault) and self.state.off is Off.ORDERED:
            self.state = self.state._replace(off=None)
            return Judgement(Result.HELD)
        return apply(self, order)

    patch.setattr(PlayClock, "_apply", flips)


def correction_loses_a_second(patch: Patch) -> None:
    """A running correction is a second short."""
    run = actions._run

    def short(c: Context, seconds: int, by: StartedBy, lag_s: float = 0.0) -> Running:
        count = run(c, seconds, by, lag_s)
        return replace(count, expires_at=count.expires_at - 10**9)

    patch.setattr(actions, "_run", short)


def low_clock_starts_all_the_same(patch: Patch) -> None:
    """Nobody looks at the game clock."""
    patch.setattr(play_clock, "unless_low", lambda _, outcome: outcome)


def snap_at_idle_does_nothing(patch: Patch) -> None:
    """A snap before any count is refused."""
    cell(patch, Idle, Kind.SNAP, None)


BUGS: tuple[Callable[[Patch], None], ...] = (
    ready_dead_at_zero,
    dead_ball_dead_when_stopped,
    ready_in_set_runs_25,
    ready_resets_a_running_count,
    second_dead_ball_counts_again,
    dead_ball_displaces_a_stoppage,
    foul_takes_the_zero_away,
    held_25_runs,
    correction_in_live,
    no_count_forgets_nothing,
    undo_keeps_the_history,
    a_key_lights_the_boards,
    relight_by_a_fault,
    correction_loses_a_second,
    low_clock_starts_all_the_same,
    snap_at_idle_does_nothing,
)
