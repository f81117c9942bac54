"""What the card says: every ending under its count, and the words of the rule set's own numbers."""

from __future__ import annotations

import pytest

from controller.card import content
from controller.rulebook.loader import codes, load_rule_set
from controller.rulebook.options import with_options
from controller.rules.endings import ENDINGS
from controller.rules.gestures import LAYOUTS
from controller.rules.rulings import RuleSet, StartsOn
from drivers.handset.cues import CueKind

SCHOOL, CANADIAN, FLAG = (load_rule_set(code) for code in ("nfhs", "canadian", "flag"))
OURS = with_options(SCHOOL, [("after_touchdown", "40_dead_ball")])


@pytest.mark.parametrize("code", codes())
def test_every_ending_stands_once_under_its_count(code: str) -> None:
    rules = load_rule_set(code)
    seen = []
    for count in content.counts(rules):
        for _, items in count.groups:
            for item in items:
                ruling = rules.rulings[item.ending]
                number = "" if ruling.seconds is None else str(ruling.seconds)
                assert number == count.number
                assert item.unsettled == bool(ruling.unsettled) and not item.local
                seen.append(item.ending)
    assert sorted(seen) == sorted(ENDINGS)


def test_counts_that_run_come_first_and_no_new_count_last() -> None:
    names = [count.name for count in content.counts(SCHOOL)]
    assert names[0] == "40 at the dead ball" and names[-1] == "No new count"
    assert [each.held for each in content.counts(SCHOOL)] == [
        *(name.endswith("ready") or name == "No new count" for name in names)
    ]


def test_the_season_and_what_was_adopted() -> None:
    assert content.season_of(SCHOOL, False) == "Newest rules since 2022"
    assert content.season_of(load_rule_set("nfhs", 2021), True) == "Season 2021, rules since 2020"
    ruled = OURS.with_override("safety", 40, StartsOn.READY, "Made-up League")
    asked = ["after_touchdown=40_dead_ball"]
    adopted = ["option after_touchdown = 40_dead_ball", "Made-up League"]
    assert content.adoptions(ruled, asked) == adopted
    (touchdown,) = (
        item
        for count in content.counts(OURS)
        for _, items in count.groups
        for item in items
        if item.ending == "touchdown"
    )
    assert touchdown.local


def test_a_fact_is_told_with_the_count_it_makes_and_the_endings_it_changes() -> None:
    rows = {row.head: row.words for row in content.facts(SCHOOL)}
    words = rows["Last down used up, short of the line to gain"]
    assert words.startswith("25 on the ready, after ") and "incomplete pass" in words
    beats = rows["Several reasons in one down"]
    assert beats == "25 on the ready beats 40 on the ready beats 40 at the dead ball"
    assert "Several reasons in one down" not in {row.head for row in content.facts(FLAG)}


@pytest.mark.parametrize(
    ("rules", "first", "words"),
    [
        (SCHOOL, "S7 arm straight up, palm open", "dead inbounds: 40 runs"),
        (CANADIAN, "Whistle that ends the play", "35 runs by itself"),
        (FLAG, "Referee: ready for play", "the 25 held runs"),
        (load_rule_set("canadian", 2025), "Referee: whistle", "the 20 held runs"),
    ],
)
def test_the_signals_are_those_of_the_kind_of_count(rules: RuleSet, first: str, words: str) -> None:
    row, *_ = rows = content.signals(rules)
    assert (row.head, row.words) == (first, words)
    palm = next(each for each in rows if each.head == "One palm pumped overhead")
    assert palm.words == f"reset to {rules.administrative_s}"


def test_zero_and_dark_boards_have_the_rule_sets_numbers_and_sources() -> None:
    rows = {row.head: row for row in content.zero_and_dark(SCHOOL)}
    assert rows["Foul called"].words.endswith("then 25 on the ready")
    assert rows["No foul called"].words == "40 up at the snap; 40 at the dead ball"
    assert rows["Boards disagree, or one fails"].source.startswith("NJFOA")


def test_what_a_crew_agrees_on() -> None:
    agreed = dict(content.agreed(SCHOOL))
    assert agreed["Who pumps"] == ["referee", "referee or back judge", "back judge first"]
    assert agreed["Both palms"] == ["40 held", "40 running"]
    assert "Both palms" not in dict(content.agreed(FLAG))


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_key_of_a_handset_is_told(layout: str) -> None:
    rows = {row.label: row for row in content.key_rows(layout, SCHOOL)}
    assert list(rows) == [content.key_label(key) for key in LAYOUTS[layout]]
    assert rows["25"].twice == "reset to 25, running"
    assert rows["25"].held == "0.8 s or three taps: touchdown, or try over"
    assert rows["UNDO"].once == "takes back the last key"
    if layout == "twelve":
        assert rows["DEAD BALL"].once == "play over, game goes on: 40 at the dead ball"
        assert rows["BOARDS OFF"].once == "moment marked"
        assert rows["BOARDS OFF"].held == "1.0 s or four taps: boards off; again: lit"
        assert rows["STOP"].once == "count stops; again: 25 held"
        assert rows["SNAP"].once == "ball in play: 40 up, held"
        assert rows["TIME-OUT"].twice == "official's time-out: 25 on the ready"


def test_the_rule_set_s_mark_is_told_where_it_is_cued_and_courtesy_cues_nowhere() -> None:
    assert ("25 left", "one medium") in content.cues(SCHOOL)
    assert ("20 left", "one medium") in content.cues(CANADIAN)
    assert len(content.cues(SCHOOL)) == len(CueKind) - 2
    assert len(content.cues(FLAG)) == len(CueKind) - 3
