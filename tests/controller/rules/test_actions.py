"""What the cells of the table do: windows, lag, what follows, low game clock, a 25-only code."""

from __future__ import annotations

import pytest

from controller.rulebook.loader import codes, load_rule_set
from controller.rulebook.options import with_options
from controller.rules.effects import GaveWay, Result
from controller.rules.events import Event, NoCount, SetCount, Undo
from controller.rules.phases import Boards, Expired, Idle, Live, Running, Set, StartedBy, Stopped
from controller.rules.settings import Settings
from tests.controller.rules import orders
from tests.controller.rules.crew import Crew, S, in_phase, only_25


@pytest.mark.parametrize(
    ("event", "by"),
    [
        (orders.DEAD_BALL, StartedBy.DEAD_BALL),
        (orders.RUN_25, StartedBy.REFEREE),
        (orders.ending("premature_start_reset40"), StartedBy.REFEREE),
        (orders.READY, StartedBy.READY),
    ],
)
def test_what_started_a_count_is_kept(event: Event, by: StartedBy) -> None:
    crew = Crew()
    crew(event, 100)
    assert isinstance(crew.phase, Running)
    assert crew.phase.started_by is by


def test_the_same_end_of_play_pressed_again_within_six_seconds() -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    assert crew(orders.DEAD_BALL, 105.999999999).result.value == "no change"
    assert crew.shows(100) == 40
    assert crew(orders.DEAD_BALL, 106).assumed == "snap"
    assert crew.shows(106) == 40


def test_a_more_exact_end_of_play_within_six_seconds_is_the_same_one() -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    assert crew(orders.ending("out_of_bounds"), 103).result.value == "no change"


def test_the_same_down_window_is_of_dead_ball_starts_only() -> None:
    crew = in_phase("SET")
    crew(orders.READY, 100)
    assert crew(orders.DEAD_BALL, 103).assumed == "snap"


def test_an_end_of_play_does_not_displace_a_stoppage_younger_than_twenty_seconds() -> None:
    crew = in_phase("LIVE")
    crew(orders.ending("foul"), 100)
    assert crew(orders.DEAD_BALL, 119.999999999).result.value == "no change"
    assert crew.phase == Set(25)
    decided = crew(orders.DEAD_BALL, 120)
    assert (decided.assumed, crew.shows(120)) == ("snap", 40)


def test_a_bare_number_since_the_stoppage_does_not_open_the_way() -> None:
    crew = in_phase("LIVE")
    crew(orders.ending("foul"), 100)
    crew(orders.HOLD_40, 105)
    assert crew(orders.DEAD_BALL, 110).result.value == "no change"
    assert crew.phase == Set(40)


def test_both_windows_can_be_turned_off() -> None:
    crew = Crew(settings=Settings(same_down_s=0, stoppage_holds_s=0))
    crew(orders.DEAD_BALL, 100)
    assert crew(orders.DEAD_BALL, 103).assumed == "snap"
    crew(orders.ending("foul"), 104)
    assert crew(orders.DEAD_BALL, 105).assumed == "snap"


def test_the_start_lag_is_of_dead_ball_starts_only() -> None:
    crew = Crew(settings=Settings(start_lag_s=2))
    crew(orders.DEAD_BALL, 100)
    assert crew.clock.expires_at == 142 * S
    assert [crew.shows(t) for t in (100, 102, 102.999, 103)] == [40, 40, 40, 39]
    assert crew.clock.deadline == 103 * S
    crew(orders.RUN_40, 110)
    assert crew.clock.expires_at == 150 * S
    crew(orders.HOLD_25, 120)
    crew(orders.READY, 130)
    assert crew.clock.expires_at == 155 * S


