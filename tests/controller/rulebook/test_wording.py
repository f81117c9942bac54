"""Rulings in words: every form that readers are given, for each start and for no new count."""

from __future__ import annotations

import pytest

from controller.rulebook.loader import load_rule_set
from controller.rulebook.toml_fields import READ_AS
from controller.rulebook.wording import (
    READ_WORDS,
    START_WORDS,
    as_data,
    in_full,
    in_short,
    in_table,
    season_in_words,
    titled,
)
from controller.rules.rulings import Ruling, StartsOn


def ruled(seconds: int | None, starts_on: StartsOn, **more: str) -> Ruling:
    return Ruling("foul", seconds, starts_on, "Rule 1", "text", **more)


@pytest.mark.parametrize(
    ("seconds", "starts_on", "table", "short", "full"),
    [
        (
            40,
            StartsOn.DEAD_BALL,
            "40 dead ball",
            "40 at the dead ball",
            "40 seconds, starts when the ball is dead",
        ),
        (
            25,
            StartsOn.READY,
            "25 ready",
            "25 on the ready",
            "25 seconds, held, starts on the ready for play",
        ),
        (
            25,
            StartsOn.SIGNAL,
            "25 signal",
            "25 on the signal",
            "25 seconds, acts at once on the referee's signal",
        ),
        (None, StartsOn.READY, "no new count", "no new count", "no new count"),
        (
            None,
            StartsOn.SIGNAL,
            "no new count",
            "no new count",
            "no new count, acts at once on the referee's signal",
        ),
    ],
)
def test_a_ruling_in_words(
    seconds: int | None, starts_on: StartsOn, table: str, short: str, full: str
) -> None:
    ruling = ruled(seconds, starts_on)
    assert (in_table(ruling), in_short(ruling), in_full(ruling)) == (table, short, full)


def test_every_start_has_words_of_its_own_in_every_form() -> None:
    assert list(START_WORDS) == list(StartsOn)
    for forms in zip(*START_WORDS.values(), strict=True):
        assert len(set(forms)) == len(StartsOn)


def test_every_way_to_read_a_source_has_words_of_its_own() -> None:
    assert tuple(READ_WORDS) == READ_AS
    for forms in zip(*READ_WORDS.values(), strict=True):
        assert len(set(forms)) == len(READ_AS)


@pytest.mark.parametrize(
    ("season", "words"),
    [
        (2022, "rules of 2022"),
        (2026, "rules of 2022, in force 2026"),
        (2021, "rules of 2020, in force 2021"),
        (None, "rules of 2022"),
    ],
)
def test_which_rules_are_in_force(season: int | None, words: str) -> None:
    rules = load_rule_set("nfhs", season)
    assert season_in_words(rules) == words
    assert titled(rules) == f"High school (NFHS), {words}"


def test_what_does_not_apply_is_left_out_for_machines() -> None:
    plain = {"seconds": 25, "starts_on": "ready_for_play", "citation": "Rule 1", "read_as": "text"}
    assert as_data(ruled(25, StartsOn.READY)) == plain
    more = as_data(ruled(25, StartsOn.READY, unsettled="no text", override="Made-up League"))
    assert more == plain | {"unsettled": "no text", "local_adoption": "Made-up League"}
