"""The names: each once, each described, and no two of them the same."""

from __future__ import annotations

from controller.rulebook.loader import codes, load_seasons
from controller.rulebook.options import load_options
from controller.rules.endings import ENDINGS, FACTS, GROUPS
from controller.rules.rulings import FOULS, NOT_ENDINGS, ROUTINE_ENDS


def test_every_ending_and_fact_is_described_in_one_line() -> None:
    for words in (ENDINGS, FACTS):
        for name, described in words.items():
            assert name == name.lower() and name.replace("_", "").isalnum()
            assert described.isprintable() and 8 <= len(described) <= 66


def test_an_ending_is_in_one_group() -> None:
    assert sum(len(group) for group in GROUPS.values()) == len(ENDINGS)


def test_no_name_is_an_ending_and_a_fact() -> None:
    assert not ENDINGS.keys() & FACTS.keys()


def test_the_special_lists_are_of_the_vocabulary() -> None:
    assert ENDINGS.keys() >= FOULS | NOT_ENDINGS | ROUTINE_ENDS


def test_the_facts_that_may_be_told_of_a_down() -> None:
    """Those of the codes, of the options, and what is told whether a code asks for it or not."""
    of_codes = {fact for code in codes() for each in load_seasons(code) for fact in each.facts}
    of_codes |= {"penalty_pending", "pumped", "game_clock_low"}  # asked about, never an order
    of_options = {
        fact
        for option in load_options().values()
        for value in option.values.values()
        for _, fact in value.with_fact
    }
    assert of_codes | of_options | {"scrimmage_kick"} == FACTS.keys()
