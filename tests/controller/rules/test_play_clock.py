"""Undo, the guard, roles, gestures that grow, marks, time, boards, restart."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.rulebook.loader import load_rule_set
from controller.rules.effects import Marked, Nudged, ReachedZero, Result
from controller.rules.events import (
    BoardsFault,
    Event,
    MarkMoment,
    NoCount,
    Order,
    Role,
    SetCount,
    ToggleBoards,
    Undo,
)
from controller.rules.phases import Boards, Expired, Idle, Live, Off, Running, Set, Stopped
from controller.rules.play_clock import UNDO_DEPTH, PlayClock
from controller.rules.rulings import Ruling, StartsOn
from controller.rules.settings import Settings
from tests.controller.rules import orders
from tests.controller.rules.crew import SCHOOL, Crew, S, in_phase

# Time


@given(
    event=st.sampled_from((orders.DEAD_BALL, orders.RUN_25, orders.RUN_40)),
    at=st.integers(0, 10**15),
    late_ns=st.lists(st.integers(0, 900_000_000), min_size=40, max_size=40),
)
@settings(max_examples=60, deadline=None)
def test_deadline_k_is_exactly_start_plus_k_seconds_however_late_it_is_met(
    event: Event, at: int, late_ns: list[int]
) -> None:
    clock = PlayClock(SCHOOL)
    clock.handle(Order(event, at), at)
    seconds = 25 if event == orders.RUN_25 else 40
    for k in range(1, seconds + 1):
        assert clock.deadline == at + k * S
        clock.pass_time(clock.deadline + late_ns[k - 1])
        assert clock.numerals(at + k * S) == seconds - k
    assert clock.deadline is None
    assert clock.state.down.phase == Expired()


def test_a_count_shows_its_first_number_for_a_whole_second_and_zero_exactly_at_expiry() -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    assert [crew.shows(t) for t in (100, 100.999999999, 101)] == [40, 40, 39]
    assert [crew.shows(t) for t in (139, 139.999999999, 140)] == [1, 1, 0]


def test_only_a_running_count_has_a_deadline_and_an_expiry() -> None:
    for phase in ("IDLE", "SET", "LIVE", "STOPPED", "EXPIRED"):
        crew = in_phase(phase)
        nudge_at = 70 * S if phase == "LIVE" else None
        assert (crew.clock.deadline, crew.clock.expires_at) == (nudge_at, None)


def test_a_press_counts_from_when_the_thumb_moved() -> None:
    clock = PlayClock(SCHOOL)
    clock.handle(Order(orders.DEAD_BALL, 100 * S), 100 * S + 800_000_000)
    assert clock.expires_at == 140 * S
    clock.handle(Order(orders.STOP, 110 * S), 110 * S + 900_000_000)
    assert clock.numerals(0) == 30


def test_time_passes_up_to_the_press_before_it_is_judged() -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_25, 100)
    decided = crew(orders.READY, 126)
    assert decided.phase_before == "EXPIRED"
    assert (crew.zeros, crew.shows(126)) == (1, 25)


def test_a_press_dated_before_a_zero_that_is_past_meets_the_zero() -> None:
    clock = PlayClock(SCHOOL)
    clock.handle(Order(orders.RUN_25, 0), 0)
    clock.pass_time(25 * S)
    decided, _ = clock.handle(Order(orders.STOP, 24 * S + S // 2), 25 * S + S // 4)
    assert (decided.phase_before, decided.result.value) == ("EXPIRED", "no change")


# Marks


def test_the_marks_of_a_forty() -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    for t in range(100, 145):
        crew.wait_until(t)
    assert crew.marks == [25, 10, 5, 4, 3, 2, 1, 0]
    assert [each.at for each in crew.said if isinstance(each, Marked)][:2] == [115 * S, 130 * S]
    assert [each.at for each in crew.said if isinstance(each, ReachedZero)] == [140 * S]


def test_a_twenty_five_has_no_mark_at_its_start() -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_25, 100)
    for t in range(100, 130):
        crew.wait_until(t)
    assert crew.marks == [10, 5, 4, 3, 2, 1, 0]


def test_a_mark_met_too_late_is_not_cued_but_zero_is() -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_25, 100)
    crew.wait_until(115.5)
    crew.wait_until(120.500000001)
    crew.wait_until(140)
    assert (crew.marks, crew.zeros) == ([10, 0], 1)


def test_no_mark_is_cued_in_live() -> None:
    crew = in_phase("RUNNING")
    crew(orders.SNAP, 100)
    crew.wait_until(200)
    assert (crew.marks, crew.zeros) == ([], 0)


def test_a_ball_live_longer_than_any_play_is_asked_about_once() -> None:
    crew = in_phase("RUNNING")
    crew(orders.SNAP, 100)
    crew.wait_until(119.999)
    assert crew.said == []
    crew.wait_until(120)
    crew.wait_until(300)
    assert crew.said == [Nudged(120 * S)]


def test_a_nudge_is_not_replayed_and_can_be_turned_off() -> None:
    crew = in_phase("RUNNING")
    crew(orders.SNAP, 100)
    crew.wait_until(121)
    crew(orders.DEAD_BALL, 122)
    crew(Undo(), 123)
    crew.wait_until(200)
    assert crew.said == [Nudged(120 * S)]
    quiet = Crew(settings=Settings(nudge_s=0))
    quiet(orders.SNAP, 100)
    assert quiet.clock.deadline is None


def test_undo_replays_no_mark() -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_25, 100)
    crew.wait_until(115)
    crew(orders.SNAP, 116)
    crew(Undo(), 121)
    for t in range(121, 130):
        crew.wait_until(t)
    assert crew.marks == [10, 3, 2, 1, 0]


def test_an_undone_count_whose_end_has_passed_is_at_zero_and_nobody_is_told() -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_25, 100)
    crew(orders.SNAP, 110)
    decided = crew(Undo(), 126)
    assert (crew.phase, decided.phase_after) == (Expired(), "EXPIRED")
    assert (crew.marks, crew.zeros) == ([], 0)


def test_the_answer_to_an_undo_back_to_zero_is_not_running() -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_25, 100)
    crew(orders.SNAP, 110)
    assert crew(Undo(), 126).result.value == "held"


# Undo


def test_undo_gives_back_a_running_count_exactly_less_the_time_since() -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    before = crew.clock.state.down
    crew(orders.SNAP, 110)
    crew(Undo(), 113)
    assert crew.clock.state.down == before
    assert crew.shows(113) == 27


def test_undo_reaches_through_the_snap_and_brings_back_what_was_named() -> None:
    crew = in_phase("LIVE")
    crew(orders.ending("foul_defense"), 100)
    crew(orders.READY, 110)
    crew(orders.SNAP, 115)
    assert crew.clock.state.down.named == frozenset()
    crew(Undo(), 116)
    crew(Undo(), 117)
    assert crew.phase == Set(40)
    assert crew.clock.state.down.named == {"foul_defense"}


def test_undo_takes_back_no_deadline() -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_25, 100)
    crew.wait_until(126)
    crew(Undo(), 130)
    assert isinstance(crew.phase, Live)


def test_undo_is_never_guarded_and_ends_with_a_refusal() -> None:
    crew = Crew()
    crew(orders.HOLD_25, 100)
    crew(orders.READY, 102)
    assert [crew(Undo(), 103 + k / 10).result.value for k in range(3)] == [
        "held",
        "held",
        "refused",
    ]
    assert crew.phase == Idle()


def test_undo_goes_back_sixteen_presses() -> None:
    crew = Crew()
    for k in range(UNDO_DEPTH + 4):
        crew((orders.HOLD_25, orders.HOLD_40)[k % 2], 10 * k)
    taken = [crew(Undo(), 1000 + k).changed for k in range(UNDO_DEPTH + 1)]
    assert taken == [True] * 16 + [False]


def test_boards_faults_and_marked_moments_are_not_undone() -> None:
    crew = in_phase("SET")
    crew(orders.READY, 100)
    crew(ToggleBoards(), 101)
    crew(MarkMoment(), 102)
    crew(BoardsFault("no answer"), 104, Role.SERVICE)
    crew(Undo(), 105)
    assert (crew.phase, crew.clock.boards) == (Set(40), Boards.OFF)


def test_the_keeper_cannot_undo_a_press_of_the_field() -> None:
    crew = in_phase("SET")
    crew(orders.READY, 100, Role.FIELD)
    assert crew(Undo(), 105).result.value == "refused"
    assert crew(Undo(), 106, Role.FIELD).changed


# The guard


@pytest.mark.parametrize("other", [Role.KEEPER, Role.FIELD])
@pytest.mark.parametrize(
    "event",
    [
        orders.DEAD_BALL,
        orders.HOLD_25,
        orders.RUN_25,
        orders.RUN_40,
        orders.SNAP,
        orders.STOP,
        orders.READY,
    ],
)
def test_the_same_press_again_changes_nothing(event: Event, other: Role) -> None:
    crew = in_phase("STOPPED")
    assert crew(event, 100).changed
    before = crew.clock.state
    assert crew(event, 101.499999999, other).result.value == "no change"
    assert crew.clock.state == before


def test_the_guard_ends_after_a_second_and_a_half() -> None:
    crew = Crew()
    crew(orders.RUN_25, 100)
    assert crew(orders.RUN_25, 101.5).result.value == "running"
    assert crew.clock.expires_at == int(126.5 * S)


def test_a_press_undone_may_be_given_again_at_once() -> None:
    crew = Crew()
    crew(orders.RUN_25, 100)
    crew(Undo(), 100.5)
    assert crew(orders.RUN_25, 100.8).result.value == "running"


# Roles


def test_a_shadow_drives_nothing() -> None:
    crew = in_phase("RUNNING")
    before = crew.clock.state
    for event in (orders.SNAP, Undo(), ToggleBoards(), orders.HOLD_25, BoardsFault("x")):
        assert not crew(event, 100, Role.SHADOW).changed
    assert crew.clock.state == before


def test_the_keeper_cannot_contradict_the_field_within_a_second() -> None:
    crew = in_phase("RUNNING")
    crew(orders.STOP, 100, Role.FIELD)
    before = crew.clock.state
    assert crew(orders.SNAP, 100.999999999).result.value == "refused"
    assert crew.clock.state == before
    assert crew(orders.SNAP, 101).changed


def test_the_field_takes_back_what_the_keeper_pressed_within_a_second() -> None:
    crew = in_phase("LIVE")
    crew(orders.ending("foul_defense"), 90)
    crew(orders.SNAP, 100)
    crew(orders.HOLD_25, 100.9, Role.FIELD)
    assert crew.phase == Set(25)
    assert crew.clock.state.down.named == {"foul_defense"}
    crew(Undo(), 105, Role.FIELD)
    assert crew.phase == Set(40)


def test_taking_the_keepers_press_back_may_be_all_that_was_needed() -> None:
    crew = in_phase("RUNNING")
    crew(NoCount(), 100)
    decided = crew(orders.READY, 100.5, Role.FIELD)
    assert (decided.result.value, crew.shows(100.5)) == ("running", 30)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (orders.READY, orders.SNAP),
        (orders.HOLD_40, orders.READY),
        (orders.RUN_25, orders.SNAP),
        (orders.SNAP, orders.DEAD_BALL),
        (orders.ending("foul"), orders.ending("injury_defense")),
        (orders.STOP, SetCount(12)),
        (orders.STOP, ToggleBoards()),
    ],
)
def test_what_does_not_contradict_may_follow_at_once(first: Event, second: Event) -> None:
    crew = in_phase("STOPPED")
    crew(first, 100, Role.FIELD)
    assert crew(second, 100.3).changed


# Gestures that grow


def test_an_amending_tap_starts_from_the_state_before_the_first() -> None:
    crew = in_phase("LIVE")
    crew.taps(orders.ending("foul"), 100, orders.ending("foul_defense"), 100.4)
    assert crew.phase == Set(40)
    assert crew.clock.state.down.named == {"foul_defense"}
    crew(Undo(), 105)
    assert isinstance(crew.phase, Live)


def test_an_amending_tap_takes_nothing_back_when_another_press_came_between() -> None:
    crew = in_phase("LIVE")
    crew.order(Order(orders.HOLD_25, 100 * S, 1, Role.KEEPER, 100 * S))
    crew(orders.DEAD_BALL, 100.2)
    later = int(100.4 * S)
    crew.order(Order(orders.RUN_25, later, 1, Role.KEEPER, 100 * S, amends=True))
    assert crew.clock.expires_at == later + 25 * S
    assert "routine" in crew.clock.state.down.named


def test_an_amending_order_that_changes_nothing_leaves_the_state_given_back() -> None:
    crew = in_phase("RUNNING")
    decided = crew.taps(orders.HOLD_25, 100, orders.READY, 100.4)
    assert (decided.result.value, crew.shows(100.4)) == ("running", 30)


def test_a_refused_amendment_changes_nothing() -> None:
    crew = in_phase("LIVE")
    decided = crew.taps(orders.HOLD_25, 100, orders.STOP, 100.4)
    assert (decided.result.value, crew.phase) == ("refused", Set(25))


def test_a_fault_between_two_taps_is_not_taken_back() -> None:
    crew = in_phase("LIVE")
    crew.order(Order(orders.ending("foul"), 100 * S, 1, Role.KEEPER, 100 * S))
    crew(BoardsFault("answers differ"), 100.1, Role.SERVICE)
    stronger = orders.ending("foul_defense")
    crew.order(Order(stronger, 100 * S + S // 2, 1, Role.KEEPER, 100 * S, amends=True))
    assert (crew.clock.boards, crew.phase) == (Boards.OFF, Set(40))


def test_a_count_given_back_after_its_end_is_at_zero_when_the_order_is_judged() -> None:
    """READY is never a dead key: here it meets a zero, for what the keeper pressed is void."""
    crew = Crew()
    crew(orders.RUN_40, 0)
    crew(orders.DEAD_BALL, 39.8)
    crew(orders.READY, 40.2, Role.FIELD)
    assert crew.clock.expires_at == int(65.2 * S)


# Boards


def test_boards_are_an_axis_of_their_own() -> None:
    crew = Crew()
    seen = [crew.clock.boards]
    crew(orders.HOLD_25, 10)
    seen.append(crew.clock.boards)
    assert seen == [Boards.BLANK, Boards.LIT]
    crew(ToggleBoards(), 20)
    crew(orders.READY, 30)
    assert (crew.clock.boards, crew.shows(31)) == (Boards.OFF, 24)
    crew(ToggleBoards(), 40)
    crew(NoCount(), 50)
    assert crew.clock.boards is Boards.BLANK


def test_boards_off_by_order_stay_so_when_a_fault_comes() -> None:
    crew = in_phase("SET")
    crew(ToggleBoards(), 100)
    assert crew(BoardsFault("x"), 101, Role.SERVICE).result.value == "no change"
    assert crew.clock.state.off is Off.ORDERED


def test_only_a_relight_lights_boards_off_by_fault() -> None:
    crew = in_phase("SET")
    crew(BoardsFault("x"), 100, Role.SERVICE)
    assert crew.clock.state.off is Off.FAULT
    events: list[Event] = [
        orders.READY,
        orders.SNAP,
        orders.DEAD_BALL,
        Undo(),
        NoCount(),
        orders.HOLD_25,
    ]
    for k, event in enumerate(events):
        crew(event, 110 + 10 * k)
        assert crew.clock.boards is Boards.OFF
    crew(ToggleBoards(), 200)
    assert crew.clock.boards is Boards.LIT


# Restart


def test_a_restart_goes_on_exactly_and_replays_no_mark() -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_25, 100)
    crew.wait_until(114)
    clock = PlayClock(SCHOOL, state=crew.clock.state, now=118 * S)
    assert clock.state == crew.clock.state
    assert (clock.deadline, clock.numerals(118 * S)) == (119 * S, 7)
    said = [each for t in range(118, 130) for each in clock.pass_time(t * S)]
    assert [each.seconds for each in said if isinstance(each, Marked)] == [5, 4, 3, 2, 1, 0]


def test_a_count_that_ran_out_during_a_restart_is_at_zero_and_nobody_is_told() -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_25, 100)
    clock = PlayClock(SCHOOL, state=crew.clock.state, now=125 * S)
    assert clock.state.down.phase == Expired()
    assert clock.pass_time(200 * S) == []


def test_boards_off_and_undo_survive_a_restart() -> None:
    crew = in_phase("SET")
    crew(orders.READY, 100)
    crew(ToggleBoards(), 105)
    clock = PlayClock(SCHOOL, state=crew.clock.state, now=110 * S)
    assert clock.boards is Boards.OFF
    clock.handle(Order(Undo(), 111 * S), 111 * S)
    assert clock.state.down.phase == Set(40)


# What is refused


@pytest.mark.parametrize(
    ("event", "says"),
    [
        (orders.ending("incomplet_pass"), "incomplete_pass"),
        (orders.ending("foul", "by_defence_only"), "by_defense_only"),
        (orders.ending("snap"), "snap"),
        (orders.ending("zero_no_foul"), "zero_no_foul"),
        (orders.ending("boards_disagree"), "boards_disagree"),
        (orders.ending("slow_chains_no_reset"), "slow_chains_no_reset"),
    ],
)
def test_what_is_no_ending_is_refused_with_a_reason_and_changes_nothing(
    event: Event, says: str
) -> None:
    crew = in_phase("RUNNING")
    before = crew.clock.state
    decided = crew(event, 100)
    assert (decided.result.value, crew.clock.state) == ("refused", before)
    assert says in decided.reason


def test_settings_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match=r"same_down_s = 9: must be 0 to 8 seconds"):
        PlayClock(SCHOOL, Settings(same_down_s=9))


def test_the_facts_of_a_down_in_whatever_order_call_for_one_number() -> None:
    """A fact may be told before the ending that it bears on."""
    one, other = in_phase("LIVE"), in_phase("LIVE")
    one(orders.ending("incomplete_pass", "fourth_down"), 100)
    one(orders.ending("foul_defense"), 103)
    other(orders.ending("foul_defense", "fourth_down"), 100)
    other(orders.ending("incomplete_pass"), 103)
    assert one.phase == other.phase == Set(25)


@pytest.mark.parametrize("after", ["zero", "stop"])
def test_a_ready_uses_up_what_it_was_given_for(after: str) -> None:
    """The 40 of a defensive foul ran on the ready; the next stop is "any other reason", so 25:
    NFHS 3-6-1a(1)g (text)."""
    crew = in_phase("LIVE")
    crew(orders.ending("foul_defense"), 100)
    crew(orders.READY, 110)
    if after == "stop":
        crew(orders.STOP, 120)
    crew(orders.READY, 155)
    assert isinstance(crew.phase, Running)
    assert crew.phase.seconds == 25


def test_a_stoppage_after_the_ready_is_judged_by_itself() -> None:
    """Time-out over, ready given, then the defense alone fouls before the snap: 40.
    NFHS 3-6-1a(1)e EXC 2 (2022), published one-line summary (text)."""
    crew = in_phase("LIVE")
    crew(orders.ending("charged_timeout"), 100)
    crew(orders.READY, 170)
    crew(orders.ending("foul_before_snap", "by_defense_only"), 180)
    assert crew.phase == Set(40)


def test_a_fourth_down_that_is_over_does_not_bear_on_the_next_end_of_play() -> None:
    """Ball over on downs, the referee pumps 25, nobody presses the snap: the next dead ball is
    a first down, so 40 at the dead ball."""
    crew = in_phase("LIVE")
    crew(orders.ending("incomplete_pass", "fourth_down"), 100)
    crew(orders.RUN_25, 115)
    crew(orders.DEAD_BALL, 140)
    assert crew.shows(141) == 39


@pytest.mark.parametrize(("seconds", "cued"), [(40, [25]), (39, []), (26, [])])
def test_the_mark_at_25_is_of_a_count_from_the_routine_number(
    seconds: int, cued: list[int]
) -> None:
    """ "Is the ball down?" is asked in a 40, not in a count that was corrected."""
    crew = in_phase("RUNNING")
    crew(SetCount(seconds), 100)
    assert (crew.clock.mark_s == 25) == bool(cued)
    for t in range(100, 100 + seconds - 20):
        crew.wait_until(t)
    assert crew.marks == cued


def test_an_end_of_play_pressed_again_is_still_noted() -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    assert crew(orders.ending("kick_no_new_series"), 103).result.value == "no change"
    crew(orders.ending("foul_defense", "new_series"), 105)
    assert crew.phase == Set(25)


def test_an_end_of_play_after_a_stop_begins_its_down_again() -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    crew(orders.STOP, 110)
    crew(orders.ending("incomplete_pass"), 130)
    assert crew.clock.state.down.named == {"incomplete_pass"}


def test_the_window_after_a_stoppage_counts_from_the_last_one_named() -> None:
    crew = in_phase("LIVE")
    crew(orders.ending("foul"), 100)
    crew(orders.ending("charged_timeout"), 115)
    assert crew(orders.DEAD_BALL, 134).result.value == "no change"


def test_a_stop_dated_before_its_count_leaves_no_more_than_the_count() -> None:
    crew = Crew()
    crew(orders.RUN_40, 100)
    crew(orders.STOP, 99.5)
    assert crew.phase == Stopped(40, 40 * S)


def test_a_number_that_nobody_ruled_tells_who_put_it_up() -> None:
    crew = Crew()
    for event, name, seconds, starts_on, by in (
        (orders.HOLD_25, "administrative", 25, StartsOn.READY, "set by the keeper"),
        (orders.RUN_40, "routine", 40, StartsOn.SIGNAL, "set by the keeper"),
        (
            SetCount(12),
            "timing_correction",
            12,
            StartsOn.SIGNAL,
            "timing correction by the referee",
        ),
    ):
        decided = crew(event, 100)
        assert decided.ruling == Ruling(name, seconds, starts_on, by, "text")


def test_the_reasons_that_a_keeper_reads() -> None:
    """All but a plain acceptance says why; wording free, no two the same but one."""
    presses: list[tuple[list[Event], Event]] = [
        ([], orders.STOP),
        ([], Undo()),
        ([], NoCount()),
        ([orders.SNAP], orders.SNAP),
        ([orders.SNAP], orders.STOP),
        ([orders.SNAP], SetCount(9)),
        ([orders.HOLD_25], orders.STOP),
        ([orders.HOLD_25], orders.HOLD_25),
        ([SetCount(12)], SetCount(12)),
        ([SetCount(0), orders.ending("delay_of_game")], orders.ending("delay_of_game")),
        ([orders.RUN_40], orders.READY),
        ([orders.DEAD_BALL], orders.ending("incomplete_pass")),
        ([orders.ending("foul")], orders.DEAD_BALL),
        ([orders.ending("foul"), orders.HOLD_25], orders.ending("foul")),
        ([ToggleBoards()], BoardsFault("no answer")),
        ([], ToggleBoards()),
        ([ToggleBoards()], ToggleBoards()),
        ([], BoardsFault("no power")),
        ([], MarkMoment()),
        ([], orders.ending("snap")),
        ([], orders.ending("runaway_llama")),
    ]
    said = []
    for before, event in presses:
        crew = Crew()
        for k, each in enumerate(before):
            crew(each, 10 + 2 * k)
        said.append(crew(event, 15).reason)
    assert all(said)
    assert len(set(said)) == len(said) - 1  # named again is named again, at zero too


@pytest.mark.parametrize(("again_s", "role"), [(1.0, Role.KEEPER), (0.5, Role.FIELD)])
def test_a_pump_entered_twice_is_one_pump(again_s: float, role: Role) -> None:
    """The second double tap holds 25 at its first tap; its second gives the running count back."""
    crew = in_phase("RUNNING")
    crew.taps(orders.HOLD_25, 100.0, orders.RUN_25, 100.2)
    crew.taps(orders.HOLD_25, 100.2 + again_s, orders.RUN_25, 100.5 + again_s)
    assert crew.clock.expires_at == round(125.2 * S)
    crew.taps(orders.HOLD_25, 103.0, orders.RUN_25, 103.2, role)
    assert crew.clock.expires_at == round(128.2 * S), "a later one is another pump"


def test_the_facts_of_a_routine_end_are_named_too() -> None:
    decided = in_phase("LIVE")(orders.ending("incomplete_pass", "new_series"), 100)
    assert decided.named == {"incomplete_pass", "new_series"}


def test_a_shadow_changes_nothing_and_is_told_so() -> None:
    assert Crew()(orders.DEAD_BALL, 100, Role.SHADOW).result is Result.NO_CHANGE


def test_what_is_not_done_for_the_sake_of_another_press_says_which() -> None:
    """The same press, the same end of play, and the field official's word."""
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    same_press = crew(orders.DEAD_BALL, 101)
    same_end = crew(orders.DEAD_BALL, 103)
    crew(orders.STOP, 105, Role.FIELD)
    stands = crew(orders.READY, 105.5)
    undo = crew(Undo(), 108)
    results = [each.result for each in (same_press, same_end, stands, undo)]
    assert results == [*[Result.NO_CHANGE] * 2, *[Result.REFUSED] * 2]
    reasons = [each.reason for each in (same_press, same_end, stands, undo)]
    assert all(reasons) and len(set(reasons)) == 4


