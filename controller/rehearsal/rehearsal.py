"""A sequence of presses, played to the play clock in virtual time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from controller.rehearsal.notation import TAP_GAP_NS, KeyPress, ScriptedPress, WordsPress
from controller.rules.effects import Decision, Effect
from controller.rules.events import Event, Order, Role
from controller.rules.gestures import MS_NS, Gestures
from controller.rules.phases import name
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RuleSet

HOLD_NS: Final = {"NUMBER_25": 800 * MS_NS}
HOLD_OTHERS_NS: Final = 1_000 * MS_NS
"""How long a key is held before its hold counts, as the handset of twelve keys reports it."""

STATES: Final = {
    "IDLE": "none",
    "SET": "held",
    "RUNNING": "running",
    "LIVE": "live",
    "STOPPED": "stopped",
    "EXPIRED": "zero",
}
"""The phases in a word each."""

CONSOLE: Final = 0
"""The handset number of the console."""


@dataclass(frozen=True, slots=True)
class Played:
    """A press and what came of it.

    ``at`` is the instant of its last tap, or when its hold counted; ``seconds`` are the numerals
    at that instant, after it acted, None for no count; ``state`` is one of :data:`STATES`.
    ``decisions`` has one for each tap that asked for something; ``reason`` says why the last
    tap asked for nothing, or which of two keys was taken. ``passed`` is what the play clock did by
    itself since the press before.
    """

    press: ScriptedPress
    at: int
    seconds: int | None
    state: str
    decisions: tuple[Decision, ...]
    reason: str
    passed: tuple[Effect, ...]

    @property
    def decision(self) -> Decision | None:
        """The last decision of the press; None where no tap asked for anything."""
        return self.decisions[-1] if self.decisions else None


def play(presses: Sequence[ScriptedPress], rules: RuleSet) -> Iterator[Played]:
    """Play ``presses``, in order, from before the first order of a game.

    A press begins at its instant, or where the one before it ended if that is later: one thumb.
    """
    clock, gestures = PlayClock(rules), Gestures("twelve")
    ended = 0
    for press in presses:
        played = _play(clock, gestures, press, max(press.at, ended))
        ended = played.at
        yield played


def _play(clock: PlayClock, gestures: Gestures, press: ScriptedPress, begins: int) -> Played:
    decisions: list[Decision] = []
    passed: list[Effect] = []
    at, reason = begins, ""
    if isinstance(press, WordsPress):
        _give(clock, Order(press.event, at, CONSOLE, Role.KEEPER), decisions, passed)
    else:
        for at, held in _edges(press, begins):
            gesture = gestures.pressed(press.key, held, at)
            reason = gesture.reason
            if gesture.event is not None:
                order = _order(gesture.event, at, gesture.started_at, gesture.amends)
                _give(clock, order, decisions, passed)
    passed += clock.pass_time(at)
    phase = clock.state.down.phase
    state = STATES[name(phase)]
    return Played(press, at, clock.numerals(at), state, tuple(decisions), reason, tuple(passed))


def _order(event: Event, at: int, gesture_at: int, amends: bool) -> Order:
    return Order(event, at, CONSOLE, Role.KEEPER, gesture_at, amends)


def _edges(press: KeyPress, begins: int) -> Iterator[tuple[int, bool]]:
    """The instants at which the key goes down, then when its hold counts."""
    for tap in range(press.taps):
        yield begins + tap * TAP_GAP_NS, False
    if press.held:
        yield begins + HOLD_NS.get(press.key, HOLD_OTHERS_NS), True


def _give(clock: PlayClock, order: Order, decisions: list[Decision], passed: list[Effect]) -> None:
    decision, effects = clock.handle(order, order.at)
    decisions.append(decision)
    passed += effects
