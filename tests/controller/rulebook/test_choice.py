"""The rule set that a command line asks for."""

from __future__ import annotations

import argparse

import pytest

from controller.rulebook.choice import add_option, rules_for
from controller.rulebook.loader import load_rule_set
from controller.rules.rulings import RulesError, StartsOn


def test_code_and_season_without_an_option() -> None:
    assert rules_for("NFHS", 2020, []) == load_rule_set("nfhs", 2020)


def test_each_option_is_laid_over_the_rule_set() -> None:
    parser = argparse.ArgumentParser()
    add_option(parser)
    words = ["--option", "after_touchdown=40_dead_ball", "--option", "arm_up = 5_s"]
    rules = rules_for("nfhs", None, parser.parse_args(words).option)
    assert rules.ruling("touchdown").starts_on is StartsOn.DEAD_BALL
    assert 10 not in rules.marks
    assert parser.parse_args([]).option == []


def test_an_option_without_a_value_is_refused() -> None:
    with pytest.raises(RulesError, match="option 'pile': must be NAME=VALUE"):
        rules_for("nfhs", None, ["pile"])
