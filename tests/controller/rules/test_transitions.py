"""Every cell of the table, typed in from the design; none is read from the table itself.

``at 100 s`` each event meets each phase; what comes out is the phase, the number of the count, the
result, and what was assumed.
"""

from __future__ import annotations

import pytest

from controller.rules.events import Event, NoCount, PlayEnded, SetCount
from controller.rules.phases import PHASES, Live, Running, Set, Stopped, name
from controller.rules.transitions import REFUSALS, TRANSITIONS, Kind, kind_of, why_not
from tests.controller.rules import orders
from tests.controller.rules.crew import SCHOOL, Crew, in_phase

EVENTS: dict[str, Event] = {
    "routine": orders.DEAD_BALL,
    "incomplete": orders.ending("incomplete_pass"),
    "hold 25": orders.HOLD_25,
    "hold 40": orders.HOLD_40,
    "foul": orders.ending("foul"),
    "defense foul": orders.ending("foul_defense"),
    "time-out": orders.ending("charged_timeout"),
    "touchdown": orders.ending("touchdown"),
    "run 25": orders.RUN_25,
    "run 40": orders.RUN_40,
    "pump 40": orders.ending("premature_start_reset40"),
    "ready": orders.READY,
    "snap": orders.SNAP,
    "stop": orders.STOP,
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
    ("event", "names"),
    [
        (PlayEnded("less_time_than_play_clock"), "less_time_than_play_clock"),
        (PlayEnded("foul", frozenset({"penalty_pending"})), "penalty_pending"),
        (PlayEnded("spotting_delay_reset25", frozenset({"pumped"})), "pumped"),
    ],
)
def test_what_can_only_be_asked_about_is_refused_as_an_order(event: PlayEnded, names: str) -> None:
    assert names in why_not(event, SCHOOL)