@pytest.mark.parametrize(
    ("named", "follows"), [("foul_defense", 40), ("foul_offense", 25), ("injury_defense", 40)]
)
def test_stop_pressed_twice_shows_what_the_facts_call_for(named: str, follows: int) -> None:
    crew = in_phase("LIVE")
    crew(orders.ending(named), 100)
    crew(orders.RUN_25, 105)
    crew(orders.STOP, 110)
    crew(orders.STOP, 112)
    assert crew.phase == Set(follows)


def test_a_foul_at_zero_keeps_the_zero_and_the_25_key_shows_what_follows() -> None:
    crew = in_phase("EXPIRED")
    crew(orders.ending("delay_of_game"), 100)
    assert crew.shows(100) == 0
    assert crew(orders.ending("delay_of_game"), 104).result.value == "no change"
    crew(orders.HOLD_25, 110)
    assert crew.phase == Set(25)
    crew(orders.READY, 115)
    assert crew.clock.expires_at == 140 * S


def test_the_ready_after_a_defensive_foul_at_zero_runs_forty() -> None:
    crew = in_phase("EXPIRED")
    crew(orders.ending("foul_before_snap", "by_defense_only"), 100)
    crew(orders.READY, 115)
    assert crew.clock.expires_at == 155 * S


def test_a_stopped_count_keeps_its_remaining_time() -> None:
    crew = in_phase("RUNNING")
    crew(orders.STOP, 100.25)
    assert crew.phase == Stopped(40, 29_750_000_000)
    assert (crew.shows(100.25), crew.shows(999)) == (30, 30)


# A code whose every count is 25 and waits for the ready


def test_25_only_the_end_of_play_sets_and_holds() -> None:
    crew = in_phase("LIVE", only_25())
    assert crew.shows(99) == 25
    assert crew(orders.DEAD_BALL, 100).result.value == "held"
    assert crew.phase == Set(25)
    assert crew(orders.DEAD_BALL, 110).result.value == "no change"


def test_25_only_the_ready_in_live_is_the_normal_start() -> None:
    crew = in_phase("LIVE", only_25())
    decided = crew(orders.READY, 100)
    assert (decided.result.value, decided.assumed) == ("running", "")
    assert crew.clock.expires_at == 125 * S


def test_25_only_the_end_of_the_next_play_without_a_snap_sets_again() -> None:
    crew = in_phase("SET", only_25())
    crew(orders.READY, 100)
    assert crew(orders.DEAD_BALL, 112).assumed == "snap"
    assert crew.phase == Set(25)


@pytest.mark.parametrize(
    ("phase", "event", "why"),
    [
        ("IDLE", NoCount(), "there is no count"),
        ("LIVE", orders.SNAP, "the ball is already in play"),
        ("SET", orders.STOP, "no count runs"),
        ("RUNNING", orders.READY, "the count already runs"),
        ("SET", orders.HOLD_40, "40 is already shown and held"),
    ],
)
def test_what_is_so_already_is_told_in_words(phase: str, event: Event, why: str) -> None:
    decided = in_phase(phase)(event, 100)
    assert (decided.result, decided.reason) == (Result.NO_CHANGE, why)


@pytest.mark.parametrize(
    ("phase", "seconds", "becomes"), [("SET", 12, Set(12)), ("RUNNING", 0, Expired())]
)
def test_a_correction_holds_its_number_unless_a_count_runs(
    phase: str, seconds: int, becomes: object
) -> None:
    crew = in_phase(phase)
    crew(SetCount(seconds), 100)
    assert crew.phase == becomes


def test_no_count_forgets_what_was_named() -> None:
    crew = in_phase("LIVE")
    crew(orders.ending("foul"), 100)
    crew(NoCount(), 103)
    assert crew.phase == Idle() and crew.clock.state.down.named == frozenset()


# A running game clock with less time than the count

COLLEGE = load_rule_set("ncaa")


def live(crew: Crew) -> Crew:
    crew(orders.SNAP, 90)
    return crew


