"""Breadth-first through everything the clock can be in under one rule set, to a fixed point.

An abstract state forgets instants and keeps what decides: the phase with its number and what
put it up, what the down was told as far as the rule set can tell it apart, what is promised of the
next play, the boards, whose press Undo would take back, and which of the timers are still open, in
the order in which they come due. What is counted over a whole game, the periods, is kept only where
the end of a period is among the presses.
From every new one every press is tried after every outcome of its timers: at once, and exactly
when each of them is due. At every press the play clock is held to the invariants, and to the model.
"""

from __future__ import annotations

import copy
import time
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.rules.effects import Decision
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
    RunNumber,
    Score,
    SetCount,
    Snap,
    Stop,
    ToggleBoards,
    Undo,
)
from controller.rules.phases import name
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RuleSet
from tests.exploration.agreement import same_answer, same_state
from tests.exploration.invariants import decide, pass_time
from tests.exploration.model import (
    LONG_BREAK,
    OVERRULED,
    SAME_DOWN,
    STOPPAGE_HOLDS,
    NaiveClock,
    NaiveRules,
    Now,
)
from tests.exploration.words import Words

S = 1_000_000_000
AT_ONCE = S // 10


class Press(NamedTuple):
    """One way to press. ``amends`` names what the same thumb pressed before, ``game_clock_s`` what
    a running game clock shows."""

    event: Event
    role: Role = Role.KEEPER
    amends: Event | None = None
    game_clock_s: int | None = None


HELD_25, HELD_40 = HoldNumber(Number.ADMINISTRATIVE), HoldNumber(Number.ROUTINE)
RUN_25, RUN_40 = RunNumber(Number.ADMINISTRATIVE), RunNumber(Number.ROUTINE)
ROUTINE = PlayEnded("routine")
LOW_S = 3
"""On the game clock: less than any count."""

COMMON = (
    *(Press(each) for each in (HELD_25, HELD_40, RUN_25, RUN_40, Ready(), Snap(), Stop())),
    *(Press(each) for each in (NoCount(), Undo(), SetCount(7), SetCount(0), ToggleBoards())),
    *(Press(each, Role.FIELD) for each in (HELD_25, Ready(), Stop(), Undo())),
    Press(Score()),
    Press(Score(), amends=HELD_25),
    Press(BoardsFault("no answer"), Role.SERVICE),
    Press(Snap(), Role.SHADOW),
    Press(PlayEnded("nonsense")),
    Press(RUN_25, amends=HELD_25),
    Press(PlayEnded("foul_defense"), amends=PlayEnded("foul")),
    Press(ROUTINE, game_clock_s=LOW_S),
    Press(Ready(), game_clock_s=LOW_S),
)
"""What is pressed under every rule set, besides its ends of play. A new type of event belongs
here, and into the table of :mod:`tests.exploration.model`."""


