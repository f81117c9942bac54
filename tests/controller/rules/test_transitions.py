"""Every cell of the table, typed in from the design; none is read from the table itself.

``at 100 s`` each event meets each phase; what comes out is the phase, the number of the count, the
result, and what was assumed.
"""

from __future__ import annotations

import pytest

from controller.rules.events import Event, NoCount, PlayEnded, SetCount
from controller.rules.phases import PHASES, Live, Running, Set, StartedBy, Stopped, name
from controller.rules.settings import Settings
from controller.rules.transitions import REFUSALS, TRANSITIONS, Kind, kind_of, why_not
from tests.controller.rules.crew import (
    DEAD_BALL,
    HOLD_25,
    HOLD_40,
    READY,
    RUN_25,
    RUN_40,
    SCHOOL,
    SNAP,
    STOP,
    Crew,
    S,
    ending,
    in_phase,
    only_25,
)

EVENTS: dict[str, Event] = {
    "routine": DEAD_BALL,
    "incomplete": ending("incomplete_pass"),
    "hold 25": HOLD_25,
    "hold 40": HOLD_40,
    "foul": ending("foul"),
    "defense foul": ending("foul_defense"),
    "time-out": ending("charged_timeout"),
    "touchdown": ending("touchdown"),
    "run 25": RUN_25,
    "run 40": RUN_40,
    "pump 40": ending("premature_start_reset40"),
    "ready": READY,
    "snap": SNAP,
    "stop": STOP,
    "no count": NoCount(),
    "period over": NoCount(True),
    "correct 12": SetCount(12),
    "correct 0": SetCount(0),
}

TABLE = """
routine      | IDLE    | RUNNING 40 | running   |
routine      | SET     | RUNNING 40 | running   |
routine      | RUNNING | RUNNING 40 | assumed   | snap
routine      | LIVE    | RUNNING 40 | running   |
routine      | STOPPED | RUNNING 40 | running   |
routine      | EXPIRED | RUNNING 40 | assumed   | snap
incomplete   | IDLE    | RUNNING 40 | running   |
incomplete   | SET     | RUNNING 40 | running   |
incomplete   | RUNNING | RUNNING 40 | assumed   | snap
incomplete   | LIVE    | RUNNING 40 | running   |
incomplete   | STOPPED | RUNNING 40 | running   |
incomplete   | EXPIRED | RUNNING 40 | assumed   | snap
hold 25      | IDLE    | SET 25     | held      |
hold 25      | SET     | SET 25     | held      |
hold 25      | RUNNING | SET 25     | held      |
hold 25      | LIVE    | SET 25     | held      |
hold 25      | STOPPED | SET 25     | held      |
hold 25      | EXPIRED | SET 25     | held      |
hold 40      | IDLE    | SET 40     | held      |
hold 40      | SET     | SET 40     | no change |
hold 40      | RUNNING | SET 40     | held      |
hold 40      | LIVE    | SET 40     | held      |
hold 40      | STOPPED | SET 40     | held      |
hold 40      | EXPIRED | SET 40     | held      |
foul         | IDLE    | SET 25     | held      |
foul         | SET     | SET 25     | held      |
foul         | RUNNING | SET 25     | held      |
foul         | LIVE    | SET 25     | held      |
foul         | STOPPED | SET 25     | held      |
foul         | EXPIRED | EXPIRED 0  | held      |
defense foul | IDLE    | SET 40     | held      |
defense foul | SET     | SET 40     | held      |
defense foul | RUNNING | SET 40     | held      |
defense foul | LIVE    | SET 40     | held      |
defense foul | STOPPED | SET 40     | held      |
defense foul | EXPIRED | EXPIRED 0  | held      |
time-out     | IDLE    | SET 25     | held      |
time-out     | SET     | SET 25     | held      |
time-out     | RUNNING | SET 25     | held      |
time-out     | LIVE    | SET 25     | held      |
time-out     | STOPPED | SET 25     | held      |
time-out     | EXPIRED | SET 25     | held      |
touchdown    | LIVE    | SET 25     | held      |
touchdown    | RUNNING | SET 25     | held      |
touchdown    | EXPIRED | SET 25     | held      |
run 25       | IDLE    | RUNNING 25 | running   |
run 25       | SET     | RUNNING 25 | running   |
run 25       | RUNNING | RUNNING 25 | running   |
run 25       | LIVE    | RUNNING 25 | running   |
run 25       | STOPPED | RUNNING 25 | running   |
run 25       | EXPIRED | RUNNING 25 | running   |
run 40       | IDLE    | RUNNING 40 | running   |
run 40       | SET     | RUNNING 40 | running   |
run 40       | RUNNING | RUNNING 40 | running   |
run 40       | LIVE    | RUNNING 40 | running   |
run 40       | STOPPED | RUNNING 40 | running   |
run 40       | EXPIRED | RUNNING 40 | running   |
pump 40      | IDLE    | RUNNING 40 | running   |
pump 40      | SET     | RUNNING 40 | running   |
pump 40      | RUNNING | RUNNING 40 | running   |
pump 40      | LIVE    | RUNNING 40 | running   |
pump 40      | STOPPED | RUNNING 40 | running   |
pump 40      | EXPIRED | RUNNING 40 | running   |
ready        | IDLE    | RUNNING 25 | assumed   | administrative number
ready        | SET     | RUNNING 40 | running   |
ready        | RUNNING | RUNNING 40 | no change |
ready        | LIVE    | RUNNING 25 | assumed   | administrative number
ready        | STOPPED | RUNNING 25 | running   |
ready        | EXPIRED | RUNNING 25 | running   |
snap         | IDLE    | LIVE 40    | held      |
snap         | SET     | LIVE 40    | assumed   | ready
snap         | RUNNING | LIVE 40    | held      |
snap         | LIVE    | LIVE 40    | no change |
snap         | STOPPED | LIVE 40    | held      |
snap         | EXPIRED | LIVE 40    | held      |
stop         | IDLE    | IDLE -     | refused   |
stop         | SET     | SET 40     | no change |
stop         | RUNNING | STOPPED 40 | held      |
stop         | LIVE    | LIVE 40    | refused   |
stop         | STOPPED | SET 25     | held      |
stop         | EXPIRED | EXPIRED 0  | no change |
no count     | IDLE    | IDLE -     | no change |
no count     | SET     | IDLE -     | held      |
no count     | RUNNING | IDLE -     | held      |
no count     | LIVE    | IDLE -     | held      |
no count     | STOPPED | IDLE -     | held      |
no count     | EXPIRED | IDLE -     | held      |
period over  | RUNNING | IDLE -     | held      |
period over  | LIVE    | IDLE -     | held      |
correct 12   | IDLE    | SET 12     | held      |
correct 12   | SET     | SET 12     | held      |
correct 12   | RUNNING | RUNNING 12 | running   |
correct 12   | LIVE    | LIVE 40    | refused   |
correct 12   | STOPPED | SET 12     | held      |
correct 12   | EXPIRED | SET 12     | held      |
correct 0    | IDLE    | EXPIRED 0  | held      |
correct 0    | SET     | EXPIRED 0  | held      |
correct 0    | RUNNING | EXPIRED 0  | held      |
correct 0    | LIVE    | LIVE 40    | refused   |
correct 0    | STOPPED | EXPIRED 0  | held      |
"""
CELLS = [tuple(part.strip() for part in line.split("|")) for line in TABLE.strip().splitlines()]


