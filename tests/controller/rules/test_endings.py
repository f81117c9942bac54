"""The words: each once, each described, and no two of them the same."""

from __future__ import annotations

from controller.rulebook.loader import codes, load_seasons
from controller.rulebook.options import load_options
from controller.rules.endings import (
    ALIASES,
    ENDINGS,
    FACT_ALIASES,
    FACTS,
    GROUPS,
    ending_named,
    fact_named,
)
from controller.rules.rulings import FOULS, NOT_ENDINGS, ROUTINE_ENDS

SAID_FOR = {
    "before_free_kick": "before_kickoff",
    "boards_disagree": "board_failure",
    "change_of_possession": "fumble_lost interception turnover turnover_on_downs",
    "charged_timeout": "team_timeout time_out timeout",
    "coach_conference": "conference",
    "delay_of_game": "delay time_count_foul",
    "double_change_of_possession": "aba",
    "equipment_any": "equipment",
    "equipment_defense": "helmet_off_defense",
    "equipment_offense": "helmet_off_offense",
    "foul": "flag penalty",
    "foul_before_snap": "false_start",
    "incomplete_pass": "incomplete",
    "injury_or_helmet_any": "helmet_off injury",
    "kick_new_series": "missed_field_goal punt touchback",
    "line_to_gain_reached": "first_down",
    "media_timeout": "tv_timeout",
    "other_interruption": "interruption",
    "overtime_series": "extra_period_series overtime",
    "pile_unpile": "pile",
    "premature_start_reset40": "two_palms",
    "referee_pump": "one_palm",
    "replay_review": "replay",
    "routine": "dead_ball",
    "runner_down_inbounds": "down_inbounds",
    "slow_chains_no_reset": "slow_chains",
    "spotting_delay_reset25": "spotting_delay",
    "start_of_period": "new_period",
    "two_minute_timeout": (
        "three_minute_warning two_minute_notification two_minute_notification_old "
        "two_minute_warning"
    ),
}
FACTS_SAID_FOR = {
    "by_defense_only": "by_defense defense_only",
    "free_kick": "kickoff",
    "fourth_down": "last_down",
    "late_in_half": "last_two_minutes",
    "game_clock_running": "running_clock",
}


def test_every_ending_and_fact_is_described_in_one_line() -> None:
    for words in (ENDINGS, FACTS):
        for name, described in words.items():
            assert name == name.lower() and name.replace("_", "").isalnum()
            assert described.isprintable() and 8 <= len(described) <= 66


def test_an_ending_is_in_one_group() -> None:
    assert sum(len(group) for group in GROUPS.values()) == len(ENDINGS)


def test_no_word_means_two_things() -> None:
    names = [*ENDINGS, *FACTS, *ALIASES, *FACT_ALIASES]
    twice = {name for name in names if names.count(name) > 1}
    assert twice == {"defense_only"}  # an ending, or as a fact by the defense only
    assert set(ALIASES.values()) <= ENDINGS.keys()
    assert set(FACT_ALIASES.values()) <= FACTS.keys()


def test_the_special_lists_are_of_the_vocabulary() -> None:
    assert ENDINGS.keys() >= FOULS | NOT_ENDINGS | ROUTINE_ENDS


def test_what_officials_say_for_each_ending_and_fact() -> None:
    """Common words of the trade (common practice, no source)."""
    for aliases, said_for in ((ALIASES, SAID_FOR), (FACT_ALIASES, FACTS_SAID_FOR)):
        assert aliases == {word: name for name, said in said_for.items() for word in said.split()}


def test_the_facts_that_may_be_told_of_a_down() -> None:
    """Those of the codes, of the options, and the kick's kind that is asked for."""
    of_codes = {fact for code in codes() for each in load_seasons(code) for fact in each.facts}
    of_codes |= {"penalty_pending", "pumped", "game_clock_low"}  # asked about, never an order
    of_options = {
        fact
        for option in load_options().values()
        for value in option.values.values()
        for _, fact in value.with_fact
    }
    told = {"scrimmage_kick", "declined", "waved_off", "after_spot"}
    assert of_codes | of_options | told == FACTS.keys()


def test_another_word_stands_for_its_ending_or_fact() -> None:
    assert ending_named("time_out") == "charged_timeout"
    assert ending_named("touchdown") == "touchdown"
    assert ending_named("nothing") == "nothing"
    assert fact_named("last_down") == "fourth_down"
    assert fact_named("cancelled") == "cancelled"
