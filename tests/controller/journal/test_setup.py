"""What a run was set to, as a text of its start row, and in words."""

from __future__ import annotations

import json

import pytest

from controller.journal.setup import setup_text, setup_words
from controller.rulebook.loader import fingerprint, load_rule_set
from controller.rulebook.options import with_options
from controller.rules.rulings import StartsOn
from controller.rules.settings import Settings

CHOSEN = [("after_touchdown", "40_dead_ball")]


def text(asked_as: str = "nfhs") -> str:
    rules = with_options(load_rule_set("nfhs"), CHOSEN)
    rules = rules.with_override("foul", 20, StartsOn.READY, "Pine County by-law 7")
    settings = Settings(start_lag_s=1.5)
    return setup_text(rules, fingerprint(rules), settings, options=CHOSEN, asked_as=asked_as)


def test_the_text_has_rule_set_fingerprint_options_overrides_and_every_setting() -> None:
    found = json.loads(text("/home/someone/pine.toml"))
    rules = load_rule_set("nfhs")
    assert found["rules"] == f"{rules.title} {rules.season}"
    assert (found["code"], found["own_file"]) == ("nfhs", "pine.toml")
    assert found["fingerprint"] not in ("", fingerprint(rules))
    assert found["options"] == {"after_touchdown": "40_dead_ball"}
    assert set(found["overrides"]) >= {"foul", "touchdown"}
    assert found["overrides"]["foul"] == {
        "seconds": 20,
        "starts_on": "ready_for_play",
        "because": "Pine County by-law 7",
    }
    assert found["settings"]["start_lag_s"] == 1.5
    assert set(found["settings"]) == set(Settings.__slots__)


def test_in_words() -> None:
    words = setup_words(text("/home/someone/pine.toml"))
    assert words.startswith("rules High school (NFHS) ")
    for part in (
        "own file pine.toml",
        "option after_touchdown = 40_dead_ball",
        "foul 20 (Pine County by-law 7)",
        "settings start_lag_s 1.5, same_down_s 6",
    ):
        assert f"; {part}" in words
    assert "own file" not in setup_words(text())
    assert "own file pine.toml" in setup_words(text("pine.toml"))


@pytest.mark.parametrize("other", ["as before", "{}", "[]", "7", '{"rules": 1}'])
def test_a_text_that_is_none_of_ours_comes_back_as_it_is(other: str) -> None:
    assert setup_words(other) == other
