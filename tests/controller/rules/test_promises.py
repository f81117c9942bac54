"""What comes next is remembered: each sequence with the rule it follows from.

NFHS 3-6-1a(1): 25 on the ready before a try, for a free kick after a score, and after a legal kick
when a team is awarded a new series (2020). NCAA 3-2-4-c-8 (2018): 40 from the dead ball after a
touchdown and after a free kick, 25 after a try.
"""

from __future__ import annotations

import pytest

from controller.rulebook.loader import load_rule_set
from controller.rules import events
from controller.rules.effects import Decision, Result
from controller.rules.phases import name
from tests.controller.rules import orders
from tests.controller.rules.crew import SCHOOL, Crew
from tests.controller.rules.orders import DEAD_BALL, HOLD_25, READY, RUN_40, SNAP, ending

COLLEGE = load_rule_set("ncaa", 2024)
SCORE, OVER = events.Score(), events.NoCount(True)
TRY_OVER, KICK_OVER = "try over", "free kick ended"


def played(crew: Crew, *steps: tuple[events.Event, float]) -> Decision:
    for event, at_s in steps:
        decided = crew(event, at_s)
    return decided


def stands(crew: Crew, at_s: float) -> tuple[int | None, str]:
    return crew.shows(at_s), name(crew.phase)


def after_touchdown(crew: Crew) -> Crew:
    played(crew, (SNAP, 0), (ending("touchdown"), 6), (READY, 40), (SNAP, 50))
    return crew


def test_the_end_of_a_try_is_25_held_and_then_that_of_the_free_kick() -> None:
    crew = after_touchdown(Crew())
    decided = crew(DEAD_BALL, 55)
    assert (decided.result, decided.promised) == (Result.ASSUMED, TRY_OVER)
    assert stands(crew, 55) == (25, "SET")
    decided = played(crew, (READY, 95), (SNAP, 105), (DEAD_BALL, 112))
    assert (decided.promised, stands(crew, 112)) == (KICK_OVER, (25, "SET"))
    decided = played(crew, (READY, 150), (SNAP, 160), (DEAD_BALL, 166))
    assert (decided.promised, stands(crew, 166)) == ("", (40, "RUNNING"))


def test_in_the_college_code_a_free_kick_ends_with_40_running() -> None:
    crew = Crew(COLLEGE)
    played(crew, (SNAP, 0), (ending("touchdown"), 6))
    assert stands(crew, 6) == (40, "RUNNING")
    assert played(crew, (SNAP, 40), (DEAD_BALL, 45)).promised == TRY_OVER
    assert stands(crew, 45) == (25, "SET")
    assert played(crew, (READY, 80), (SNAP, 90), (DEAD_BALL, 97)).promised == KICK_OVER
    assert stands(crew, 97) == (40, "RUNNING")


def test_a_dead_ball_that_follows_the_score_at_once_is_no_try() -> None:
    for rules in (SCHOOL, COLLEGE):
        crew = Crew(rules)
        played(crew, (SNAP, 0), (ending("touchdown"), 6))
        assert crew(DEAD_BALL, 18).result is Result.NO_CHANGE
        assert played(crew, (SNAP, 40), (DEAD_BALL, 45)).promised == TRY_OVER


@pytest.mark.parametrize("score", ["field_goal", "safety", "try_over", "field_goal_or_safety"])
def test_after_any_other_score_a_free_kick_follows(score: str) -> None:
    crew = Crew()
    decided = played(crew, (SNAP, 0), (ending(score), 4), (READY, 70), (SNAP, 80), (DEAD_BALL, 88))
    assert (decided.promised, stands(crew, 88)) == (KICK_OVER, (25, "SET"))


def test_a_skipped_ready_and_snap_are_assumed_with_it() -> None:
    crew = Crew()
    decided = played(crew, (SNAP, 0), (ending("touchdown"), 6), (DEAD_BALL, 50))
    assert (decided.assumed, decided.promised) == ("snap", TRY_OVER)
    assert (decided.down, stands(crew, 50)) == (2, (25, "SET"))


