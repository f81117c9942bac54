"""``playclock rules``: codes, whole tables, differences and options, in 80 columns and as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from controller.cli import main
from controller.rulebook.loader import codes, load_rule_set, load_seasons
from controller.rulebook.options import load_options
from controller.rules.endings import ENDINGS, GROUPS

EVERY = [(code, each.season_from) for code in codes() for each in load_seasons(code)]


Say = Callable[..., str]
Data = Callable[..., Any]


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Say:
    """Gives what the command prints."""

    def said(*arguments: str) -> str:
        assert main(["rules", *arguments]) == 0
        out, err = capsys.readouterr()
        assert err == ""
        return out

    return said


@pytest.fixture
def data(say: Say) -> Data:
    """Gives what it prints for machines."""
    return lambda *arguments: json.loads(say(*arguments, "--json"))


def test_every_code_is_listed_with_its_seasons(say: Say, data: Data) -> None:
    lines = say().splitlines()
    for code in codes():
        (line,) = (each for each in lines if each.split()[:1] == [code])
        for rules in load_seasons(code):
            assert str(rules.season_from) in line and rules.title in line
    listed = {(each["code"], year) for each in data() for year in each["seasons_from"]}
    assert listed == set(EVERY)


@pytest.mark.parametrize(("code", "season"), EVERY)
def test_a_table_has_every_ending_in_its_group_within_80_columns(
    say: Say, data: Data, code: str, season: int
) -> None:
    asked = (code, "--season", str(season))
    out = say(*asked)
    assert all(len(line) <= 80 for line in out.splitlines())
    assert out.isascii() and "outrank" in out
    for group, endings in GROUPS.items():
        assert group.upper() in out
        for ending in endings:
            assert f"  {ending}:" in out
    table = data(*asked)
    rules = load_rule_set(code, season)
    for group in table["groups"].values():
        for ending, found in group.items():
            assert found["seconds"] == rules.ruling(ending).seconds
            assert found["meaning"] == ENDINGS[ending]
    for row in table["facts"]:
        assert row["seconds"] == rules.ruling(row["ending"], [row["fact"]]).seconds


@pytest.mark.parametrize(("code", "season"), EVERY)
def test_differences_are_all_and_only_those(say: Say, data: Data, code: str, season: int) -> None:
    asked = ("nfhs", "--season", "2022", "--against", f"{code}:{season}")
    out = say(*asked)
    assert all(len(line) <= 80 for line in out.splitlines())
    found = data(*asked)["differences"]
    ours, theirs = load_rule_set("nfhs", 2022), load_rule_set(code, season)
    for ending in ENDINGS:
        pair = [each.ruling(ending) for each in (ours, theirs)]
        differ = len({(each.seconds, each.starts_on) for each in pair}) > 1
        assert (ending in found) == differ
        assert (f"  {ending}:" in out) == differ


def test_a_rule_set_differs_from_itself_in_nothing(say: Say) -> None:
    assert "nothing is ruled otherwise" in say("nfhs", "--against", "NFHS")


def test_an_official_of_two_levels_sees_what_a_fact_changes(
    data: Data,
) -> None:
    found = data("nfhs", "--against", "ncaa")["differences"]
    assert [each["seconds"] for each in found["kick_new_series free_kick"].values()] == [25, 40]


def test_every_option_is_listed_with_its_values(say: Say, data: Data) -> None:
    out = say("--options")
    assert all(len(line) <= 80 for line in out.splitlines())
    listed = data("--options")
    for name, option in load_options().items():
        assert f"{name}: {option.about}" in " ".join(out.split())
        assert list(listed[name]["values"]) == list(option.values)


def test_an_option_shows_in_the_table_as_a_local_adoption(
    say: Say,
    data: Data,
) -> None:
    asked = ("nfhs", "--option", "after_touchdown=40_dead_ball")
    assert "LOCAL ADOPTION option after_touchdown" in say(*asked)
    found = data(*asked)["groups"]["new series, kicks and scores"]["touchdown"]
    assert found["local_adoption"] == "option after_touchdown = 40_dead_ball"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["nfsh"], "unknown code 'nfsh'; nearest: nfhs"),
        (["nfhs", "--season", "1900"], "no season 1900: must be from 1990 to 20"),
        (["nfhs", "--against", "nfsh"], "unknown code 'nfsh'"),
        (["nfhs", "--against", "ncaa:x"], "--against 'ncaa:x': must be CODE or CODE:YEAR"),
        (["nfhs", "--against", "ncaa:2000"], "no season 2000"),
        (["nfhs", "--option", "pile"], "must be NAME=VALUE"),
        (["--season", "2020"], "--season needs a CODE"),
        (["--against", "ncaa"], "--against needs a CODE"),
    ],
)
def test_a_mistake_is_one_line(
    capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    assert main(["rules", *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.startswith("playclock rules: ")
    assert said.err.count("\n") == 1 and says in said.err