def test_the_boards_go_blank_and_the_reason_is_said() -> None:
    crew = live(Crew(COLLEGE))
    decided = crew(orders.DEAD_BALL, 100, game_clock_s=38)
    assert (decided.result, decided.phase_after) == (Result.HELD, "IDLE")
    assert decided.reason == "0:38 left on the game clock: no count is started"
    assert decided.ruling is COLLEGE.rulings["less_time_than_play_clock"]
    assert crew.clock.boards is Boards.BLANK
    assert crew.clock.deadline is None


def test_pressed_again_it_stays_blank_and_a_snap_and_an_undo_lead_on() -> None:
    crew = live(Crew(COLLEGE))
    crew(orders.DEAD_BALL, 100, game_clock_s=38)
    assert crew(orders.DEAD_BALL, 103, game_clock_s=35).result is Result.NO_CHANGE
    assert isinstance(crew.phase, Idle)
    crew(Undo(), 104)
    assert isinstance(crew.phase, Live)
    crew(orders.DEAD_BALL, 106, game_clock_s=32)
    crew(orders.SNAP, 120, game_clock_s=18)
    assert isinstance(crew.phase, Live)


def test_what_is_held_is_shown_and_only_its_start_is_left_out() -> None:
    crew = live(Crew(COLLEGE))
    for event in (orders.ending("foul"), orders.HOLD_25, orders.HOLD_40):
        crew(event, 100, game_clock_s=3)
        assert isinstance(crew.phase, Set)
    crew(orders.READY, 110, game_clock_s=3)
    assert isinstance(crew.phase, Idle)


@pytest.mark.parametrize("event", [orders.RUN_25, orders.RUN_40, orders.ending("referee_pump")])
def test_a_pump_runs_whatever_the_game_clock_shows(event: Event) -> None:
    crew = live(Crew(COLLEGE))
    crew(orders.DEAD_BALL, 100)
    crew(event, 110, game_clock_s=1)
    assert isinstance(crew.phase, Running)
    crew(SetCount(17), 112, game_clock_s=1)
    assert crew.clock.expires_at == 129 * S


def test_a_count_that_already_runs_is_not_touched() -> None:
    crew = live(Crew(COLLEGE))
    crew(orders.DEAD_BALL, 100)
    for at_s, event in ((102, orders.DEAD_BALL), (104, orders.READY)):
        assert crew(event, at_s, game_clock_s=5).result is Result.NO_CHANGE
    assert crew.clock.expires_at == 140 * S


def test_an_assumed_snap_is_still_said() -> None:
    crew = Crew(COLLEGE)
    crew(orders.DEAD_BALL, 100)
    decided = crew(orders.DEAD_BALL, 120, game_clock_s=20)
    assert (decided.result, decided.assumed, decided.down) == (Result.ASSUMED, "snap", 1)
    assert decided.reason == "0:20 left on the game clock: no count is started"
    assert isinstance(crew.phase, Idle)


@pytest.mark.parametrize("code", codes())
def test_only_the_codes_that_say_so_leave_the_count_out(code: str) -> None:
    rules = load_rule_set(code)
    crew = live(Crew(rules))
    crew(orders.DEAD_BALL, 100, game_clock_s=1)
    crew(orders.READY, 101, game_clock_s=1)
    assert isinstance(crew.phase, Idle) == (rules.low_time is not None)


@pytest.mark.parametrize(
    ("code", "value", "phase"),
    [("nfhs", "do_not_start", Idle), ("ncaa", "start", Running), ("nfhs", "start", Running)],
)
def test_the_option_settles_it(code: str, value: str, phase: type) -> None:
    rules = with_options(load_rule_set(code), [("low_game_clock", value)])
    crew = live(Crew(rules))
    crew(orders.DEAD_BALL, 100, game_clock_s=10)
    assert isinstance(crew.phase, phase)


def test_with_enough_time_it_runs_as_ever() -> None:
    crew = live(Crew(COLLEGE))
    decided = crew(orders.DEAD_BALL, 100, game_clock_s=40)
    assert (decided.result, decided.reason) == (Result.RUNNING, "")
    assert crew.clock.expires_at == 140 * S


