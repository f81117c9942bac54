"""Rulings: facts in any order to one answer, names checked, local adoptions shown."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import controller.rules.codes
from controller.rulebook.loader import codes, load_rule_set, load_seasons
from controller.rules.endings import ENDINGS
from controller.rules.rulings import (
    FOULS,
    NOT_ENDINGS,
    ROUTINE_ENDS,
    RulesError,
    Ruling,
    StartsOn,
    alike,
    nearest,
)
from tests.controller.rules.crew import SCHOOL, in_phase, only_25
from tests.controller.rules.orders import ending as ended
from tests.exploration.model import NaiveRules

NAIVE = NaiveRules.read(
    (Path(controller.rules.codes.__path__[0]) / "nfhs.toml").read_text(encoding="utf-8")
)
NAMES = sorted(
    name
    for name, ruling in SCHOOL.rulings.items()
    if name not in NOT_ENDINGS and ruling.starts_on is not StartsOn.SIGNAL
)


@given(
    st.sets(st.sampled_from(NAMES), min_size=1, max_size=4),
    st.sets(st.sampled_from(sorted(SCHOOL.facts)), max_size=3),
)
def test_the_answer_for_any_facts_is_that_of_the_model(endings: set[str], facts: set[str]) -> None:
    ruling = SCHOOL.in_force(frozenset(endings | facts))
    assert ruling is not None
    assert (ruling.seconds, ruling.starts_on.value) == NAIVE.answer(endings | facts)


@settings(deadline=None)  # a busy machine is not a failure
@given(
    st.lists(st.sampled_from(NAMES), min_size=2, max_size=3, unique=True),
    st.sets(st.sampled_from(sorted(SCHOOL.facts)), max_size=2),
)
def test_stoppages_of_one_down_in_any_order_hold_one_number(
    endings: list[str], facts: set[str]
) -> None:
    stops = [e for e in endings if not SCHOOL.is_routine_end(e, facts)]
    held = set()
    for order in itertools.permutations(stops):
        crew = in_phase("LIVE")
        for k, each in enumerate(order):
            crew(ended(each, *facts), 100 + 2 * k)
        held.add(crew.phase)
    hurt = [{f"injury_{team}", f"equipment_{team}"} for team in ("offense", "defense")]
    said = {SCHOOL.counts_as(each, frozenset(facts)).partition("+")[0] for each in stops}
    order_counts = all(each & said for each in hurt)
    assert len(held) == 1 or order_counts


# Seconds and start for facts together; the source stands beside each.
TOGETHER = [
    # read as memory: 40 when unclear who was first (both teams hurt)
    ("injury_offense injury_defense", 40, StartsOn.READY),
    # read as memory: the 2022 exception is for fouls of the defense only
    ("foul_offense foul_defense", 25, StartsOn.READY),
    ("foul_both foul_defense", 25, StartsOn.READY),
    # read as memory: NFHS 3-6-1a(1)d, a charged time-out, beats the injured defender's 40
    ("injury_defense charged_timeout", 25, StartsOn.READY),
    # NFHS 3-6-1a(1)e: two reasons, either alone 25
    ("injury_offense injury_defense charged_timeout", 25, StartsOn.READY),
    # text: NFHS 3-6-1a(1)e EXC 2 (2022), a stoppage beats the plain end of the down
    ("incomplete_pass foul_defense", 40, StartsOn.READY),
    ("out_of_bounds charged_timeout", 25, StartsOn.READY),
    # text: NFHS 3-6-1a(1)a, a try follows; the foul does not take the score back
    ("touchdown foul_defense", 25, StartsOn.READY),
    # inference: the score is cancelled, so only the foul of the defense is left
    ("touchdown foul_defense cancelled", 40, StartsOn.READY),
    ("change_of_possession foul_offense cancelled", 25, StartsOn.READY),
    ("kick_new_series foul_defense cancelled", 40, StartsOn.READY),
    # inference from 3-5-7: downs used up is a change of team possession
    ("incomplete_pass fourth_down", 25, StartsOn.READY),
    ("routine fourth_down foul_defense", 25, StartsOn.READY),
    # text: NFHS 3-6-1a(1)f (2020)
    ("kick_no_new_series new_series", 25, StartsOn.READY),
    # text: one-line summary of the 2022 exception
    ("foul by_defense_only", 40, StartsOn.READY),
    ("foul_before_snap by_defense_only", 40, StartsOn.READY),
    ("incomplete_pass out_of_bounds", 40, StartsOn.DEAD_BALL),
]


@pytest.mark.parametrize(("named", "seconds", "starts_on"), TOGETHER)
def test_facts_together(named: str, seconds: int, starts_on: StartsOn) -> None:
    ruling = SCHOOL.in_force(frozenset(named.split()))
    assert ruling is not None
    assert (ruling.seconds, ruling.starts_on) == (seconds, starts_on)


def test_nothing_named_is_nothing_in_force() -> None:
    assert SCHOOL.in_force(frozenset()) is None
    assert SCHOOL.in_force(frozenset({"fourth_down"})) is None


def test_a_result_cancelled_with_nothing_else_named_still_has_a_number() -> None:
    ruling = SCHOOL.in_force(frozenset({"touchdown", "cancelled"}))
    assert ruling is not None
    assert ruling.seconds == 25


def test_the_three_endings_of_a_keeper_who_knows_no_cause() -> None:
    """The product's own; each says who decided."""
    said = {name: SCHOOL.ruling(name) for name in ("routine", "stoppage", "defense_only")}
    assert {name: (r.seconds, r.starts_on) for name, r in said.items()} == {
        "routine": (40, StartsOn.DEAD_BALL),
        "stoppage": (25, StartsOn.READY),
        "defense_only": (40, StartsOn.READY),
    }
    assert {ruling.citation for ruling in said.values()} == {"set by the keeper"}


