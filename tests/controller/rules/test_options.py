"""Options over a rule set: single rulings replaced, and each replaced one says so."""

from __future__ import annotations

import pytest

from controller.rulebook.loader import codes, load_seasons
from controller.rulebook.options import load_options, with_options
from controller.rules.options import Option, Value, find_value, with_option
from controller.rules.rulings import RulesError, StartsOn
from tests.controller.rules.crew import SCHOOL, Crew
from tests.controller.rules.orders import ending

OPTIONS = load_options()
# Every value a second time: how it was read, and what it says. R is on the ready, D at the dead
# ball, N at the referee's signal; `ending+fact` only where the fact is told.
SAID = """\
after_touchdown 25_ready text: touchdown 25 R
after_touchdown 40_dead_ball text: touchdown 40 D
after_touchdown 40_unless_pumped text: touchdown 40 D
after_free_kick 25_ready text: kick_new_series+free_kick 25 R, kick_no_new_series+free_kick 25 R
after_free_kick 40_dead_ball text: kick_new_series+free_kick 40 D, kick_no_new_series+free_kick
    40 D
start_lag 0_s text: set by play_clock.start_lag_s
start_lag 1_s text: set by play_clock.start_lag_s
start_lag 2_s text: set by play_clock.start_lag_s
spotting_delay hold_25 text: spotting_delay_reset25 25 R
spotting_delay reset_and_run text: spotting_delay_reset25 25 N
spotting_delay never_for_chains text: slow_chains_no_reset 40 D
defense_foul 25_ready text: foul_defense 25 R
defense_foul 40_ready text: foul_defense 40 R
defense_foul 40_if_clock_runs text: foul_defense 25 R, foul_defense+game_clock_running 40 R
defense_foul referee_choice text: foul+referee_chose_40 40 R, foul_before_snap+referee_chose_40
    40 R, foul_defense+referee_chose_40 40 R
declined_defense_foul 40_ready memory: foul_defense+declined 40 R
declined_defense_foul 25_ready memory: foul_defense+declined 25 R
defense_injury 25_ready text: injury_defense 25 R, equipment_defense 25 R
defense_injury 40_ready text: injury_defense 40 R, equipment_defense 40 R
both_hurt 40_ready text: injury_both 40 R
both_hurt first_noticed text: injury_both 40 R, injury_both+offense_first 25 R
hurt_then_timeout 25_ready text: charged_timeout_after_injury_defense 25 R
hurt_then_timeout 40_ready memory: charged_timeout_after_injury_defense 40 R
pile 25_ready text: pile_unpile 25 R
pile 40_dead_ball text: pile_unpile 40 D
double_change 40_dead_ball table: double_change_of_possession 40 D
double_change 25_if_carried_out table: double_change_of_possession+defender_out_of_bounds 25 R
kick_no_new_series 25_ready text: kick_no_new_series 25 R
kick_no_new_series 40_dead_ball memory: kick_no_new_series 40 D
helmet_runoff 25_ready table: helmet_off_runoff+by_defense_only 25 R
helmet_runoff 40_ready text: helmet_off_runoff+by_defense_only 40 R
interruption 25_ready text: other_interruption 25 R
interruption 40_on_signal text: other_interruption 40 N
who_may_pump referee text: set by handsets[].role
who_may_pump referee_or_back_judge text: set by handsets[].role
who_may_pump back_judge_first text: set by handsets[].role
in_doubt 25_ready text: in_doubt 25 R
arm_up 10_s text: marks 0 1 2 3 4 5 10
arm_up 5_s text: marks 0 1 2 3 4 5
low_game_clock do_not_start text: less_time_than_play_clock None D
low_game_clock start memory: less_time_than_play_clock 40 D
reset_threshold 25 text: routine_marks 25
reset_threshold 20 text: routine_marks 20
after_try 25_ready text: try_over 25 R
after_try 40_after_failed_try memory: try_over+failed_try 40 D
period_start 25_ready text: start_of_period 25 R
period_start 25_on_whistle text: start_of_period 25 N
"""
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


def said(option: Option, value: Value) -> str:
    """What a value says, as in the table above."""
    rulings = dict(value.rulings)
    rulings |= {f"{ending}+{fact}": each for (ending, fact), each in value.with_fact.items()}
    key = {StartsOn.READY: "R", StartsOn.DEAD_BALL: "D", StartsOn.SIGNAL: "N"}
    says = [f"{name} {each.seconds} {key[each.starts_on]}" for name, each in rulings.items()]
    for name, marks in (("marks", value.marks), ("routine_marks", value.routine_marks)):
        says += [] if marks is None else [f"{name} {' '.join(map(str, sorted(marks)))}"]
    says += [f"set by {option.setting}"] if option.setting else []
    return f"{value.read_as}: {', '.join(says)}"


def test_every_value_says_what_its_source_says() -> None:
    found = [
        f"{name} {word} {said(option, value)}"
        for name, option in OPTIONS.items()
        for word, value in option.values.items()
    ]
    assert found == SAID.replace("\n    ", " ").splitlines()


def test_a_value_that_is_the_rule_sets_own_is_no_adoption() -> None:
    assert with_options(SCHOOL, [("after_touchdown", "25_ready")]) == SCHOOL


def test_an_option_takes_along_what_only_said_the_same_with_a_fact() -> None:
    """School code 2022 (memory): a penalty declined is ruled as the foul."""
    rules = with_options(SCHOOL, [("defense_foul", "25_ready")])
    assert rules.ruling("foul_defense", ["declined"]).seconds == 25
    assert rules.ruling("foul_defense", ["declined"]).override
    rules = with_options(SCHOOL, [("declined_defense_foul", "25_ready")])
    assert rules.ruling("foul_defense", ["declined"]).seconds == 25
    assert rules.ruling("foul_defense").seconds == 40
    assert with_options(SCHOOL, [("declined_defense_foul", "40_ready")]) == SCHOOL


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


def test_an_option_that_resembles_none_is_answered_with_all_of_them() -> None:
    options = load_options()
    with pytest.raises(RulesError) as refused:
        find_value(options, "zzzz", "1")
    assert all(name in str(refused.value) for name in options)


def test_a_value_says_nothing_but_what_it_is_given() -> None:
    assert (Value("somewhere", "text").rulings, Value("somewhere", "text").with_fact) == ({}, {})
