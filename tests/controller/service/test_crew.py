"""Who holds which handset, and what the handsets are told."""

from __future__ import annotations

import pytest

from controller.rulebook.loader import load_rule_set
from controller.rules import events
from controller.rules.effects import Result
from controller.rules.events import Event, Order, PlayEnded, Role, Snap
from controller.rules.gestures import Gestures
from controller.rules.phases import PHASES, name
from controller.rules.play_clock import PlayClock
from controller.service.crew import ANSWERS, CrewMember, crew_state
from drivers.base import Answer, CueCode, Edge, Key, PhaseCode, Press
from tests.controller.fakes import MS, RULES, S

AT = 1_000 * S


def member(role: Role = Role.KEEPER, layout: str = "twelve") -> CrewMember:
    return CrewMember("handset 7", role, Gestures(layout))


def down(key: Key, at: int, edge: Edge = Edge.DOWN) -> Press:
    return Press(7, key, edge, at, at + 90 * MS, 5)


def test_an_order_is_dated_by_the_thumb_and_signed_by_its_handset() -> None:
    gesture, order = member(Role.FIELD).read(down(Key.READY, AT))
    assert order == Order(events.Ready(), AT, 7, Role.FIELD, AT, False)
    assert gesture.event == events.Ready()


def test_a_second_tap_amends_the_first_and_shares_its_gesture() -> None:
    keeper = member()
    keeper.read(down(Key.NUMBER_25, AT))
    _, order = keeper.read(down(Key.NUMBER_25, AT + 300 * MS))
    assert order is not None
    assert order.event == events.RunNumber(events.Number.ADMINISTRATIVE)
    assert (order.gesture_at, order.at, order.amends) == (AT, AT + 300 * MS, True)


def test_a_hold_is_an_edge_of_its_own() -> None:
    keeper = member()
    _, mark = keeper.read(down(Key.BOARDS_OFF, AT))
    assert mark is not None and mark.event == events.MarkMoment()
    _, order = keeper.read(down(Key.BOARDS_OFF, AT + S, Edge.HELD))
    assert order is not None
    assert order.event == events.ToggleBoards()


def test_what_gives_no_order_says_why() -> None:
    gesture, order = member(layout="four").read(down(Key.SNAP, AT))
    assert order is None
    assert "SNAP" in gesture.reason


def test_the_codes_are_those_of_the_wire_and_every_phase_and_result_has_one() -> None:
    assert {phase.__name__.upper() for phase in PHASES} == {code.name for code in PhaseCode}
    assert set(ANSWERS) == set(Result)
    assert all(each.name == ANSWERS[each].name for each in Result)
    assert Answer.NOT_HEARD not in ANSWERS.values()


def after(*ordered: Event) -> PlayClock:
    play_clock = PlayClock(RULES)
    for index, event in enumerate(ordered):
        at = AT + index * 10 * S
        play_clock.pass_time(at)
        play_clock.handle(Order(event, at), at)
    return play_clock


@pytest.mark.parametrize(
    ("ordered", "phase", "numerals"),
    [
        ((), "IDLE", None),
        ((events.HoldNumber(events.Number.ADMINISTRATIVE),), "SET", 25),
        ((PlayEnded("routine"),), "RUNNING", 40),
        ((Snap(),), "LIVE", 40),
        ((PlayEnded("routine"), events.Stop()), "STOPPED", 30),
    ],
)
def test_each_phase_is_told_with_its_numerals(
    ordered: tuple[Event, ...], phase: str, numerals: int | None
) -> None:
    play_clock = after(*ordered)
    now = AT + max(0, len(ordered) - 1) * 10 * S
    state = crew_state(play_clock, True, False, now)
    assert name(play_clock.state.down.phase) == phase
    assert (state.phase, state.numerals) == (PhaseCode[phase], numerals)
    assert (state.expires_at is not None) is (phase == "RUNNING")
    assert state.remaining_ns == (30 * S if phase == "STOPPED" else 0)


def test_zero_is_told_as_a_held_zero() -> None:
    play_clock = after(PlayEnded("routine"))
    play_clock.pass_time(AT + 40 * S)
    state = crew_state(play_clock, True, False, AT + 40 * S)
    assert (state.phase, state.numerals, state.expires_at) == (PhaseCode.EXPIRED, 0, None)


def test_only_a_running_routine_number_has_the_mark() -> None:
    assert crew_state(after(PlayEnded("routine")), True, False, AT).mark_s == 25
    administrative = after(events.RunNumber(events.Number.ADMINISTRATIVE))
    assert crew_state(administrative, True, False, AT).mark_s == 0
    assert crew_state(after(Snap()), True, False, AT).mark_s == 0


@pytest.mark.parametrize(("code", "mark_s"), [("canadian", 20), ("flag", 0), ("nfhs", 25)])
def test_the_mark_is_that_of_the_rule_set(code: str, mark_s: int) -> None:
    """CFL from 2026 (text): 35, marked at 20; the handset must not cue 25 there."""
    clock = PlayClock(load_rule_set(code))
    clock.handle(Order(events.RunNumber(events.Number.ROUTINE), AT), AT)
    assert clock.expires_at is not None
    assert crew_state(clock, True, False, AT).mark_s == mark_s


def test_a_cue_that_no_key_asked_for_is_told_with_its_number() -> None:
    state = crew_state(after(Snap()), True, False, AT, cued=(CueCode.NUDGE, 3))
    assert (state.cue, state.cue_number) == (CueCode.NUDGE, 3)


def test_the_boards_flags() -> None:
    state = crew_state(after(Snap()), False, True, AT)
    assert (state.boards_lit, state.boards_off, state.fault) == (False, False, True)
    state = crew_state(after(Snap(), events.ToggleBoards()), False, False, AT + 10 * S)
    assert (state.boards_lit, state.boards_off, state.fault) == (False, True, False)


def test_a_change_that_rests_on_an_assumption_says_so() -> None:
    assert crew_state(after(events.Ready()), True, False, AT, assumed=True).assumed