def told(crew: Crew) -> str:
    """The phase and the number its count began at."""
    match crew.phase:
        case Set(seconds) | Live(seconds) | Stopped(seconds, _) | Running(seconds, _, _, _):
            return f"{name(crew.phase)} {seconds}"
    return {"IDLE": "IDLE -", "EXPIRED": "EXPIRED 0"}[name(crew.phase)]


@pytest.mark.parametrize(("event", "phase", "becomes", "result", "assumed"), CELLS)
def test_cell(event: str, phase: str, becomes: str, result: str, assumed: str) -> None:
    crew = in_phase(phase)
    assert name(crew.phase) == phase
    before = crew.clock.state
    decided = crew(EVENTS[event], 100)
    assert (told(crew), decided.result.value, decided.assumed) == (becomes, result, assumed)
    assert (decided.phase_before, decided.phase_after) == (phase, becomes.split(maxsplit=1)[0])
    assert decided.changed == (result in ("held", "running", "assumed"))
    if not decided.changed:
        assert crew.clock.state == before
        assert decided.reason
    assert crew.clock.state.down.number - before.down.number == (
        1 if (event == "snap" and decided.changed) or assumed == "snap" else 0
    )


def test_the_typed_table_reaches_every_cell_of_the_table() -> None:
    typed = {(phase, kind_of(EVENTS[event], SCHOOL, frozenset())) for event, phase, *_ in CELLS}
    assert typed == {(name_of(phase), kind) for phase in PHASES for kind in Kind}


def name_of(phase: type[object]) -> str:
    return phase.__name__.upper()


def test_an_absent_entry_has_a_reason_and_an_entry_has_none() -> None:
    absent = {(phase, kind) for phase in PHASES for kind in Kind if kind not in TRANSITIONS[phase]}
    assert absent == set(REFUSALS)


@pytest.mark.parametrize(
    ("event", "by"),
    [
        (DEAD_BALL, StartedBy.DEAD_BALL),
        (RUN_25, StartedBy.REFEREE),
        (ending("premature_start_reset40"), StartedBy.REFEREE),
        (READY, StartedBy.READY),
    ],
)
def test_what_started_a_count_is_kept(event: Event, by: StartedBy) -> None:
    crew = Crew()
    crew(event, 100)
    assert isinstance(crew.phase, Running)
    assert crew.phase.started_by is by


def test_the_same_end_of_play_pressed_again_within_six_seconds() -> None:
    crew = in_phase("LIVE")
    crew(DEAD_BALL, 100)
    assert crew(DEAD_BALL, 105.999999999).result.value == "no change"
    assert crew.shows(100) == 40
    assert crew(DEAD_BALL, 106).assumed == "snap"
    assert crew.shows(106) == 40


