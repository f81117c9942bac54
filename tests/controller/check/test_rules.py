"""Rule set and policies read back in plain words."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from controller.assembly.assembler import rules_of
from controller.check.report import Finding, Verdict
from controller.check.rules import rules, settings, unauthenticated
from controller.config.load import parse_config
from controller.rulebook.loader import load_rule_set
from controller.rules.settings import RANGES, Settings

OVERRIDE = """
[[overrides]]
ending = "touchdown"
seconds = 40
starts_on = "dead_ball"
citation = "Example Valley Conference, item 4"
"""


def of(verdict: Verdict, found: list[Finding]) -> list[Finding]:
    return [each for each in found if each.verdict is verdict]


def test_the_rule_set_is_named_with_season_numbers_and_what_starts_the_count() -> None:
    found = list(rules(load_rule_set("nfhs"), None))
    first = found[0].what
    for words in (
        "nfhs",
        "rules of 2022",
        "40 seconds",
        "(starts when the ball is dead)",
        "else 25",
    ):
        assert words in first
    assert {each.verdict for each in found} == {Verdict.OK}
    assert len(found) == 1 + len(fields(Settings))


def test_every_setting_is_read_back_with_its_value() -> None:
    said = [each.what for each in settings(Settings())]
    assert "a count at the dead ball starts at the signal" in said
    assert "an end of play within 6 s of the last one is the same one" in said
    assert "an end of play within 20 s of a stoppage is of the same down" in said


@pytest.mark.parametrize("name", sorted(RANGES))
def test_a_setting_that_differs_from_the_usual_wants_a_look_and_names_its_key(name: str) -> None:
    low, high = RANGES[name]
    for value in (low, high):
        if value == getattr(Settings(), name):
            continue
        (found,) = of(Verdict.LOOK, list(settings(Settings(**{name: value}))))
        assert name in found.do and f"{getattr(Settings(), name):g} s" in found.what
    (found,) = of(Verdict.LOOK, list(settings(Settings(start_lag_s=1.0))))
    assert found.what == "a count at the dead ball starts 1 s after the signal (usual: 0 s)"


def test_local_rules_are_told_with_who_adopted_them() -> None:
    config = parse_config(OVERRIDE, "test")
    (found,) = of(Verdict.LOOK, list(rules(rules_of(config), config)))
    assert "after touchdown 40 seconds" in found.what
    assert "starts when the ball is dead" in found.what
    assert "Example Valley Conference, item 4" in found.what


def test_an_option_is_told_with_its_value() -> None:
    config = parse_config('[options]\npile = "40_dead_ball"\n', "test")
    (found,) = of(Verdict.LOOK, list(rules(rules_of(config), config)))
    assert found.what == "option pile: 40 dead ball"
    assert "referee" in found.do


def test_no_local_rules_and_no_open_inputs_are_told_too() -> None:
    config = parse_config("", "test")
    said = [each.what for each in rules(rules_of(config), config)]
    assert "no local rules: the rule set as published" in said
    assert "only paired handsets and the console drive the clock" in said
    found = unauthenticated(True)
    assert found.verdict is Verdict.LOOK and "allow_unauthenticated = false" in found.do


def test_rules_of_ones_own_are_never_called_published(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('code = "cup"\ntitle = "Cup"\nfollows = "nfhs"\nroutine_s = 30\n')
    config = parse_config(f'rules = "{own}"', "test")
    found = list(rules(rules_of(config), config))
    assert "rule set cup, Cup" in found[0].what and "30 seconds" in found[0].what
    (look,) = of(Verdict.LOOK, found)
    assert look.what == f"rules of your own: {own}" and "referee" in look.do
    assert not any("as published" in each.what for each in found)
