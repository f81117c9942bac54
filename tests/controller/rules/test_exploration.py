"""Breadth-first through what the clock can be in, with the invariants of the design at each step.

An abstract state forgets instants and keeps what decides: the phase with its number, what started
it and whether that was lately, what was named and whether lately, the boards, the last press and
who gave it. From every new one, every press is tried after every gap.
"""

from __future__ import annotations

import copy
import itertools
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from controller.rules.effects import Decision, Result
from controller.rules.events import (
    BoardsFault,
    Event,
    NoCount,
    Order,
    PlayEnded,
    Ready,
    Role,
    RunNumber,
    SetCount,
    ToggleBoards,
    Undo,
)
from controller.rules.phases import Expired, Running, Set, name
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RuleSet, StartsOn
from tests.controller.rules.crew import (
    DEAD_BALL,
    HOLD_25,
    HOLD_40,
    READY,
    RUN_25,
    RUN_40,
    SCHOOL,
    SNAP,
    STOP,
    S,
    ending,
    only_25,
)

Press = tuple[Event, Role]
K, F = Role.KEEPER, Role.FIELD

CORE: list[Press] = [
    *((event, K) for event in (DEAD_BALL, HOLD_25, RUN_40, READY, SNAP, STOP, NoCount())),
    *((ending(each), K) for each in ("foul", "injury_defense")),
    (SetCount(7), K),
    (SetCount(0), K),
    (Undo(), F),
    (ToggleBoards(), K),
    (BoardsFault("no answer"), Role.SERVICE),
]
MORE: list[Press] = [
    *CORE,
    *((event, K) for event in (HOLD_40, RUN_25, ending("premature_start_reset40"))),
    *((ending(each), K) for each in ("foul_defense", "charged_timeout", "touchdown", "nonsense")),
    (ending("incomplete_pass", "fourth_down"), K),
    *((event, F) for event in (READY, STOP, SNAP, HOLD_25, DEAD_BALL)),
    (Undo(), K),
    (SNAP, Role.SHADOW),
]


