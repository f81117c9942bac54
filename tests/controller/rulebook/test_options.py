"""Loading the options: the shipped ones hold together, every damage is named."""

from __future__ import annotations

import re

import pytest

from controller.config.load import parse_config
from controller.config.toml_table import ConfigError
from controller.rulebook.options import load_options, parse_options, split_option
from controller.rules.rulings import RulesError

SMALL = """\
[one]
about = "a disagreement"
[one.values.25_ready]
citation = "A 1"
read_as = "text"
rulings.touchdown = { seconds = 25, starts_on = "ready_for_play" }
facts = [{ fact = "free_kick", endings = ["safety"], seconds = "none", starts_on = "dead_ball" }]
marks = [5]
[two]
about = "another"
setting = "somewhere.else"
[two.values.x]
citation = "B 2"
read_as = "table"
"""
DAMAGES = [
    ('about = "a disagreement"\n', "", "one: missing key 'about'"),
    ("rulings.touchdown", "rulings.tuchdown", "one.25_ready: unknown ending 'tuchdown'"),
    ('"free_kick"', '"fre_kick"', "one.25_ready: unknown fact 'fre_kick'"),
    ('"free_kick"', '"touchdown"', "one.25_ready: 'touchdown' is an ending"),
    ('["safety"]', '["safty"]', "one.25_ready: endings: ending 'safty' has no ruling"),
    ("seconds = 25", "seconds = 250", "seconds = 250: must be a whole number"),
    ('"ready_for_play"', '"ready"', "starts_on 'ready': one of dead_ball"),
    ('read_as = "text"', 'read_as = "seen"', "one.25_ready: read_as 'seen': one of text"),
    ("marks = [5]", "marks = 5", "marks = 5: must be a list"),
    ("marks = [5]", "mark = [5]", "one.25_ready: unknown key 'mark'"),
    ('setting = "somewhere.else"\n', "", "two.x: either rulings and marks, or a setting"),
    ('about = "a disagreement"', 'about = "a"\nsetting = "b"', "one.25_ready: either rulings"),
    ("[two]", "[two", "line 9"),
]


@pytest.mark.parametrize(("whole", "damaged", "says"), DAMAGES)
def test_a_damaged_file_names_the_place_and_the_value(whole: str, damaged: str, says: str) -> None:
    assert whole in SMALL
    with pytest.raises(RulesError) as caught:
        parse_options(SMALL.replace(whole, damaged, 1), "o.toml")
    assert str(caught.value).startswith("o.toml: ") and says in str(caught.value)


def test_a_value_is_read_whole() -> None:
    value = parse_options(SMALL, "o.toml")["one"].values["25_ready"]
    assert value.rulings["touchdown"].seconds == 25
    assert value.with_fact["safety", "free_kick"].seconds is None
    assert (value.marks, value.routine_marks) == (frozenset({5}), None)


def test_the_shipped_options_are_the_documented_disagreements() -> None:
    options = load_options()
    assert len(options) == 21
    for option in options.values():
        assert option.about and option.values
        assert all(value.citation for value in option.values.values())
    assert {name for name, each in options.items() if each.setting} == {"start_lag", "who_may_pump"}


def test_name_and_value() -> None:
    assert split_option("pile = 25_ready") == ("pile", "25_ready")
    with pytest.raises(RulesError, match="option 'pile': must be NAME=VALUE"):
        split_option("pile")


# In the configuration


def test_options_of_a_configuration() -> None:
    config = parse_config('[options]\npile = "40_dead_ball"\narm_up = "5_s"', "f.toml")
    assert dict(config.options) == {"pile": "40_dead_ball", "arm_up": "5_s"}


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('pile = "40"', 'options.pile = "40": must be one of "25_ready", "40_dead_ball"'),
        ("pile = 40", 'options.pile = 40: must be one of "25_ready", "40_dead_ball"'),
        (
            'pil = "25_ready"',
            "options.pil = .*: unknown key; the nearest known key is options.pile",
        ),
        ('start_lag = "1_s"', "options.start_lag = .*: is no ruling: it is set by play_clock"),
    ],
)
def test_a_wrong_option_of_a_configuration_is_named(line: str, says: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_config(f"[options]\n{line}", "f.toml")
    (problem,) = caught.value.problems
    assert re.fullmatch(says + ".*", problem)
