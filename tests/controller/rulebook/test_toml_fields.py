"""The fields of a rule file: what is right is given back, what is wrong is named with its place."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from controller.rulebook import toml_fields as fields
from controller.rules.rulings import RulesError, StartsOn

KNOWN = ("foul", "snap")


def test_what_is_right_is_given_back() -> None:
    count = {"seconds": 25, "starts_on": "ready_for_play"}
    assert fields.read_count(count, "") == (25, StartsOn.READY)
    assert fields.read_count(count | {"seconds": "none"}, "") == (None, StartsOn.READY)
    assert fields.read_count({"starts_on": "referee_signal"}, "") == (None, StartsOn.SIGNAL)
    assert fields.read_as({"read_as": "memory"}, "") == "memory"
    row = {"fact": "pumped", "endings": ["foul", "snap"]}
    pairs = [("foul", "pumped"), ("snap", "pumped")]
    assert fields.fact_endings(row, KNOWN, "") == pairs
    assert fields.variants_of(pairs)["snap", "pumped"] == "snap+pumped"
    assert fields.marks({"marks": [10, 0, 10]}, "marks") == {10, 0}
    assert fields.table_at({"a": {"b": 1}}, "a") == {"b": 1}
    assert fields.tables({"a": [{"b": 1}]}, "a") == [{"b": 1}]
    assert fields.tables({}, "a", needed=False) == []
    fields.only({"a": 1}, {"a", "b"}, "")


@pytest.mark.parametrize(
    ("read", "says"),
    [
        (
            lambda: fields.read_count({"seconds": 0, "starts_on": "x"}, "w: "),
            "w: seconds = 0: ",
        ),
        (
            lambda: fields.read_count({"starts_on": "x"}, "w: "),
            "w: starts_on 'x': one of ",
        ),
        (lambda: fields.read_count({"starts_on": "dead_ball"}, "w: "), 'say seconds = "none"'),
        (lambda: fields.read_as({"read_as": "seen"}, "w: "), "w: read_as 'seen': one of text"),
        (lambda: fields.fact_endings({"fact": "foul"}, KNOWN, "w: "), "'foul' is an ending"),
        (
            lambda: fields.known_endings({"k": "foul"}, "k", KNOWN, "w: "),
            "w: k = 'foul': must be a list of",
        ),
        (
            lambda: fields.known_endings({"k": ["fowl"]}, "k", KNOWN, "w: "),
            "w: k: ending 'fowl' has no ruling; nearest: foul",
        ),
        (lambda: fields.known_ending({"k": 5}, "k", KNOWN, ""), "k: ending 5 has no ruling"),
        (
            lambda: fields.fact_endings({"fact": "pumpd"}, KNOWN, "w: "),
            "w: unknown fact 'pumpd'; nearest: pumped",
        ),
        (lambda: fields.marks({"marks": 5}, "marks"), "marks = 5: must be a list of seconds"),
        (lambda: fields.whole({"k": True}, "k"), "k = True: must be a whole number from 1 to 99"),
        (lambda: fields.text({"k": "two\nlines"}, "k"), "must be text in one line"),
        (lambda: fields.as_table([], "k"), "k = []: must be a table"),
        (lambda: fields.tables({"k": {}}, "k"), "k = {}: must be tables, [[k]] above each"),
        (lambda: fields.given({}, "k", "w: "), "w: missing key 'k'"),
        (lambda: fields.only({"c": 1}, {"b", "a"}, "w: "), "w: unknown key 'c' = 1; allowed: a, b"),
    ],
)
def test_what_is_wrong_is_named_with_its_place_and_value(
    read: Callable[[], object], says: str
) -> None:
    with pytest.raises(RulesError) as caught:
        read()
    assert says in str(caught.value)


def test_a_value_is_shown_in_one_short_line() -> None:
    assert fields.shown("x" * 100) == "'" + "x" * 58 + "…"
    assert fields.shown(10**5000) == "(too long a number)"
    assert fields.cut("a\nb") == "'a\\nb'"
