"""Before a service starts: finish what the one before it could not, and darken what is doubtful."""

from __future__ import annotations

from typing import Protocol

from controller.journal.recorder import Recorder
from controller.recovery.recovery import RestartPlan
from controller.rules.events import BoardsFault, Order, Role, plain
from controller.rules.phases import Idle
from controller.rules.play_clock import PlayClock


class Resumed(Protocol):
    """The service, as its restart sees it."""

    def decide_again(
        self, order: Order, decided_at: int, received_at: int, wall_ns: int | None = None
    ) -> None: ...


def resume(
    service: Resumed,
    play_clock: PlayClock,
    recorder: Recorder,
    plan: RestartPlan,
    now: int,
    *,
    setup: str = "",
) -> None:
    """Have ``service``, which was made of these and from ``plan``, go on at ``now``; ``setup`` is
    what its start row says of rules and settings."""
    pending, lost = plan.pending, plan.given_up
    if pending is not None:  # its frame may be on the boards
        service.decide_again(
            pending.order, pending.decided_at, pending.received_at, pending.wall_ns
        )
    if lost is not None:
        rules = play_clock.rules
        words = plain(lost.order.event, rules.routine_s, rules.administrative_s)
        reason, handset = "its state was given up", lost.order.handset
        recorder.note("note", lost.received_at, words, reason=reason, handset=handset)
    if plan.rows_lost:
        detail = f"{plan.rows_lost} rows were neither on disk nor in the snapshot"
        recorder.note("fault", now, "journal rows lost", detail=detail)
    recorder.note("note", now, "service started", detail=plan.story, setup=setup)
    counting = not isinstance(play_clock.state.down.phase, Idle)
    why = plan.doubt or (plan.outage if counting else "")
    if why and play_clock.state.off is None:
        order = Order(BoardsFault(why), now, handset=None, role=Role.SERVICE)
        service.decide_again(order, now, now)
