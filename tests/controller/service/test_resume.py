"""A new service goes on: what was being decided is decided, rows come again, doubt is darkness."""

from __future__ import annotations

from typing import Any

import pytest

from controller.journal.file import Dated
from controller.journal.recorder import Numbers, Recorder
from controller.recovery.checkpoint import Checkpointer
from controller.recovery.recovery import RestartPlan
from controller.recovery.snapshot_codec import PendingOrder
from controller.rules.events import (
    BoardsFault,
    Event,
    HoldNumber,
    NoCount,
    Number,
    Order,
    PlayEnded,
    Ready,
    Role,
    Undo,
)
from controller.rules.gestures import Gestures
from controller.rules.phases import Idle, Off, Running, Set
from controller.rules.play_clock import PlayClock
from controller.service.crew import CrewMember
from controller.service.resume import resume
from controller.service.service import Service
from drivers.base import Result
from tests.controller.fakes import EMPTY, RULES, FakeJournal, S
from tests.controller.journal_rows import row

AT = 1_000 * S
NUMBERS = Numbers(3, 20, settled=True)


def after(*events: Event, at: int = AT) -> PlayClock:
    play_clock = PlayClock(RULES)
    for event in events:
        play_clock.handle(Order(event, at, 1), at)
    return play_clock


def beginning(*events: Event, **more: Any) -> RestartPlan:
    play_clock = after(*events)
    usual: dict[str, Any] = {
        "state": play_clock.state,
        "state_at": AT,
        "gesture": play_clock.gesture,
        "numbers": NUMBERS,
    }
    return RestartPlan(**(usual | more))


def gone_on(begun: RestartPlan, now: int) -> tuple[Service, FakeJournal]:
    """A service made as the assembly makes it, and its journal."""
    journal = FakeJournal(lambda: now, EMPTY, None)
    keeper = Checkpointer(acknowledged=begun.acknowledged)
    keeper.off_why = begun.off_why
    service = Service(
        PlayClock(RULES, None, begun.state, begun.state_at, begun.gesture),
        boards=[],
        handsets=[],
        crew={1: CrewMember("handset 1", Role.KEEPER, Gestures("twelve"))},
        recorder=Recorder(journal, now, numbers=begun.numbers, rows=begun.rows),
        clock=lambda: now,
        checkpointer=keeper,
    )
    resume(service, begun, now)
    service.recorder.hand_over()
    return service, journal


def carried(event: Event, handset: int | None = 1, at: int = AT + S) -> PendingOrder:
    role = Role.KEEPER if handset else Role.SERVICE
    return PendingOrder(Order(event, at, handset, role), at + 5, at + 5, 77, Result.RUNNING, 9)


def test_an_order_that_was_being_carried_out_is_decided_again_at_its_instant() -> None:
    begun = beginning(HoldNumber(Number.ADMINISTRATIVE), carried=carried(Ready()))
    service, journal = gone_on(begun, AT + 3 * S)
    phase = service.play_clock.state.down.phase
    assert isinstance(phase, Running) and phase.expires_at == AT + 26 * S
    (only,) = journal.rows
    assert (only.event_number, only.event, only.result) == (21, "ready for play", "running")
    assert (only.received_at, only.edge_at, only.commanded) == (AT + S + 5, AT + S, "25")
    service.play_clock.handle(Order(Undo(), AT + 4 * S, 1), AT + 4 * S)
    assert service.play_clock.state.down.phase == Set(25)


def test_a_fault_that_was_being_carried_out_is_one_again() -> None:
    begun = beginning(Ready(), carried=carried(BoardsFault("north lies"), None))
    service, _ = gone_on(begun, AT + 3 * S)
    assert service.play_clock.state.off is Off.FAULT
    assert service.checkpointer.off_why == "north lies"


def test_a_gesture_goes_on_across_the_restart() -> None:
    """A double tap whose second tap was being carried out: it takes back the first."""
    play_clock = PlayClock(RULES)
    hold = HoldNumber(Number.ADMINISTRATIVE)
    play_clock.handle(Order(PlayEnded("incomplete_pass"), AT - 9 * S, 1), AT - 9 * S)
    before = play_clock.state.down
    play_clock.handle(Order(hold, AT, 1, gesture_at=AT), AT)
    order = Order(Ready(), AT + S // 2, 1, Role.KEEPER, AT, amends=True)
    begun = RestartPlan(
        state=play_clock.state,
        state_at=AT,
        gesture=play_clock.gesture,
        carried=PendingOrder(order, AT + S // 2, AT + S // 2, 1, Result.RUNNING, 9),
        numbers=NUMBERS,
    )
    service, _ = gone_on(begun, AT + S)
    assert service.play_clock.state.history[-1].before == before or (
        service.play_clock.state.down == before
    )


def test_rows_come_again_then_the_order_then_the_story() -> None:
    begun = beginning(
        HoldNumber(Number.ADMINISTRATIVE),
        carried=carried(Ready()),
        rows=(Dated(row(19), 1), Dated(row(20), 2)),
        rows_lost=2,
        story="going on: the service died and was away for 2.0 s",
    )
    _, journal = gone_on(begun, AT + 3 * S)
    assert [each.event_number for each in journal.rows] == [19, 20, 21, 22, 23]
    assert [each.event for each in journal.rows[2:]] == [
        "ready for play",
        "journal rows lost",
        "service started",
    ]
    assert "2 rows" in journal.rows[3].detail
    assert {each.game for each in journal.rows[2:]} == {3}


def test_an_order_given_up_with_its_state_is_recorded_as_such() -> None:
    begun = RestartPlan(
        state_at=AT + S, numbers=NUMBERS, given_up=carried(Ready()), story="dropped"
    )
    service, journal = gone_on(begun, AT + S)
    assert isinstance(service.play_clock.state.down.phase, Idle)
    row = journal.rows[0]
    assert (row.event_number, row.event, row.handset) == (21, "ready for play", 1)
    assert row.reason == "its state was given up"


def test_doubt_darkens_and_is_recorded() -> None:
    service, journal = gone_on(beginning(Ready(), doubt="the service died 3 times"), AT + S)
    assert service.play_clock.state.off is Off.FAULT
    assert service.checkpointer.off_why == "the service died 3 times"
    assert journal.rows[-1].event == "boards off: the service died 3 times"


@pytest.mark.parametrize(("events", "dark"), [((Ready(),), True), ((Ready(), NoCount()), False)])
def test_an_outage_darkens_only_a_count(events: tuple[Event, ...], dark: bool) -> None:
    service, _ = gone_on(beginning(*events, outage="away for 40 s"), AT + 40 * S)
    assert isinstance(service.play_clock.state.down.phase, Idle) is not dark
    assert (service.play_clock.state.off is Off.FAULT) is dark


def test_boards_off_by_order_keep_their_reason() -> None:
    ordered = after(Ready()).state._replace(off=Off.ORDERED)
    service, journal = gone_on(beginning(state=ordered, doubt="the service died"), AT + S)
    assert service.play_clock.state.off is Off.ORDERED
    assert journal.rows == []


def test_a_plain_start_says_nothing() -> None:
    service, journal = gone_on(RestartPlan(state_at=AT), AT)
    assert journal.rows == []
    assert isinstance(service.play_clock.state.down.phase, Idle)
