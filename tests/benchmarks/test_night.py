"""Games through the core with every invariant held; bugs made on purpose, which must be seen."""

from __future__ import annotations

from collections.abc import Callable, MutableMapping
from typing import Any, cast

import pytest

from controller.rulebook.loader import load_rule_set
from controller.rules import actions, play_clock
from controller.rules.effects import Result
from controller.rules.events import Order
from controller.rules.phases import Phase, Running, Set
from controller.rules.play_clock import PlayClock
from controller.rules.transitions import TRANSITIONS, Kind
from tests.benchmarks import night
from tests.exploration.invariants import BrokenInvariantError

Patch = pytest.MonkeyPatch
S = 1_000_000_000
GAMES = [night.game(seed, 160) for seed in (1, 2)]


def test_two_games() -> None:
    for given in GAMES:
        night.checked(given, load_rule_set("nfhs"))
    events = {type(order.event).__name__ for given in GAMES for order in given}
    assert len(events) == 13, events  # each kind of event was given


def put(patch: Patch, phase: type[Phase], kind: Kind, cell: actions.Transition) -> None:
    patch.setitem(cast(MutableMapping[Kind, actions.Transition], TRANSITIONS[phase]), kind, cell)


def the_ready_runs_25(patch: Patch) -> None:
    put(patch, Set, Kind.READY, actions.ready_unprepared)


def a_ready_resets(patch: Patch) -> None:
    put(patch, Running, Kind.READY, actions.ready_what_follows)


def a_stoppage_shows_the_routine_number(patch: Patch) -> None:
    def shows_40(c: actions.Context) -> actions.Outcome:
        outcome = actions.stoppage(c)
        if isinstance(outcome, actions.NoChange):
            return outcome
        return outcome._replace(down=outcome.down._replace(phase=Set(40)))

    put(patch, Running, Kind.STOPPAGE, shows_40)


def history_grows(patch: Patch) -> None:
    patch.setattr(play_clock, "UNDO_DEPTH", 17)


def undo_keeps_its_place(patch: Patch) -> None:
    undo = PlayClock._undo

    def keeps(self: PlayClock, order: Order) -> Any:
        history = self.state.history
        outcome = undo(self, order)
        self.state = self.state._replace(history=history)
        return outcome

    patch.setattr(PlayClock, "_undo", keeps)


def any_press_relights(patch: Patch) -> None:
    accept = PlayClock._accept

    def relit(self: PlayClock, order: Order, kind: Kind, move: actions.Move) -> Any:
        outcome = accept(self, order, kind, move)
        self.state = self.state._replace(off=None)
        return outcome

    patch.setattr(PlayClock, "_accept", relit)


def a_refusal_counts_a_down(patch: Patch) -> None:
    judge = PlayClock._judge

    def counts(self: PlayClock, order: Order) -> Any:
        outcome = judge(self, order)
        if outcome[0] is Result.REFUSED:
            self._set_down(self.state.down._replace(number=self.state.down.number + 1))
        return outcome

    patch.setattr(PlayClock, "_judge", counts)


def a_second_too_late(patch: Patch) -> None:
    def late(expires_at: int, shown: int) -> int:
        return expires_at - (shown - 2) * S

    patch.setattr(play_clock, "next_change_at", late)


BUGS: dict[Callable[[Patch], None], str] = {
    the_ready_runs_25: "what is held is what the ready runs",
    a_ready_resets: "a running count does not rise by itself",
    a_stoppage_shows_the_routine_number: "the ruling's number is up",
    history_grows: "the history is bounded",
    undo_keeps_its_place: "Undo takes one order back",
    any_press_relights: "only a relight ends off",
    a_refusal_counts_a_down: "what changes nothing leaves all as it is",
    a_second_too_late: "a running count is due in a second",
}


@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.__name__)
def test_a_bug_is_seen(bug: Callable[[Patch], None], monkeypatch: Patch) -> None:
    bug(monkeypatch)
    with pytest.raises(BrokenInvariantError, match=BUGS[bug]):
        for given in GAMES:
            night.checked(given, load_rule_set("nfhs"))


@pytest.mark.full
def test_a_third_of_the_night(capsys: pytest.CaptureFixture[str]) -> None:
    assert night.main(["-n", "100"]) == 0
    printed = capsys.readouterr().out
    assert "100 games of 160 plays" in printed
    assert all(f"{size:4} games: " in printed for size in (30, 100))
    assert "core to the floor's" in printed


@pytest.mark.long
def test_the_whole_night() -> None:
    assert night.main([]) == 0