def test_orders_outside_the_table_are_accepted_or_change_nothing() -> None:
    crew = in_phase("RUNNING")
    assert crew(MarkMoment(), 100).result is Result.HELD
    assert crew(BoardsFault("no answer"), 101).result is Result.HELD
    assert crew(BoardsFault("no answer"), 110).result is Result.NO_CHANGE
    assert crew(ToggleBoards(), 120).result is Result.HELD


@pytest.mark.parametrize(("late_s", "cued"), [(0.5, [25]), (0.6, [])])
def test_a_mark_told_too_late_would_mislead(late_s: float, cued: list[int]) -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    crew.wait_until(114)
    crew.wait_until(115 + late_s)
    assert crew.marks == cued


def test_an_unknown_fact_is_refused_with_its_name() -> None:
    decided = in_phase("LIVE")(orders.ending("foul", "nonsense"), 100)
    assert decided.result is Result.REFUSED
    assert "nonsense" in decided.reason


def test_a_stoppage_is_of_the_down_until_its_hold_has_passed_to_the_nanosecond() -> None:
    """A fact told with the stoppage bears on what is named within 20 s, and not at 20 s."""
    for at_s, seconds in ((119.999, 25), (120.0, 40)):
        crew = in_phase("LIVE")
        crew(orders.ending("foul", "fourth_down"), 100)
        crew(orders.ending("incomplete_pass"), at_s)
        assert crew.shows(at_s) == seconds


