"""A running game clock with less time than the count: whether the count is started."""

from __future__ import annotations

import pytest

from controller.rulebook.loader import codes, load_rule_set
from controller.rulebook.options import with_options
from controller.rules.effects import Result
from controller.rules.events import Event, SetCount, Undo
from controller.rules.phases import Boards, Idle, Live, Running, Set
from tests.controller.rules.crew import (
    DEAD_BALL,
    HOLD_25,
    HOLD_40,
    READY,
    RUN_25,
    RUN_40,
    SNAP,
    Crew,
    S,
    ending,
)

COLLEGE = load_rule_set("ncaa")


def live(crew: Crew) -> Crew:
    crew(SNAP, 90)
    return crew


def test_the_boards_go_blank_and_the_reason_is_said() -> None:
    crew = live(Crew(COLLEGE))
    decided = crew(DEAD_BALL, 100, game_clock_s=38)
    assert (decided.result, decided.phase_after) == (Result.HELD, "IDLE")
    assert decided.reason == "0:38 left on the game clock: no count is started"
    assert decided.ruling is COLLEGE.rulings["less_time_than_play_clock"]
    assert crew.clock.boards is Boards.BLANK
    assert crew.clock.deadline is None


def test_pressed_again_it_stays_blank_and_a_snap_and_an_undo_lead_on() -> None:
    crew = live(Crew(COLLEGE))
    crew(DEAD_BALL, 100, game_clock_s=38)
    assert crew(DEAD_BALL, 103, game_clock_s=35).result is Result.NO_CHANGE
    assert isinstance(crew.phase, Idle)
    crew(Undo(), 104)
    assert isinstance(crew.phase, Live)
    crew(DEAD_BALL, 106, game_clock_s=32)
    crew(SNAP, 120, game_clock_s=18)
    assert isinstance(crew.phase, Live)


def test_what_is_held_is_shown_and_only_its_start_is_left_out() -> None:
    crew = live(Crew(COLLEGE))
    for event in (ending("foul"), HOLD_25, HOLD_40):
        crew(event, 100, game_clock_s=3)
        assert isinstance(crew.phase, Set)
    crew(READY, 110, game_clock_s=3)
    assert isinstance(crew.phase, Idle)


@pytest.mark.parametrize("event", [RUN_25, RUN_40, ending("referee_pump")])
def test_a_pump_runs_whatever_the_game_clock_shows(event: Event) -> None:
    crew = live(Crew(COLLEGE))
    crew(DEAD_BALL, 100)
    crew(event, 110, game_clock_s=1)
    assert isinstance(crew.phase, Running)
    crew(SetCount(17), 112, game_clock_s=1)
    assert crew.clock.expires_at == 129 * S


def test_a_count_that_already_runs_is_not_touched() -> None:
    crew = live(Crew(COLLEGE))
    crew(DEAD_BALL, 100)
    for at_s, event in ((102, DEAD_BALL), (104, READY)):
        assert crew(event, at_s, game_clock_s=5).result is Result.NO_CHANGE
    assert crew.clock.expires_at == 140 * S


def test_an_assumed_snap_is_still_said() -> None:
    crew = Crew(COLLEGE)
    crew(DEAD_BALL, 100)
    decided = crew(DEAD_BALL, 120, game_clock_s=20)
    assert (decided.result, decided.assumed, decided.down) == (Result.ASSUMED, "snap", 1)
    assert decided.reason == "0:20 left on the game clock: no count is started"
    assert isinstance(crew.phase, Idle)


@pytest.mark.parametrize("code", codes())
def test_only_the_codes_that_say_so_leave_the_count_out(code: str) -> None:
    rules = load_rule_set(code)
    crew = live(Crew(rules))
    crew(DEAD_BALL, 100, game_clock_s=1)
    crew(READY, 101, game_clock_s=1)
    assert isinstance(crew.phase, Idle) == (rules.low_time is not None)


@pytest.mark.parametrize(
    ("code", "value", "phase"),
    [("nfhs", "do_not_start", Idle), ("ncaa", "start", Running), ("nfhs", "start", Running)],
)
def test_the_option_settles_it(code: str, value: str, phase: type) -> None:
    rules = with_options(load_rule_set(code), [("low_game_clock", value)])
    crew = live(Crew(rules))
    crew(DEAD_BALL, 100, game_clock_s=10)
    assert isinstance(crew.phase, phase)


def test_with_enough_time_it_runs_as_ever() -> None:
    crew = live(Crew(COLLEGE))
    decided = crew(DEAD_BALL, 100, game_clock_s=40)
    assert (decided.result, decided.reason) == (Result.RUNNING, "")
    assert crew.clock.expires_at == 140 * S
