"""The core against the model: random orders, handsets, gaps, lateness, ages, amendments."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from controller.rulebook.loader import FOLDER, load_rule_set
from controller.rules import effects, events
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
    "injury_or_helmet_any",
    "injury_offense",
    "injury_defense",
    "equipment_any",
    "equipment_defense",
    "charged_timeout",
    "official_timeout",
    "touchdown",
    "field_goal",
    "field_goal_or_safety",
    "before_free_kick",
    "start_of_period",
    "overtime_series",
    "premature_start_reset40",
    "referee_pump",
    "snap",
    "boards_disagree",
    "runaway_llama",
)
FACTS = ("fourth_down", "new_series", "by_defense_only")
FOULS = ("foul", "foul_offense", "foul_defense", "foul_both")
OF_A_FOUL = ("declined", "cancelled", "try_again")

EVENTS: st.SearchStrategy[events.Event] = st.one_of(
    st.just(events.PlayEnded("routine")),
    st.builds(
        events.PlayEnded,
        st.sampled_from(ENDINGS),
        st.one_of(st.just(frozenset[str]()), st.frozensets(st.sampled_from(FACTS), max_size=2)),
    ),
    st.builds(
        events.PlayEnded,
        st.sampled_from(FOULS),
        st.sampled_from(OF_A_FOUL).map(lambda f: {f}).map(frozenset),
    ),
    st.builds(events.HoldNumber, st.sampled_from(events.Number)),
    st.builds(events.RunNumber, st.sampled_from(events.Number)),
    st.just(events.Score()),
    st.just(events.Ready()),
    st.just(events.Snap()),
    st.just(events.Stop()),
    st.builds(events.NoCount, st.booleans()),
    st.builds(events.SetCount, st.sampled_from((0, 1, 2, 12, 25, 26, 40, 99))),
    st.just(events.Undo()),
    st.just(events.ToggleBoards()),
    st.just(events.MarkMoment()),
)
GAPS = st.one_of(
    st.sampled_from((0, 1, S, 3 * S // 2 - 1, 3 * S // 2, 6 * S - 1, 6 * S, 20 * S - 1, 20 * S)),
    st.sampled_from((10 * S - 1, 10 * S, 300 * S - 1, 300 * S)),
    st.integers(0, 2 * S),
    st.integers(0, 60 * S),
)
AGES = st.one_of(st.just(0), st.integers(0, S))
ROLES = st.sampled_from(
    (events.Role.KEEPER, events.Role.KEEPER, events.Role.FIELD, events.Role.SHADOW)
)
Other = tuple[events.Event, int, events.Role] | None
BETWEEN: st.SearchStrategy[Other] = st.sampled_from(
    (
        None,
        None,
        (events.Snap(), 4, events.Role.KEEPER),
        (events.Stop(), 4, events.Role.FIELD),
        (events.BoardsFault("no answer"), 0, events.Role.SERVICE),
    )
)
HANDSET_OF = {events.Role.KEEPER: 1, events.Role.FIELD: 2, events.Role.SHADOW: 3}


def told(said: list[effects.Effect]) -> list[tuple[str, int, int]]:
    names = {effects.Marked: "mark", effects.ReachedZero: "zero", effects.Nudged: "nudge"}
    return [(names[type(e)], e.seconds if isinstance(e, effects.Marked) else 0, e.at) for e in said]


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

    def gives(self, order: events.Order, now: int) -> None:
        expected_told = self.model.pass_time(order.at)
        was = self.model.now.phase
        left_s = self.model.numerals(order.at)
        expected = self.model.handle(order, now)
        became = self.model.now.phase
        expected_told += self.model.pass_time(now)
        decided, said = self.clock.handle(order, now)
        same_answer(decided, expected)
        assert (decided.phase_before, decided.phase_after) == (was, became)
        assert decided.left_s == left_s, (decided, left_s)
        was_told = told([*said, *self.clock.pass_time(now)])
        assert was_told == expected_told, (was_told, expected_told)

    @rule(event=EVENTS, role=ROLES, gap=GAPS, age=AGES)
    def press(self, event: events.Event, role: events.Role, gap: int, age: int) -> None:
        self.at += gap
        dated = self.at if isinstance(event, events.SetCount) else max(0, self.at - age)
        handset = 0 if isinstance(event, events.SetCount) else HANDSET_OF[role]
        self.gives(events.Order(event, dated, handset, role), self.at)

    @rule(event=EVENTS, stronger=EVENTS, role=ROLES, gap=st.integers(0, S), between=BETWEEN)
    def gesture(
        self,
        event: events.Event,
        stronger: events.Event,
        role: events.Role,
        gap: int,
        between: tuple[events.Event, int, events.Role] | None,
    ) -> None:
        """Two taps of one key, now and then with something else between them."""
        if isinstance(stronger, events.Undo) or isinstance(
            event, events.ToggleBoards | events.MarkMoment | events.SetCount
        ):
            return
        if isinstance(event, events.Undo):
            stronger = events.ToggleBoards()
        first_at = self.at
        self.gives(events.Order(event, first_at, HANDSET_OF[role], role, first_at), self.at)
        self.at += gap
        if between is not None:
            other, handset, whose = between
            self.gives(events.Order(other, self.at, handset, whose), self.at)
        amending = events.Order(stronger, self.at, HANDSET_OF[role], role, first_at, amends=True)
        self.gives(amending, self.at)

    @rule(reason=st.sampled_from(("no answer", "answers differ")))
    def fault(self, reason: str) -> None:
        self.gives(
            events.Order(events.BoardsFault(reason), self.at, 0, events.Role.SERVICE), self.at
        )

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
