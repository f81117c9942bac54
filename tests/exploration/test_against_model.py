"""The core against the model: random orders, handsets, gaps, lateness, ages, amendments."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from controller.rulebook.loader import FOLDER, load_rule_set
from controller.rules import effects
from controller.rules.events import (
    BoardsFault,
    Event,
    HoldNumber,
    MarkMoment,
    NoCount,
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
from controller.rules.play_clock import PlayClock
from controller.rules.settings import Settings
from tests.exploration.agreement import same_answer, same_state
from tests.exploration.model import NaiveClock, NaiveRules

S = 1_000_000_000
RULES = load_rule_set("nfhs")
NAIVE_RULES = NaiveRules.read((Path(FOLDER) / "nfhs.toml").read_text(encoding="utf-8"))

ENDINGS = (
    "routine",
    "incomplete_pass",
    "kick_no_new_series",
    "stoppage",
    "defense_only",
    "foul",
    "foul_offense",
    "foul_defense",
    "delay_of_game",
    "injury_offense",
    "injury_defense",
    "charged_timeout",
    "touchdown",
    "premature_start_reset40",
    "referee_pump",
    "snap",
    "boards_disagree",
    "runaway_llama",
)
FACTS = ("fourth_down", "new_series", "by_defense_only")

EVENTS: st.SearchStrategy[Event] = st.one_of(
    st.just(PlayEnded("routine")),
    st.builds(
        PlayEnded,
        st.sampled_from(ENDINGS),
        st.one_of(st.just(frozenset[str]()), st.frozensets(st.sampled_from(FACTS), max_size=2)),
    ),
    st.builds(PlayEnded, st.just("foul_defense"), st.just(frozenset({"cancelled"}))),
    st.builds(HoldNumber, st.sampled_from(Number)),
    st.builds(RunNumber, st.sampled_from(Number)),
    st.just(Ready()),
    st.just(Snap()),
    st.just(Stop()),
    st.builds(NoCount, st.booleans()),
    st.builds(SetCount, st.sampled_from((0, 1, 2, 12, 25, 26, 40, 99))),
    st.just(Undo()),
    st.just(ToggleBoards()),
    st.just(MarkMoment()),
)
GAPS = st.one_of(
    st.sampled_from((0, 1, S, 3 * S // 2 - 1, 3 * S // 2, 6 * S - 1, 6 * S, 20 * S - 1, 20 * S)),
    st.integers(0, 2 * S),
    st.integers(0, 60 * S),
)
AGES = st.one_of(st.just(0), st.integers(0, S))
ROLES = st.sampled_from((Role.KEEPER, Role.KEEPER, Role.FIELD, Role.SHADOW))
Other = tuple[Event, int, Role] | None
BETWEEN: st.SearchStrategy[Other] = st.sampled_from(
    (
        None,
        None,
        (Snap(), 4, Role.KEEPER),
        (Stop(), 4, Role.FIELD),
        (BoardsFault("no answer"), 0, Role.SERVICE),
    )
)
HANDSET_OF = {Role.KEEPER: 1, Role.FIELD: 2, Role.SHADOW: 3}


def told(said: list[effects.Effect]) -> list[tuple[str, int, int]]:
    return [
        ("mark", e.seconds, e.at) if isinstance(e, effects.Marked) else ("zero", 0, e.at)
        for e in said
    ]


class Compared(RuleBasedStateMachine):
    """Both clocks are given the same orders; every answer must be the same."""

    start_lag_s = 0

    def __init__(self) -> None:
        super().__init__()
        self.clock = PlayClock(RULES, Settings(start_lag_s=self.start_lag_s))
        self.model = NaiveClock(NAIVE_RULES, self.start_lag_s * S)
        self.at = 0
        self.taps = itertools.count(1)

    def passes(self, to: int) -> None:
        was_told, expected = told(self.clock.pass_time(to)), self.model.pass_time(to)
        assert was_told == expected, (was_told, expected)

    def gives(self, order: Order, now: int) -> None:
        expected_told = self.model.pass_time(order.at)
        was = self.model.now.phase
        expected = self.model.handle(order, now)
        became = self.model.now.phase
        expected_told += self.model.pass_time(now)
        decided, said = self.clock.handle(order, now)
        same_answer(decided, expected)
        assert (decided.phase_before, decided.phase_after) == (was, became)
        was_told = told([*said, *self.clock.pass_time(now)])
        assert was_told == expected_told, (was_told, expected_told)

    @rule(event=EVENTS, role=ROLES, gap=GAPS, age=AGES)
    def press(self, event: Event, role: Role, gap: int, age: int) -> None:
        self.at += gap
        dated = self.at if isinstance(event, SetCount) else max(0, self.at - age)
        handset = 0 if isinstance(event, SetCount) else HANDSET_OF[role]
        self.gives(Order(event, dated, handset, role), self.at)

    @rule(event=EVENTS, stronger=EVENTS, role=ROLES, gap=st.integers(0, S), between=BETWEEN)
    def gesture(
        self,
        event: Event,
        stronger: Event,
        role: Role,
        gap: int,
        between: tuple[Event, int, Role] | None,
    ) -> None:
        """Two taps of one key, now and then with something else between them."""
        if isinstance(stronger, Undo) or isinstance(event, ToggleBoards | MarkMoment | SetCount):
            return
        if isinstance(event, Undo):
            stronger = ToggleBoards()
        first_at = self.at
        self.gives(Order(event, first_at, HANDSET_OF[role], role, first_at), self.at)
        self.at += gap
        if between is not None:
            other, handset, whose = between
            self.gives(Order(other, self.at, handset, whose), self.at)
        amending = Order(stronger, self.at, HANDSET_OF[role], role, first_at, amends=True)
        self.gives(amending, self.at)

    @rule(reason=st.sampled_from(("no answer", "answers differ")))
    def fault(self, reason: str) -> None:
        self.gives(Order(BoardsFault(reason), self.at, 0, Role.SERVICE), self.at)

    @rule(gap=GAPS)
    def wait(self, gap: int) -> None:
        self.at += gap
        self.passes(self.at)

    @rule(late=st.one_of(st.integers(0, S), st.integers(0, 5 * S)))
    def timer(self, late: int) -> None:
        """The one timer fires, late as it may be."""
        deadline = self.clock.deadline
        if deadline is not None:
            self.at = max(self.at, deadline + late)
            self.passes(self.at)

    @rule()
    def restart(self) -> None:
        self.at += 2 * S
        self.passes(self.at)
        self.model.newest = None
        lag = Settings(start_lag_s=self.start_lag_s)
        self.clock = PlayClock(RULES, lag, state=self.clock.state, now=self.at)

    @rule(after=st.integers(0, 60 * S))
    def look(self, after: int) -> None:
        """A look at any later instant up to the next change, changing nothing."""
        deadline = self.model.deadline()
        at = self.at + after if deadline is None else min(self.at + after, deadline)
        assert self.clock.numerals(at) == self.model.numerals(at)

    @invariant()
    def same(self) -> None:
        same_state(self.clock, self.model, self.at)


class ComparedWithLag(Compared):
    start_lag_s = 2


QUICK = settings(
    max_examples=40,
    stateful_step_count=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)


@pytest.mark.parametrize("machine", [Compared, ComparedWithLag])
def test_the_core_and_the_model_agree(machine: type[Compared]) -> None:
    run_state_machine_as_test(machine, settings=QUICK)


@pytest.mark.parametrize(
    "examples",
    [pytest.param(500, marks=pytest.mark.full), pytest.param(5_000, marks=pytest.mark.long)],
)
@pytest.mark.parametrize("machine", [Compared, ComparedWithLag])
def test_the_core_and_the_model_agree_for_long(machine: type[Compared], examples: int) -> None:
    run_state_machine_as_test(
        machine, settings=settings(QUICK, max_examples=examples, stateful_step_count=60)
    )