class Both(NamedTuple):
    """The play clock and the model, in step."""

    clock: PlayClock
    model: NaiveClock

    def copied(self) -> Both:
        return Both(copy.copy(self.clock), copy.copy(self.model))

    def pass_time(self, at: int) -> None:
        pass_time(self.clock, at)
        self.model.pass_time(at)

    def decide(self, order: Order) -> Decision:
        """Raises AssertionError where an invariant does not hold, or the two differ."""
        decided = decide(self.clock, order)
        same_answer(decided, self.model.handle(order, order.at))
        same_state(self.clock, self.model, order.at)
        return decided

    def look_ahead(self, at: int) -> None:
        """The numerals by themselves, a third of a second after the other."""
        later = copy.copy(self.model)
        for then in range(at, at + 3 * S, S // 3):
            later.pass_time(then)
            assert self.clock.numerals(then) == later.numerals(then)


FEW = (
    *(Press(each) for each in (ROUTINE, PlayEnded("foul"), PlayEnded("injury_defense"))),
    *(Press(each) for each in (HELD_25, RUN_40, Ready(), Snap(), Stop(), NoCount())),
    *(Press(each) for each in (SetCount(7), SetCount(0), ToggleBoards())),
    Press(Undo(), Role.FIELD),
    Press(BoardsFault("no answer"), Role.SERVICE),
)
"""Few enough that every instant of every timer can be gone through to the end."""
PROMISES = (
    *(Press(each) for each in (ROUTINE, Score(), PlayEnded("foul"), PlayEnded("foul_defense"))),
    *(Press(each) for each in (HELD_25, RUN_40, Ready(), Snap(), Stop(), NoCount())),
    Press(Undo(), Role.FIELD),
)
"""Tries and free kicks, and what may come in between."""
HALVES = (
    *(Press(each) for each in (ROUTINE, HELD_25, Ready(), Snap(), NoCount())),
    *(Press(each) for each in (NoCount(period_over=True), PlayEnded("overtime_series"))),
    Press(Undo()),
)
"""The periods of a game. Nothing but these counts them."""


def presses(words: Words, whole: bool) -> list[Press]:
    """Every press under a rule set: one end of play of each class, and one with each fact.

    Unless ``whole``, only the first class of each row, number and start.
    """
    ends: dict[object, PlayEnded] = {}
    for event in (each[0] for each in words.classes(0)):
        ends.setdefault(event if whole else words.outcome(event), event)
    told: dict[str, PlayEnded] = {}
    for event in (each for each in words.events(1) if each.facts):
        [fact] = event.facts
        if fact == "cancelled":  # it takes back what was named before
            told.setdefault(fact, PlayEnded("foul", event.facts))
        elif (event.ending, fact) in words.rules.with_fact:
            told.setdefault(fact, event)
    return [*map(Press, [*ends.values(), *told.values()]), *COMMON]


@dataclass
class Explorer:
    """Explores from the first state to ``depth`` presses, or until nothing is new."""

    rules: RuleSet
    whole: bool = False
    hurried: bool = False
    """Whether presses follow each other at once too, and not only when nobody is hurried: 2 s."""
    depth: int = 1_000
    most: int = 1_000_000
    """At most so many states are gone on from."""
    presses: Sequence[Press] = ()
    """What is pressed; by default every press under the rule set."""
    states: int = 0
    transitions: int = 0
    level: int = 0
    """The longest path gone on from."""
    finished: bool = True
    """Nothing new was left."""
    took_s: float = 0.0
    cells: Counter[tuple[str, str, str]] = field(default_factory=Counter)

    def run(self) -> Explorer:
        began = time.perf_counter()
        self.words = Words(self.rules)
        self.presses = self.presses or presses(self.words, self.whole)
        start = Both(PlayClock(self.rules), NaiveClock(NaiveRules.of_rule_set(self.rules)))
        self.halves = any(each.event == NoCount(period_over=True) for each in self.presses)
        seen = {self.key(start, 0)}
        queue = deque([(start, 0, 0)])
        gone_on = 0
        while queue:
            both, now, level = queue.popleft()
            if level == self.depth or gone_on == self.most:
                self.finished = False
                break
            gone_on += 1
            self.level = level + 1
            for after, at in self.steps(both, now):
                key = self.key(after, at)
                if key not in seen:
                    seen.add(key)
                    after.look_ahead(at)
                    queue.append((after, at, level + 1))
        self.states = len(seen)
        self.took_s = time.perf_counter() - began
        return self

    def steps(self, both: Both, now: int) -> Iterator[tuple[Both, int]]:
        first = now + (AT_ONCE if self.hurried else 2 * S)
        for at in (first, *(at for at, _ in timers(both, now) if at > first)):
            before = both.copied()
            before.pass_time(at)
            for press in self.presses:
                order = as_order(press, before.clock, at)
                if order is None:
                    continue
                after = before.copied()
                decided = after.decide(order)
                self.transitions += 1
                self.cells[
                    decided.phase_before, type(order.event).__name__, decided.result.value
                ] += 1
                yield after, at

    def key(self, both: Both, now: int) -> object:
        """The abstract state. What the play clock keeps of a game is read off the model, which is
        in step with it."""
        clock, model = both
        state, down = clock.state, model.now
        count: object = None
        if down.phase in ("RUNNING", "SET"):
            count = (down.seconds, down.by)
        top = state.history[-1] if state.history else None
        undoes = top and (top.order.role, name(top.before.phase) if self.whole else None)
        first = now if self.hurried else now + 2 * S
        open_ = tuple(what for _, what in timers(both, first) if what not in AT_ITS_INSTANT)
        last = state.last.event if state.last and "same press" in open_ else None
        gesture = clock.gesture if clock.gesture and "field stands" in open_ else None
        giver = gesture and (
            gesture.order.role,
            gesture.order.event,
            name(gesture.before.down.phase),
        )
        told = self.words.at_a_glance(down.named)
        stopped = down.stoppage is not None
        chop = self.found(down.readied) if down.readied and "chop" in open_ else None
        game = (self.promised(model, down), down.overtime, down.opening, chop)
        over = (down.by if down.phase == "IDLE" else "", down.between, min(down.periods, 5))
        halves = over if self.halves else None
        here = (down.phase, count, told, stopped, state.off)
        return (*here, *game, halves, undoes, open_, last, giver)

    def found(self, down: Now) -> object:
        """What a ready found."""
        return (self.words.at_a_glance(down.named), down.promised, down.playing)

    @staticmethod
    def promised(model: NaiveClock, down: Now) -> object:
        return (down.promised, down.playing, model.next_play())


AT_ITS_INSTANT = ("overruled", "long break", "nudge")
"""Timers that decide at most one press. They are tried when they are due, and make no state of
their own."""


def as_order(press: Press, clock: PlayClock, at: int) -> Order | None:
    """The order of a press; None for a second tap with no first one lately."""
    handset = None if press.role is Role.SERVICE else 1 if press.role is Role.KEEPER else 2
    if press.amends is None:
        return Order(press.event, at, handset, press.role, at, game_clock_s=press.game_clock_s)
    first = clock.gesture.order if clock.gesture else None
    if first is None or (first.event, first.role) != (press.amends, press.role):
        return None
    if at - first.at > 6 * S // 10:  # the longest gap between the taps of one gesture
        return None
    return Order(press.event, at, handset, press.role, first.gesture_at, amends=True)


def timers(both: Both, now: int) -> list[tuple[int, str]]:
    """The timers still open at ``now``: when each is due, and which it is."""
    clock, model = both
    state, settings, down = clock.state, clock.settings, model.now
    found = []
    if down.phase == "RUNNING":
        found.append((down.expires, "zero"))
        if down.by == "dead ball":
            found.append((down.started + SAME_DOWN, "same down"))
            found.append((down.started + STOPPAGE_HOLDS, "same play"))
        if down.by == "ready" and down.readied and down.readied.named:
            found.append((down.started + SAME_DOWN, "chop"))
    if down.phase == "SET" and down.by == "assumed":
        found.append((down.started + OVERRULED, "overruled"))
        found.append((down.started + STOPPAGE_HOLDS, "assumed holds"))
    if down.phase == "LIVE":
        found.append((down.started + model.nudge, "nudge"))
    if down.phase == "IDLE" and down.by in ("no count", "period over"):
        found.append((down.started + LONG_BREAK, "long break"))
    if down.stoppage is not None:
        found.append((down.stoppage + int(settings.stoppage_holds_s * S), "stoppage holds"))
    if state.last is not None:
        found.append((state.last.at + int(settings.same_press_s * S), "same press"))
    if clock.gesture is not None:
        found.append((clock.gesture.order.at + int(settings.field_stands_s * S), "field stands"))
    return sorted((at, what) for at, what in found if at > now)
