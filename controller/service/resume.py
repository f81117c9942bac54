"""Before a service starts: finish what the one before it could not, and darken what is doubtful."""

from __future__ import annotations

from controller.recovery.recovery import RestartPlan
from controller.rules.events import BoardsFault, Order, Role, plain
from controller.rules.phases import Idle
from controller.service.service import Service


def resume(service: Service, begun: RestartPlan, now: int) -> None:
    """Have ``service``, which was made from ``begun``, go on at ``now``."""
    if begun.carried is not None:
        _carry_on(service, begun)
    recorder = service.recorder
    if begun.given_up is not None:
        lost, rules = begun.given_up, service.play_clock.rules
        words = plain(lost.order.event, rules.routine_s, rules.administrative_s)
        reason, handset = "its state was given up", lost.order.handset
        recorder.note("note", lost.received_at, words, reason=reason, handset=handset)
    if begun.rows_lost:
        detail = f"{begun.rows_lost} rows were neither on disk nor in the snapshot"
        recorder.note("fault", now, "journal rows lost", detail=detail)
    if begun.story:
        recorder.note("note", now, "service started", detail=begun.story)
    counting = not isinstance(service.play_clock.state.down.phase, Idle)
    why = begun.doubt or (begun.outage if counting else "")
    if why and service.play_clock.state.off is None:
        service.checkpointer.off_why = why
        order = Order(BoardsFault(why), now, handset=None, role=Role.SERVICE)
        decided, effects = service.decide(order, now)
        service.write(decided, effects, now, now)


def _carry_on(service: Service, begun: RestartPlan) -> None:
    """Decide again what was decided when the service died: its frame may be on the boards."""
    carried = begun.carried
    assert carried is not None
    order, now = carried.order, carried.decided_at
    if isinstance(order.event, BoardsFault):
        service.checkpointer.off_why = order.event.reason
    decided, effects = service.decide(order, now)
    service.write(decided, effects, carried.received_at, now, carried.wall_ns)
