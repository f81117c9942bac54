"""A new service goes on: what was being decided is decided, rows come again, doubt is darkness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from controller.journal.recorder import Numbers, Recorder
from controller.journal.row import Dated
from controller.recovery.recovery import RestartPlan
from controller.recovery.resume import resume
from controller.recovery.snapshot_codec import PendingOrder
from controller.rules import events
from controller.rules.events import Event, Order, Role
from controller.rules.gestures import Gestures
from controller.rules.phases import Idle, Off, Phase, Running, Set
from controller.rules.play_clock import PlayClock
from controller.service.crew import CrewMember
from controller.service.service import Service
from tests.controller.fakes import EMPTY, RULES, FakeJournal, S, clock_after
from tests.controller.journal_rows import row

AT = 1_000 * S
NUMBERS = Numbers(3, 20, settled=True)


def planned(*ordered: Event, **more: Any) -> RestartPlan:
    play_clock = clock_after(*ordered, at=AT)
    usual: dict[str, Any] = {
        "state": play_clock.state,
        "state_at": AT,
        "gesture": play_clock.gesture,
        "numbers": NUMBERS,
    }
    return RestartPlan(**(usual | more))


@dataclass
class Resumed:
    """A service made as the assembly makes it, its play clock and its journal."""

    plan: RestartPlan
    now: int

    def __post_init__(self) -> None:
        now, plan = self.now, self.plan
        self.journal = FakeJournal(lambda: now, EMPTY, None)
        self.play_clock = PlayClock(RULES, None, plan.state, plan.state_at, plan.gesture)
        recorder = Recorder(self.journal, now, numbers=plan.numbers, rows=plan.rows)
        self.service = Service(
            self.play_clock,
            boards=[],
            handsets=[],
            crew={1: CrewMember("handset 1", Role.KEEPER, Gestures("twelve"))},
            recorder=recorder,
            clock=lambda: now,
            off_why=plan.off_why,
        )
        resume(self.service, self.play_clock, recorder, plan, now, setup="as set")
        recorder.hand_over()

    @property
    def phase(self) -> Phase:
        return self.play_clock.state.down.phase

    @property
    def off(self) -> Off | None:
        return self.play_clock.state.off


def pending(event: Event, handset: int | None = 1, at: int = AT + S) -> PendingOrder:
    role = Role.KEEPER if handset else Role.SERVICE
    return PendingOrder(Order(event, at, handset, role), at + 5, at + 5, 9)


def test_an_order_that_was_being_carried_out_is_decided_again_at_its_instant() -> None:
    plan = planned(events.HoldNumber(events.Number.ADMINISTRATIVE), pending=pending(events.Ready()))
    resumed = Resumed(plan, AT + 3 * S)
    phase = resumed.phase
    assert isinstance(phase, Running) and phase.expires_at == AT + 26 * S
    only, start = resumed.journal.rows
    assert (start.event, start.detail) == ("service started", "")
    assert (only.event_number, only.event, only.result) == (21, "ready for play", "running")
    assert (only.received_at, only.edge_at, only.commanded) == (AT + S + 5, AT + S, "25")
    resumed.play_clock.handle(Order(events.Undo(), AT + 4 * S, 1), AT + 4 * S)
    assert resumed.phase == Set(25)


def test_a_fault_that_was_being_carried_out_is_one_again() -> None:
    plan = planned(events.Ready(), pending=pending(events.BoardsFault("north lies"), None))
    resumed = Resumed(plan, AT + 3 * S)
    assert resumed.off is Off.FAULT
    assert resumed.service.status().boards_why == "north lies"


def test_a_gesture_goes_on_across_the_restart() -> None:
    """A double tap whose second tap was being carried out: it takes back the first."""
    play_clock = PlayClock(RULES)
    hold = events.HoldNumber(events.Number.ADMINISTRATIVE)
    play_clock.handle(Order(events.PlayEnded("incomplete_pass"), AT - 9 * S, 1), AT - 9 * S)
    before = play_clock.state.down
    play_clock.handle(Order(hold, AT, 1, gesture_at=AT), AT)
    order = Order(events.Ready(), AT + S // 2, 1, Role.KEEPER, AT, amends=True)
    plan = RestartPlan(
        state=play_clock.state,
        state_at=AT,
        gesture=play_clock.gesture,
        pending=PendingOrder(order, AT + S // 2, AT + S // 2, 9),
        numbers=NUMBERS,
    )
    resumed = Resumed(plan, AT + S)
    assert resumed.play_clock.state.history[-1].before == before or (
        resumed.play_clock.state.down == before
    )


def test_rows_come_again_then_the_order_then_the_story() -> None:
    plan = planned(
        events.HoldNumber(events.Number.ADMINISTRATIVE),
        pending=pending(events.Ready()),
        rows=(Dated(row(19), 1), Dated(row(20), 2)),
        rows_lost=2,
        story="going on: the service died and was away for 2.0 s",
    )
    resumed = Resumed(plan, AT + 3 * S)
    assert [each.event_number for each in resumed.journal.rows] == [19, 20, 21, 22, 23]
    events_after = [each.event for each in resumed.journal.rows[2:]]
    assert events_after == ["ready for play", "journal rows lost", "service started"]
    assert "2 rows" in resumed.journal.rows[3].detail
    assert {each.game for each in resumed.journal.rows[2:]} == {3}


def test_an_order_given_up_with_its_state_is_recorded_as_such() -> None:
    plan = RestartPlan(
        state_at=AT + S, numbers=NUMBERS, given_up=pending(events.Ready()), story="dropped"
    )
    resumed = Resumed(plan, AT + S)
    assert isinstance(resumed.phase, Idle)
    row = resumed.journal.rows[0]
    assert (row.event_number, row.event, row.handset) == (21, "ready for play", 1)
    assert row.reason == "its state was given up"


def test_doubt_darkens_and_is_recorded() -> None:
    resumed = Resumed(planned(events.Ready(), doubt="the service died 3 times"), AT + S)
    assert resumed.off is Off.FAULT
    assert resumed.service.status().boards_why == "the service died 3 times"
    assert resumed.journal.rows[-1].event == "boards off: the service died 3 times"


@pytest.mark.parametrize(
    ("ordered", "dark"), [((events.Ready(),), True), ((events.Ready(), events.NoCount()), False)]
)
def test_an_outage_darkens_only_a_count(ordered: tuple[Event, ...], dark: bool) -> None:
    resumed = Resumed(planned(*ordered, outage="away for 40 s"), AT + 40 * S)
    assert isinstance(resumed.phase, Idle) is not dark
    assert (resumed.off is Off.FAULT) is dark


def test_boards_off_by_order_keep_their_reason() -> None:
    ordered = clock_after(events.Ready(), at=AT).state._replace(off=Off.ORDERED)
    resumed = Resumed(planned(state=ordered, doubt="the service died"), AT + S)
    assert resumed.off is Off.ORDERED
    assert [each.event for each in resumed.journal.rows] == ["service started"]


def test_a_plain_start_tells_what_it_is_set_to_and_no_story() -> None:
    resumed = Resumed(RestartPlan(state_at=AT, numbers=NUMBERS), AT)
    (start,) = resumed.journal.rows
    assert (start.event, start.setup, start.detail) == ("service started", "as set", "")
    assert isinstance(resumed.phase, Idle)
