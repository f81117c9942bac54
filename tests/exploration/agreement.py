"""The play clock beside the model: what both must say of an order, and know after it."""

from __future__ import annotations

from controller.rules import phases
from controller.rules.effects import Decision
from controller.rules.events import Role
from controller.rules.play_clock import PlayClock
from tests.exploration.model import NaiveClock, Verdict


def same_answer(decided: Decision, verdict: Verdict) -> None:
    """Raise AssertionError unless the order was decided as the model decides it."""
    if decided.order.role is Role.SHADOW:
        assert not decided.changed, decided
        return
    assert decided.result.value == verdict.result, (decided, verdict)
    assert not verdict.assumed or decided.assumed == verdict.assumed, (decided, verdict)
    assert not verdict.promised or decided.promised == verdict.promised, (decided, verdict)
    lost = decided.gave_way
    may = (*verdict.gave_way, *verdict.made_exact)
    assert lost in may or (lost is None and not verdict.gave_way), (decided, verdict)
    ours, theirs = decided.taken_back, verdict.taken_back
    assert (ours and ours[1:]) == (theirs and theirs[1:]), (decided, verdict)


def same_state(clock: PlayClock, model: NaiveClock, at: int) -> None:
    """Raise AssertionError unless both know and show the same at ``at``."""
    state, now = clock.state, model.now
    down = state.down
    expires = now.expires if now.phase == "RUNNING" else None
    ours = (phases.name(down.phase), down.named, down.stoppage_at, down.number)
    theirs = (now.phase, now.named, now.stoppage, now.down)
    assert ours == theirs, (ours, theirs)
    assert clock.numerals(at) == model.numerals(at), (clock.numerals(at), model.numerals(at))
    assert clock.boards.value == model.boards()
    assert (clock.deadline, clock.expires_at) == (model.deadline(), expires)
    taken = [(each.order.role, phases.name(each.before.phase)) for each in state.history]
    assert taken == [(each.role, each.before.phase) for each in model.history]