@pytest.mark.parametrize(
    "between",
    [
        [(ending("charged_timeout"), 60), (READY, 140)],
        [(OVER, 60), (HOLD_25, 120), (READY, 150)],
        [(READY, 95), (orders.RUN_25, 100)],
        [],
    ],
)
def test_nothing_in_between_makes_it_forget_the_free_kick(
    between: list[tuple[events.Event, float]],
) -> None:
    crew = after_touchdown(Crew())
    decided = played(crew, (DEAD_BALL, 55), *between, (SNAP, 160), (DEAD_BALL, 168))
    assert (decided.promised, stands(crew, 168)) == (KICK_OVER, (25, "SET"))


def test_a_cancelled_score_promises_nothing_and_a_declined_foul_keeps_it() -> None:
    for fact, promised in (("cancelled", ""), ("declined", TRY_OVER)):
        crew = Crew()
        played(crew, (SNAP, 0), (ending("foul"), 3), (ending("touchdown"), 6))
        decided = played(
            crew, (ending("foul_offense", fact), 20), (READY, 40), (SNAP, 50), (DEAD_BALL, 55)
        )
        assert decided.promised == promised


def test_a_foul_of_the_defense_alone_at_a_try_stays_25() -> None:
    crew = after_touchdown(Crew())
    assert crew(ending("foul"), 52).promised == ""
    played(crew, (DEAD_BALL, 55), (ending("foul_defense"), 70))
    assert stands(crew, 70) == (25, "SET")
    before = Crew()
    played(before, (SNAP, 0), (ending("touchdown"), 6), (READY, 40), (ending("foul_defense"), 45))
    assert stands(before, 45) == (25, "SET")


def test_a_repeated_try_is_a_try_again() -> None:
    crew = after_touchdown(Crew())
    played(crew, (ending("foul"), 52), (DEAD_BALL, 55))
    played(crew, (ending("foul_defense", "try_again"), 70), (READY, 85))
    assert played(crew, (SNAP, 95), (DEAD_BALL, 99)).promised == TRY_OVER
    assert played(crew, (READY, 140), (SNAP, 150), (DEAD_BALL, 156)).promised == KICK_OVER


def test_a_cancelled_try_comes_again_and_a_cancelled_score_alone_promises_nothing() -> None:
    for told in ("routine", "try_over", "touchdown"):
        crew = after_touchdown(Crew())
        played(crew, (ending(told), 55), (ending("foul_offense", "cancelled"), 70), (READY, 85))
        assert played(crew, (SNAP, 95), (DEAD_BALL, 99)).promised == TRY_OVER
    alone = Crew()
    played(alone, (SNAP, 0), (ending("touchdown", "cancelled"), 6))
    assert played(alone, (READY, 40), (SNAP, 50), (DEAD_BALL, 57)).promised == ""


def test_a_score_before_the_ready_of_an_opening_kickoff_promises_what_it_promises() -> None:
    crew = Crew()
    played(crew, (HOLD_25, 0), (ending("touchdown"), 5), (READY, 40), (SNAP, 50))
    assert crew(DEAD_BALL, 55).promised == TRY_OVER


def test_a_number_that_overrules_is_a_bare_one_and_leaves_what_was_told_since() -> None:
    crew = after_touchdown(Crew())
    played(crew, (DEAD_BALL, 55), (orders.HOLD_40, 57), (DEAD_BALL, 59))
    assert stands(crew, 59) == (40, "RUNNING")
    told = Crew()
    played(told, (ending("safety"), 2), (DEAD_BALL, 24), (SCORE, 26), (RUN_40, 28))
    assert played(told, (SNAP, 60), (DEAD_BALL, 66)).promised == TRY_OVER


def test_a_score_in_a_new_down_counts_one_snap() -> None:
    crew = Crew(COLLEGE)
    decided = played(crew, (ending("field_goal"), 2), (READY, 4), (SCORE, 9))
    assert (decided.down, decided.assumed, decided.reason) == (1, "snap", "assumed: snap")
    assert played(crew, (SNAP, 40), (DEAD_BALL, 46)).promised == TRY_OVER


def test_an_end_of_play_between_two_period_ends_is_a_play() -> None:
    crew = Crew()
    played(crew, (OVER, 2), (DEAD_BALL, 40), (OVER, 60))
    assert crew(HOLD_25, 200).promised == "first play of the half"


def test_an_odd_period_told_over_needs_a_longer_break_to_begin_a_half() -> None:
    for pause_s, promised in ((599, ""), (600, "first play of the half")):
        crew = Crew()
        played(crew, (SNAP, 0), (DEAD_BALL, 8), (OVER, 20))
        assert crew(HOLD_25, 20 + pause_s).promised == promised