def test_a_more_exact_end_of_play_within_six_seconds_is_the_same_one() -> None:
    crew = in_phase("LIVE")
    crew(DEAD_BALL, 100)
    assert crew(ending("out_of_bounds"), 103).result.value == "no change"


def test_the_same_down_window_is_of_dead_ball_starts_only() -> None:
    crew = in_phase("SET")
    crew(READY, 100)
    assert crew(DEAD_BALL, 103).assumed == "snap"


def test_an_end_of_play_does_not_displace_a_stoppage_younger_than_twenty_seconds() -> None:
    crew = in_phase("LIVE")
    crew(ending("foul"), 100)
    assert crew(DEAD_BALL, 119.999999999).result.value == "no change"
    assert crew.phase == Set(25)
    decided = crew(DEAD_BALL, 120)
    assert (decided.assumed, crew.shows(120)) == ("snap", 40)


def test_a_bare_number_since_the_stoppage_does_not_open_the_way() -> None:
    crew = in_phase("LIVE")
    crew(ending("foul"), 100)
    crew(HOLD_40, 105)
    assert crew(DEAD_BALL, 110).result.value == "no change"
    assert crew.phase == Set(40)


def test_both_windows_can_be_turned_off() -> None:
    crew = Crew(settings=Settings(same_down_s=0, stoppage_holds_s=0))
    crew(DEAD_BALL, 100)
    assert crew(DEAD_BALL, 103).assumed == "snap"
    crew(ending("foul"), 104)
    assert crew(DEAD_BALL, 105).assumed == "snap"


def test_the_start_lag_is_of_dead_ball_starts_only() -> None:
    crew = Crew(settings=Settings(start_lag_s=2))
    crew(DEAD_BALL, 100)
    assert crew.clock.expires_at == 142 * S
    assert [crew.shows(t) for t in (100, 102, 102.999, 103)] == [40, 40, 40, 39]
    assert crew.clock.deadline == 103 * S
    crew(RUN_40, 110)
    assert crew.clock.expires_at == 150 * S
    crew(HOLD_25, 120)
    crew(READY, 130)
    assert crew.clock.expires_at == 155 * S


@pytest.mark.parametrize(
    ("named", "follows"), [("foul_defense", 40), ("foul_offense", 25), ("injury_defense", 40)]
)
def test_stop_pressed_twice_shows_what_the_facts_call_for(named: str, follows: int) -> None:
    crew = in_phase("LIVE")
    crew(ending(named), 100)
    crew(RUN_25, 105)
    crew(STOP, 110)
    crew(STOP, 112)
    assert crew.phase == Set(follows)


def test_a_foul_at_zero_keeps_the_zero_and_the_25_key_shows_what_follows() -> None:
    crew = in_phase("EXPIRED")
    crew(ending("delay_of_game"), 100)
    assert crew.shows(100) == 0
    assert crew(ending("delay_of_game"), 104).result.value == "no change"
    crew(HOLD_25, 110)
    assert crew.phase == Set(25)
    crew(READY, 115)
    assert crew.clock.expires_at == 140 * S


def test_the_ready_after_a_defensive_foul_at_zero_runs_forty() -> None:
    crew = in_phase("EXPIRED")
    crew(ending("foul_before_snap", "by_defense_only"), 100)
    crew(READY, 115)
    assert crew.clock.expires_at == 155 * S


def test_a_stopped_count_keeps_its_remaining_time() -> None:
    crew = in_phase("RUNNING")
    crew(STOP, 100.25)
    assert crew.phase == Stopped(40, 29_750_000_000)
    assert (crew.shows(100.25), crew.shows(999)) == (30, 30)


# A code whose every count is 25 and waits for the ready


def test_25_only_the_end_of_play_sets_and_holds() -> None:
    crew = in_phase("LIVE", only_25())
    assert crew.shows(99) == 25
    assert crew(DEAD_BALL, 100).result.value == "held"
    assert crew.phase == Set(25)
    assert crew(DEAD_BALL, 110).result.value == "no change"


def test_25_only_the_ready_in_live_is_the_normal_start() -> None:
    crew = in_phase("LIVE", only_25())
    decided = crew(READY, 100)
    assert (decided.result.value, decided.assumed) == ("running", "")
    assert crew.clock.expires_at == 125 * S


def test_25_only_the_end_of_the_next_play_without_a_snap_sets_again() -> None:
    crew = in_phase("SET", only_25())
    crew(READY, 100)
    assert crew(DEAD_BALL, 112).assumed == "snap"
    assert crew.phase == Set(25)


@pytest.mark.parametrize(
    ("event", "names"),
    [
        (PlayEnded("less_time_than_play_clock"), "less_time_than_play_clock"),
        (PlayEnded("foul", frozenset({"penalty_pending"})), "penalty_pending"),
        (PlayEnded("spotting_delay_reset25", frozenset({"pumped"})), "pumped"),
    ],
)
def test_what_can_only_be_asked_about_is_refused_as_an_order(event: PlayEnded, names: str) -> None:
    assert names in why_not(event, SCHOOL)
