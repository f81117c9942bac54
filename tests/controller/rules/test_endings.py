"""The words: each once, each described, and no two of them the same."""

from __future__ import annotations

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


def test_another_word_stands_for_its_ending_or_fact() -> None:
    assert ending_named("time_out") == "charged_timeout"
    assert ending_named("touchdown") == "touchdown"
    assert ending_named("nothing") == "nothing"
    assert fact_named("last_down") == "fourth_down"
    assert fact_named("cancelled") == "cancelled"