def test_in_overtime_a_series_follows_and_no_free_kick() -> None:
    crew = Crew()
    played(crew, (ending("overtime_series"), 0), (READY, 20), (SNAP, 30), (ending("touchdown"), 36))
    assert played(crew, (READY, 70), (SNAP, 80), (DEAD_BALL, 85)).promised == TRY_OVER
    decided = played(crew, (READY, 120), (SNAP, 130), (DEAD_BALL, 135))
    assert (decided.promised, stands(crew, 135)) == ("", (40, "RUNNING"))


def test_another_number_soon_after_the_assumed_one_overrules_it() -> None:
    crew = after_touchdown(Crew())
    decided = played(crew, (DEAD_BALL, 55), (RUN_40, 57))
    assert (decided.reason, stands(crew, 57)) == ("the assumption is overruled", (40, "RUNNING"))
    assert played(crew, (SNAP, 80), (DEAD_BALL, 86)).promised == ""


def test_another_number_later_is_a_reset_and_overrules_nothing() -> None:
    crew = after_touchdown(Crew())
    played(crew, (DEAD_BALL, 55), (RUN_40, 66))
    assert played(crew, (SNAP, 80), (DEAD_BALL, 86)).promised == KICK_OVER


def test_the_opening_kickoff_is_25_and_ready_before_anything_else() -> None:
    crew = Crew()
    assert played(crew, (HOLD_25, 0), (READY, 30)).promised == "opening kickoff"
    decided = played(crew, (SNAP, 40), (DEAD_BALL, 48))
    assert (decided.promised, stands(crew, 48)) == (KICK_OVER, (25, "SET"))


@pytest.mark.parametrize(
    "first", [[(DEAD_BALL, 0)], [(RUN_40, 0), (events.NoCount(), 5)], [(HOLD_25, 0), (SNAP, 8)]]
)
def test_a_program_started_in_the_middle_of_a_game_expects_no_kickoff(
    first: list[tuple[events.Event, float]],
) -> None:
    crew = Crew()
    decided = played(crew, *first, (HOLD_25, 20), (READY, 30), (SNAP, 40), (DEAD_BALL, 48))
    assert (decided.promised, stands(crew, 48)) == ("", (40, "RUNNING"))


@pytest.mark.parametrize(
    "between",
    [[(ending("charged_timeout"), 10)], [(ending("foul"), 10), (ending("foul_both"), 20)]],
)
def test_a_stoppage_before_the_opening_kickoff_does_not_lose_it(
    between: list[tuple[events.Event, float]],
) -> None:
    crew = Crew()
    decided = played(crew, (HOLD_25, 0), *between, (READY, 70), (SNAP, 80), (DEAD_BALL, 88))
    assert (decided.promised, stands(crew, 88)) == (KICK_OVER, (25, "SET"))


def test_a_clock_that_takes_over_a_game_expects_no_opening_kickoff() -> None:
    crew = Crew()
    crew.clock.expect_no_opening()
    decided = played(crew, (HOLD_25, 0), (READY, 30), (SNAP, 40), (DEAD_BALL, 48))
    assert (decided.promised, stands(crew, 48)) == ("", (40, "RUNNING"))


def test_a_touchback_told_of_a_promised_free_kick_is_that_of_a_free_kick() -> None:
    crew = Crew(COLLEGE)
    played(crew, (ending("before_free_kick"), 0), (READY, 30), (SNAP, 40))
    crew(ending("kick_new_series"), 46)
    assert stands(crew, 46) == (40, "RUNNING")


def test_whatever_is_told_of_a_try_it_is_over() -> None:
    for told in ("kick_no_new_series", "change_of_possession", "touchdown"):
        crew = after_touchdown(Crew())
        crew(ending(told), 55)
        assert stands(crew, 55) == (25, "SET")
        assert played(crew, (READY, 95), (SNAP, 105), (DEAD_BALL, 112)).promised == KICK_OVER


def test_after_four_periods_no_kickoff_comes_where_overtime_has_none() -> None:
    for rules, promised in ((SCHOOL, ""), (load_rule_set("nfl"), KICK_OVER)):
        crew, at = Crew(rules), 0.0
        for _ in range(4):
            played(crew, (SNAP, at), (DEAD_BALL, at + 8), (OVER, at + 20))
            at += 100
        played(
            crew, (HOLD_25, at), (READY, at + 10), (SNAP, at + 20), (ending("touchdown"), at + 26)
        )
        played(crew, (READY, at + 60), (SNAP, at + 70), (DEAD_BALL, at + 75))
        decided = played(crew, (READY, at + 110), (SNAP, at + 120), (DEAD_BALL, at + 126))
        assert decided.promised == promised