# Words that say less, and exact ones


def exact_words() -> list[tuple[str, str, int]]:
    """The word told first, the exact one told 18 s later, and the number then held (NFHS 3-6-1a(1)e
    with its exceptions of 2020 and 2022)."""
    return [
        ("foul", "foul_defense", 40),
        ("foul", "foul_offense", 25),
        ("foul_before_snap", "foul_defense", 40),
        ("injury_or_helmet_any", "injury_defense", 40),
        ("injury_or_helmet_any", "equipment_defense", 40),
        ("equipment_any", "equipment_defense", 40),
        ("stoppage", "defense_only", 40),
        ("official_timeout", "injury_defense", 40),
        ("in_doubt", "foul_defense", 40),
        ("official_timeout", "measurement", 25),
    ]


@pytest.mark.parametrize(("vague", "exact", "seconds"), exact_words())
def test_a_word_that_says_less_gives_way(vague: str, exact: str, seconds: int) -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    crew(orders.ending(vague), 102)
    assert crew.phase == Set(25)
    decided = crew(orders.ending(exact), 120)
    assert (crew.phase, decided.gave_way) == (Set(seconds), GaveWay(vague, 18 * S))
    assert decided.ruling is not None and decided.ruling.ending == exact


@pytest.mark.parametrize(("vague", "exact", "seconds"), exact_words())
def test_and_never_the_other_way_round(vague: str, exact: str, seconds: int) -> None:
    crew = in_phase("LIVE")
    crew(orders.DEAD_BALL, 100)
    crew(orders.ending(exact), 102)
    decided = crew(orders.ending(vague), 120)
    assert (decided.result, crew.phase) == (Result.NO_CHANGE, Set(seconds))
    assert decided.reason.startswith("already told: ")


def test_both_teams_are_only_said_by_naming_both_and_the_reply_says_how_to_take_one_back() -> None:
    for first, second in (("foul_offense", "foul_defense"), ("foul_defense", "foul_offense")):
        crew = in_phase("LIVE")
        crew(orders.ending("foul"), 102)
        crew(orders.ending(first), 110)
        decided = crew(orders.ending(second), 120)
        assert crew.phase == Set(25)
        assert decided.reason == "both teams: 25; only the last? UNDO twice, then name it again"


def test_the_order_of_two_injuries_counts_in_the_school_code() -> None:
    for first, second, seconds in (
        ("injury_offense", "injury_defense", 25),
        ("injury_defense", "injury_offense", 40),
    ):
        crew = in_phase("LIVE")
        crew(orders.ending(first), 102)
        crew(orders.ending(second), 112)
        assert crew.phase == Set(seconds)


@pytest.mark.parametrize(("told_s", "shows"), [(131, 39), (135.9, 35), (136, 40)])
def test_the_team_told_just_after_the_ready_counts_from_it(told_s: float, shows: int) -> None:
    crew = in_phase("LIVE")
    crew(orders.ending("foul"), 102)
    crew(orders.READY, 130)
    decided = crew(orders.ending("foul_defense"), told_s)
    assert crew.shows(told_s) == shows
    assert isinstance(crew.phase, Running) is (told_s < 136)
    assert (decided.gave_way is not None) is (told_s < 136)


def test_another_stoppage_just_after_the_ready_holds_its_number() -> None:
    crew = in_phase("LIVE")
    crew(orders.ending("charged_timeout"), 102)
    crew(orders.READY, 130)
    crew(orders.ending("foul_defense"), 132)
    assert crew.phase == Set(40)


def test_stop_given_again_at_once_shows_what_follows() -> None:
    crew = in_phase("RUNNING")
    crew(orders.STOP, 100)
    crew(orders.STOP, 100.5)
    assert crew.phase == Set(25)