def test_routine_ends() -> None:
    assert SCHOOL.is_routine_end("incomplete_pass", ())
    assert not SCHOOL.is_routine_end("incomplete_pass", ("fourth_down",))
    assert not SCHOOL.is_routine_end("foul", ())
    waits = only_25()
    assert waits.is_routine_end("routine", ())
    assert not waits.is_routine_end("foul", ())


def test_the_special_lists_name_endings_of_the_rule_set() -> None:
    for names in (FOULS, NOT_ENDINGS, ROUTINE_ENDS):
        assert names <= set(SCHOOL.rulings)


@pytest.mark.parametrize(
    ("ending", "facts", "says"),
    [
        ("incomplet_pass", (), "unknown ending 'incomplet_pass'.*incomplete_pass"),
        ("touch_down", (), "unknown ending 'touch_down'.*touchdown"),
        ("foul", ("4th_down",), "unknown fact '4th_down'.*fourth_down"),
        ("zzzz", (), "unknown ending 'zzzz'.*known: .*touchdown"),
    ],
)
def test_an_unknown_name_is_answered_with_the_nearest(
    ending: str, facts: tuple[str, ...], says: str
) -> None:
    with pytest.raises(RulesError, match=says):
        SCHOOL.ruling(ending, facts)


def test_a_local_adoption_shows_in_the_answer_and_wins_among_equals() -> None:
    ours = SCHOOL.with_override("injury_defense", 25, StartsOn.READY, "Made-up League, 3.2")
    ruling = ours.ruling("injury_defense")
    assert ruling == Ruling(
        "injury_defense",
        25,
        StartsOn.READY,
        "Made-up League, 3.2",
        "text",
        override="Made-up League, 3.2",
    )
    assert SCHOOL.ruling("injury_defense").seconds == 40
    assert ours.in_force(frozenset({"foul_offense", "injury_defense"})) == ruling
    with pytest.raises(RulesError, match="unknown ending 'injury_defence'"):
        SCHOOL.with_override("injury_defence", 25, StartsOn.READY, "x")