def test_a_word_typed_for_a_play_that_a_key_has_ended_starts_no_new_count() -> None:
    for rules, word in ((COLLEGE, "touchdown"), (SCHOOL, "incomplete_pass")):
        crew = Crew(rules)
        decided = played(crew, (SNAP, 0), (DEAD_BALL, 6), (ending(word), 15))
        assert (decided.result, crew.shows(15)) == (Result.NO_CHANGE, 31)
    assert played(crew, (SNAP, 30), (DEAD_BALL, 36), (DEAD_BALL, 45)).assumed == "snap"


def test_the_first_play_after_two_periods_is_a_kickoff_and_after_one_or_three_not() -> None:
    crew, at = Crew(), 0.0
    played(crew, (SNAP, 0), (DEAD_BALL, 8))
    for period in range(1, 4):
        at += 1_000
        first = played(crew, (OVER, at), (OVER, at + 1), (HOLD_25, at + 90))
        assert first.promised == ("first play of the half" if period == 2 else "")
        decided = played(crew, (READY, at + 100), (SNAP, at + 110), (DEAD_BALL, at + 118))
        assert decided.promised == (KICK_OVER if period == 2 else "")


def test_after_five_minutes_without_a_count_a_half_begins() -> None:
    for pause_s, promised in ((299, ""), (300, KICK_OVER)):
        crew = Crew()
        played(crew, (SNAP, 0), (DEAD_BALL, 8), (events.NoCount(), 20))
        decided = played(crew, (READY, 20 + pause_s), (SNAP, 330), (DEAD_BALL, 337))
        assert decided.promised == promised


def test_a_code_without_kickoffs_promises_none() -> None:
    crew = after_touchdown(Crew(load_rule_set("flag")))
    assert crew(DEAD_BALL, 55).promised == TRY_OVER
    assert played(crew, (READY, 95), (SNAP, 105), (DEAD_BALL, 112)).promised == ""
    fresh = Crew(load_rule_set("flag"))
    assert played(fresh, (HOLD_25, 0), (READY, 30)).promised == ""


def test_a_score_told_by_the_key_is_a_touchdown_and_told_again_the_other_kind() -> None:
    crew = Crew()
    crew(SNAP, 0)
    first = crew.taps(HOLD_25, 6, SCORE, 6.8)
    assert first.order.event == ending("touchdown")
    again = crew.taps(HOLD_25, 12, SCORE, 12.8)
    assert again.order.event == ending("field_goal_or_safety")
    assert played(crew, (READY, 70), (SNAP, 80), (DEAD_BALL, 88)).promised == KICK_OVER


def test_a_score_told_in_a_try_is_its_end() -> None:
    crew = after_touchdown(Crew())
    assert crew.taps(HOLD_25, 55, SCORE, 55.8).order.event == ending("try_over")
    assert played(crew, (READY, 95), (SNAP, 105), (DEAD_BALL, 112)).promised == KICK_OVER


def test_a_score_told_in_a_try_that_nobody_snapped_is_its_end_too() -> None:
    crew = Crew()
    played(crew, (SNAP, 0), (ending("touchdown"), 6))
    decided = crew.taps(HOLD_25, 50, SCORE, 50.8)
    assert (decided.order.event, decided.assumed) == (ending("try_over"), "snap")
    assert decided.result is Result.ASSUMED


def test_a_kickoff_returned_for_a_touchdown_promises_a_try() -> None:
    crew = Crew()
    played(crew, (HOLD_25, 0), (READY, 30), (SNAP, 40))
    assert crew.taps(HOLD_25, 52, SCORE, 52.8).order.event == ending("touchdown")
    assert played(crew, (READY, 95), (SNAP, 105), (DEAD_BALL, 112)).promised == TRY_OVER


def test_undo_gives_a_promise_back() -> None:
    crew = after_touchdown(Crew())
    played(crew, (DEAD_BALL, 55), (events.Undo(), 57))
    assert crew(DEAD_BALL, 58).promised == TRY_OVER
