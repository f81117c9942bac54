"""The crew's side: who holds which handset, and what the handsets are told."""

from __future__ import annotations

from dataclasses import dataclass

from controller.rules.effects import Result
from controller.rules.events import Order, Role
from controller.rules.gestures import Gesture, Gestures
from controller.rules.phases import Boards, Stopped, name
from controller.rules.play_clock import PlayClock
from drivers.base import Answer, CrewState, CueCode, Edge, Key, PhaseCode, Press

ANSWERS = {
    Result.RUNNING: Answer.RUNNING,
    Result.HELD: Answer.HELD,
    Result.NO_CHANGE: Answer.NO_CHANGE,
    Result.REFUSED: Answer.REFUSED,
    Result.ASSUMED: Answer.ASSUMED,
}


KEY_WORDS = {
    key: key.name.removeprefix("NUMBER_").replace("_", " ").replace("TIME OUT", "TIME-OUT")
    for key in Key
}
"""Every key as it is labelled: "BOARDS OFF", "25"."""


@dataclass(slots=True)
class CrewMember:
    """One handset of the crew, or the console (handset 0)."""

    name: str
    role: Role
    gestures: Gestures

    def read(self, press: Press) -> tuple[Gesture, Order | None]:
        """What a press asks for, and the order it gives, if any."""
        held = press.edge is Edge.HELD
        gesture = self.gestures.pressed(press.key.name, held, press.edge_at)
        if gesture.event is None:
            return gesture, None
        return gesture, Order(
            gesture.event,
            press.edge_at,
            press.handset,
            self.role,
            gesture.started_at,
            gesture.amends,
        )


def crew_state(
    play_clock: PlayClock,
    lit: bool,
    fault: bool,
    now: int,
    *,
    assumed: bool = False,
    cued: tuple[CueCode | None, int] = (None, 0),
) -> CrewState:
    """What the handsets are told at ``now``, so that they can count and cue by themselves;
    ``cued`` is the newest cue that no key asked for, and its number."""
    phase = play_clock.state.down.phase
    cue, cue_number = cued
    return CrewState(
        phase=PhaseCode[name(phase)],
        numerals=play_clock.numerals(now),
        expires_at=play_clock.expires_at,
        boards_lit=lit,
        boards_off=play_clock.boards is Boards.OFF,
        fault=fault,
        assumed=assumed,
        remaining_ns=phase.remaining_ns if isinstance(phase, Stopped) else 0,
        mark_s=play_clock.mark_s,
        cue=cue,
        cue_number=cue_number,
    )