@dataclass
class Explorer:
    """Explores from the first state; ``seen`` are the abstract states found."""

    rules: RuleSet
    presses: list[Press]
    gaps_s: tuple[float, ...]
    depth: int
    seen: set[object] = field(default_factory=set)
    transitions: int = 0
    cells: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    deepest: int = 0
    exhausted: bool = True

    def run(self) -> None:
        start = PlayClock(self.rules)
        self.seen.add(self.key(start, 0))
        queue = deque([(start, 0, 0)])
        while queue:
            clock, now, level = queue.popleft()
            self.deepest = max(self.deepest, level)
            if level == self.depth:
                self.exhausted = False
                continue
            for after, at in self.steps(clock, now):
                key = self.key(after, at)
                if key not in self.seen:
                    self.seen.add(key)
                    queue.append((after, at, level + 1))

    def steps(self, clock: PlayClock, now: int) -> Iterator[tuple[PlayClock, int]]:
        for gap_s, (event, role) in itertools.product(self.gaps_s, self.presses):
            at = now + int(gap_s * S)
            before, after = copy.copy(clock), copy.copy(clock)
            before.pass_time(at)
            decided, _ = after.handle(Order(event, at, 1 if role is K else 2, role), at)
            self.transitions += 1
            self.cells[decided.phase_before, type(event).__name__, decided.result.value] += 1
            check_step(before, after, decided)
            yield after, at

    def key(self, clock: PlayClock, now: int) -> object:
        state = clock.state
        down, phase = state.down, state.down.phase
        count: object = phase
        if isinstance(phase, Running):
            young = now - phase.started_at < 6 * S
            count = (phase.seconds, phase.started_by, young, -(-(phase.expires_at - now) // S) // 8)
        elif name(phase) == "STOPPED":
            count = "stopped"
        lately = None if down.stoppage_at is None else now - down.stoppage_at < 20 * S
        top = state.history[-1].role if state.history else None
        last = (state.last.event, state.last.role) if 0.5 in self.gaps_s and state.last else None
        return (name(phase), count, down.named, lately, state.off, top, last)


def check_step(before: PlayClock, after: PlayClock, decided: Decision) -> None:
    """The invariants of the design for one press; ``before`` is at the instant of the press."""
    event, at = decided.order.event, decided.order.at
    phase = after.state.down.phase
    assert decided.phase_after == name(phase)
    # What is refused, or asks for what already is, changes nothing.
    if not decided.changed:
        noted = isinstance(event, PlayEnded) and decided.result is Result.NO_CHANGE
        assert kept(after, but_named=noted) == kept(before, but_named=noted)
        assert decided.reason
    # A running count has a deadline, within the second; nothing else has one.
    assert isinstance(phase, Running) == (after.deadline is not None)
    assert after.deadline is None or at < after.deadline <= at + S
    # Off is left by a relight only.
    if before.state.off is not None and after.state.off is None:
        assert isinstance(event, ToggleBoards)
    check_numerals(before, after, decided)
    check_what_is_held(after, at)
    check_ruling(after, decided)
    check_undo(before, after, decided)


def kept(clock: PlayClock, but_named: bool) -> object:
    """All that the clock knows, save what an end of play that changes nothing may add."""
    state, down = clock.state, clock.state.down
    named = None if but_named else down.named
    count = (down.phase, named, down.stoppage_at, down.ruling, down.number)
    return (count, state.off, state.history, state.last)


def check_numerals(before: PlayClock, after: PlayClock, decided: Decision) -> None:
    """While running, numerals rise only by a reset, a correction, Undo, or a new down."""
    at, event = decided.order.at, decided.order.event
    was, now = before.numerals(at), after.numerals(at)
    both = isinstance(before.state.down.phase, Running) and after.expires_at is not None
    if both and was is not None and now is not None and now > was:
        reset = isinstance(event, RunNumber | SetCount | Undo)
        pumped = isinstance(event, PlayEnded) and decided.ruling is not None
        pumped = pumped and decided.ruling is not None
        pumped = pumped and decided.ruling.starts_on is StartsOn.SIGNAL  # type: ignore[union-attr]
        taken_back = decided.order.role is Role.FIELD
        assert reset or pumped or taken_back or decided.assumed == "snap"
    ahead = [after.numerals(at + k * S // 3) for k in range(8)]
    assert all(a is None or b is None or a >= b for a, b in itertools.pairwise(ahead))


def check_what_is_held(clock: PlayClock, at: int) -> None:
    """A held number is what the next ready runs, but in STOPPED, LIVE and zero."""
    phase = clock.state.down.phase
    later = copy.copy(clock)
    decided, _ = later.handle(Order(Ready(), at + 2 * S, 2, Role.FIELD), at + 2 * S)
    if isinstance(phase, Set):
        assert later.expires_at == at + (2 + phase.seconds) * S
    assert decided.phase_after == "RUNNING"


def check_ruling(clock: PlayClock, decided: Decision) -> None:
    """The number of a named stoppage is the rule set's answer for all that was named."""
    down = clock.state.down
    ended = decided.changed and isinstance(decided.order.event, PlayEnded)
    if ended and isinstance(down.phase, Set):
        assert down.ruling == clock.rules.in_force(down.named)
        assert down.ruling is not None
        assert down.phase.seconds == down.ruling.seconds


def check_undo(before: PlayClock, after: PlayClock, decided: Decision) -> None:
    """Undo gives back exactly what was there, less the time since."""
    grew = len(after.state.history) > len(before.state.history)
    if not grew:
        return
    undone = copy.copy(after)
    at = decided.order.at + S // 4
    undone.handle(Order(Undo(), at, 2, Role.FIELD), at)
    expected = before.state.down
    if isinstance(expected.phase, Running) and expected.phase.expires_at <= at:
        assert undone.state.down.phase == Expired()
    else:
        assert undone.state.down == expected
    assert undone.state.history == before.state.history


PHASES = {"IDLE", "SET", "RUNNING", "LIVE", "STOPPED", "EXPIRED"}


@pytest.mark.parametrize("rules", [SCHOOL, only_25()], ids=lambda rules: rules.code)
def test_explore_to_a_fixed_point(rules: RuleSet) -> None:
    known = [p for p in CORE if not isinstance(p[0], PlayEnded) or p[0].ending in rules.rulings]
    explorer = Explorer(rules, known, (2, 45), depth=60)
    explorer.run()
    assert explorer.exhausted
    assert explorer.deepest >= 5
    assert {phase for phase, *_ in explorer.cells} == PHASES


@pytest.mark.full
@pytest.mark.parametrize("gaps_s", [(2, 7, 21, 45), (0.5, 2, 21)])
def test_explore_every_gap_to_a_fixed_point(gaps_s: tuple[float, ...]) -> None:
    explorer = Explorer(SCHOOL, CORE, gaps_s, depth=60)
    explorer.run()
    assert explorer.exhausted
    assert {phase for phase, *_ in explorer.cells} == PHASES


@pytest.mark.full
def test_explore_every_press() -> None:
    explorer = Explorer(SCHOOL, MORE, (0.5, 2, 21), depth=3)
    explorer.run()
    assert {phase for phase, *_ in explorer.cells} == PHASES
