"""What tests of the rules order most."""

from __future__ import annotations

from controller.rules import events

DEAD_BALL = events.PlayEnded("routine")
READY = events.Ready()
SNAP = events.Snap()
STOP = events.Stop()
HOLD_25 = events.HoldNumber(events.Number.ADMINISTRATIVE)
HOLD_40 = events.HoldNumber(events.Number.ROUTINE)
RUN_25 = events.RunNumber(events.Number.ADMINISTRATIVE)
RUN_40 = events.RunNumber(events.Number.ROUTINE)


def ending(name: str, *facts: str) -> events.PlayEnded:
    return events.PlayEnded(name, frozenset(facts))