def test_the_facts_that_change_an_ending_are_told_once_each_with_what_they_make_of_it() -> None:
    rows = list(SCHOOL.changed_by_facts())
    assert ("fourth_down", "incomplete_pass", SCHOOL.ruling("change_of_possession")) in rows
    assert ("by_defense_only", "foul", SCHOOL.ruling("foul_defense")) in rows
    changes = {
        (fact, ending)
        for ending, fact in SCHOOL.with_fact
        for now, then in [(SCHOOL.ruling(ending, (fact,)), SCHOOL.ruling(ending))]
        if (now.seconds, now.starts_on) != (then.seconds, then.starts_on)
    }
    assert [(fact, ending) for fact, ending, _ in rows] == sorted(changes)


@pytest.mark.parametrize("ending", sorted(ENDINGS))
def test_after_which_ends_the_game_goes_on_where_every_count_waits(ending: str) -> None:
    """Written down again: the ends of a play that are not a stoppage. One that nobody stopped for
    changes nothing about a stoppage of its down."""
    goes_on = {
        "routine",
        "runner_down_inbounds",
        "line_to_gain_reached",
        "out_of_bounds",
        "incomplete_pass",
        "double_change_of_possession",
        "kick_no_new_series",
    }
    assert load_rule_set("nfhs", 2018).is_routine_end(ending, ()) == (ending in goes_on)


def test_what_can_only_be_asked_about() -> None:
    """Written down again: what is not a way a play ends, what orders no count, and the facts that
    would make it so."""
    answers = {
        "snap",
        "zero_no_foul",
        "boards_disagree",
        "slow_chains_no_reset",
        "less_time_than_play_clock",
    }
    assert SCHOOL.only_asked == answers | {"penalty_pending", "pumped"}
    college = load_rule_set("ncaa", 2016)
    told = {"penalty_pending", "pumped", "game_clock_low", "two_minute_timeout"}
    assert college.only_asked == answers | told
    assert not college.facts & told
    assert SCHOOL.facts == {
        *("fourth_down", "new_series", "by_defense_only", "cancelled", "offense_first"),
        *("try_again", "free_kick_again", "declined", "waved_off"),
    }


def test_the_nearest_names_are_three_at_most_and_near() -> None:
    known = ("touchdown", "touchback", "touch", "touched", "safety")
    assert nearest("touchdwn", known) == ["touchdown", "touched", "touch"]
    assert nearest("zzzz", known) == []
    assert nearest("sfty", known) == ["safety"]


def test_every_code_is_called_as_its_file() -> None:
    assert all(each.code == code for code in codes() for each in load_seasons(code))


@pytest.mark.parametrize("ending", sorted(ENDINGS))
def test_which_endings_leave_a_zero_up(ending: str) -> None:
    """Written down again: the fouls, whoever committed them and whenever."""
    fouls = {"foul", "foul_offense", "foul_defense", "foul_both", "foul_before_snap"}
    assert SCHOOL.is_foul(ending, ()) == (ending in fouls | {"delay_of_game"})


def test_an_override_takes_along_what_only_said_the_same_with_a_fact() -> None:
    """School code 2022: a penalty declined is ruled as the foul, a flag waved off otherwise."""
    ours = SCHOOL.with_override("foul_defense", 20, StartsOn.READY, "Made-up League")
    assert ours.ruling("foul_defense", ["declined"]) == ours.ruling("foul_defense")
    for fact in ("waved_off", "penalty_pending"):
        told = ours.ruling("foul_defense", [fact])
        assert told == SCHOOL.ruling("foul_defense", [fact]) != ours.ruling("foul_defense")
    same = SCHOOL.with_override("foul_defense", 40, StartsOn.READY, "Made-up League")
    assert same.with_fact == SCHOOL.with_fact
    assert alike(SCHOOL, "no such ending", SCHOOL.rulings["foul"]) == set()
