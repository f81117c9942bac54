"""Options over a rule set: single rulings replaced, and each replaced one says so."""

from __future__ import annotations

import pytest

from controller.rule_options import load_options, with_options
from controller.rule_sets import codes, load_seasons
from controller.rules.options import find_value, with_option
from controller.rules.rulings import RulesError, StartsOn
from tests.controller.rules.crew import SCHOOL, Crew, ending

OPTIONS = load_options()
CHOICES = [(n, word) for n, o in OPTIONS.items() if not o.setting for word in o.values]


@pytest.mark.parametrize(("name", "word"), CHOICES)
def test_what_an_option_changes_is_a_local_adoption_and_all_else_stays(
    name: str, word: str
) -> None:
    for code in codes():
        for rules in load_seasons(code):
            value = OPTIONS[name].values[word]
            ours = with_option(rules, name, word, value)
            for each, ruling in ours.rulings.items():
                before = rules.rulings[each]
                same = (ruling.seconds, ruling.starts_on) == (before.seconds, before.starts_on)
                assert (ruling == before) if same else ruling.override == f"option {name} = {word}"
                assert same or each in value.rulings
            for pair in value.with_fact:
                ruling = ours.ruling(pair[0], (pair[1],))
                assert ruling.seconds == value.with_fact[pair].seconds
                assert ruling.starts_on is value.with_fact[pair].starts_on


def test_a_value_that_is_the_rule_sets_own_is_no_adoption() -> None:
    assert with_options(SCHOOL, [("after_touchdown", "25_ready")]) == SCHOOL


def test_the_last_choice_of_an_option_holds() -> None:
    twice = with_options(SCHOOL, [("pile", "40_dead_ball"), ("pile", "25_ready")])
    assert twice.ruling("pile_unpile").seconds == 25


def test_an_option_with_a_fact_goes_through_the_clock() -> None:
    """Officials' explainer page: 40 only where the game clock will run (text)."""
    rules = with_options(SCHOOL, [("defense_foul", "40_if_clock_runs")])
    held = []
    for facts in ((), ("game_clock_running",)):
        crew = Crew(rules)
        crew(ending("foul_defense", *facts), 10)
        held.append((crew.shows(12), crew.clock.state.down.ruling))
    assert [seconds for seconds, _ in held] == [25, 40]
    assert all(ruling and ruling.override for _, ruling in held)


def test_the_arm_and_the_threshold_are_marks() -> None:
    assert 10 not in with_options(SCHOOL, [("arm_up", "5_s")]).marks
    assert with_options(SCHOOL, [("reset_threshold", "20")]).routine_marks == {20}


@pytest.mark.parametrize(
    ("name", "word", "says"),
    [
        ("after_tuchdown", "25_ready", "unknown option 'after_tuchdown'; nearest: after_touchdown"),
        ("after_touchdown", "40", "option after_touchdown = '40': one of 25_ready, 40_dead_ball"),
        ("start_lag", "1_s", "no ruling: it is set by play_clock.start_lag_s"),
        ("who_may_pump", "referee", r"it is set by handsets\[\].role"),
    ],
)
def test_a_choice_that_is_none_is_told_with_what_there_is(name: str, word: str, says: str) -> None:
    with pytest.raises(RulesError, match=says):
        find_value(OPTIONS, name, word)


def test_an_override_stands_over_an_option() -> None:
    rules = with_options(SCHOOL, [("after_touchdown", "40_dead_ball")])
    ours = rules.with_override("touchdown", 30, StartsOn.READY, "Made-up League")
    assert (ours.ruling("touchdown").seconds, ours.ruling("touchdown").override) == (
        30,
        "Made-up League",
    )