@pytest.mark.parametrize(("code", "mark_s"), [("nfhs", 25), ("canadian", 20), ("flag", 0)])
def test_a_running_count_has_the_mark_of_its_rule_set(code: str, mark_s: int) -> None:
    """CFL from 2026 (text): 35, marked at 20."""
    crew = Crew(load_rule_set(code))
    crew(orders.RUN_40, 100)
    assert crew.clock.mark_s == mark_s
    assert in_phase("SET").clock.mark_s == 0


def test_what_was_assumed_is_said_unless_there_is_more_to_say() -> None:
    crew = Crew()
    assert crew(orders.READY, 10).reason == "assumed: administrative number"
    assert crew(orders.SNAP, 20).reason == ""
    crew(orders.HOLD_25, 30)
    assert crew(orders.SNAP, 40).reason == "assumed: ready"


@pytest.mark.parametrize("between", [MarkMoment(), orders.READY])
def test_what_changes_nothing_does_not_hide_the_press_before_it(between: Event) -> None:
    crew = in_phase("LIVE")
    crew(orders.RUN_40, 100)
    crew(between, 100.5)
    assert crew(orders.RUN_40, 101).result is Result.NO_CHANGE
    assert crew.clock.expires_at == 140 * S


def test_boards_off_and_lit_again_say_which() -> None:
    crew = in_phase("LIVE")
    assert crew(ToggleBoards(), 100).reason == "boards off by order"
    assert crew(ToggleBoards(), 110).reason == "boards relit"


def test_a_decision_says_what_was_left_and_what_was_taken_back() -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    flag = crew(orders.ending("foul"), 103.5)
    assert flag.left_s == 37
    undone = crew(Undo(), 105)
    assert undone.taken_back == flag.order
