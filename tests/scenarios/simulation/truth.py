"""What is true: which presses count, what they make of the play clock, what must be on the lamps.

A receiver by the "Rules of the controller" of ``hardware/PROTOCOL.md``, thumbs, and the naive model
of the rules, none of which the product shares. The one thing taken from the product is that it has
put the boards off by a fault; the judge asks whether it had cause to.
"""

from __future__ import annotations

import copy
from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from controller.rules.events import BoardsFault, Event, Order, Role, ToggleBoards
from drivers.base import Key
from tests.exploration.model import NaiveClock, NaiveRules
from tests.scenarios.simulation.thumbs import Thumb
from tests.scenarios.simulation.world import MS, S

ANSWERS = ("none", "running", "held", "no change", "refused", "assumed", "not heard")
OLDEST_BEAT_NS, OLDEST_AGE_TICKS = 3 * S, 100


class Sent(NamedTuple):
    """A PRESS frame on the air. ``true`` when a handset of this crew made it; ``session`` is the
    one that it was made in."""

    handset: int
    counter: int
    keys: int
    age_ticks: int
    beat: int
    session: int
    true: bool = True


class Arrival(NamedTuple):
    """When a frame came. ``meant_at`` is when, had the service not slept until ``now``; ``expired``
    whether it had seen the count at zero by then, which only matters when it slept."""

    meant_at: int
    now: int
    expired: bool = False


class Due(NamedTuple):
    """A row that the journal must hold, with the boot's own instants."""

    received_at: int
    handset: int
    edge_at: int | None
    result: str


class Step(NamedTuple):
    """From ``at`` on the count shows ``numeral`` (None for no count); ``off`` the boards are off,
    whatever the count."""

    at: int
    numeral: int | None
    off: bool


@dataclass
class Receiver:
    """Which PRESS frames count, in one run of the service."""

    session: int
    last: dict[int, int]

    def __post_init__(self) -> None:
        self._answered: set[int] = set()
        self._beats: deque[tuple[int, int]] = deque(maxlen=2000)

    def beat(self, beat: int, at: int) -> None:
        """A STATE was sent."""
        self._beats.append((beat, at))

    def judge(self, sent: Sent, at: int) -> str:
        """ "press", "presence", "again", or why it is refused."""
        if sent.handset not in self.last:
            return "unknown handset"
        if not sent.true or sent.session != self.session:
            return "bad tag"
        if sent.counter <= self.last[sent.handset]:
            same = sent.counter == self.last[sent.handset] and sent.handset in self._answered
            return "again" if same else "counter not above the last"
        self.last[sent.handset] = sent.counter
        self._answered.discard(sent.handset)
        if not sent.keys:
            return "presence"
        self._answered.add(sent.handset)
        if not any(
            beat == sent.beat and at - sent_at <= OLDEST_BEAT_NS for beat, sent_at in self._beats
        ):
            return "beat too old"
        return "too late" if sent.age_ticks > OLDEST_AGE_TICKS else "press"


class Truth:
    """The game as it truly stands. Instants are the world's; ``boot_at`` is where the present
    boot's own clock began."""

    def __init__(self, rules_text: str, crew: dict[int, tuple[Role, str]], at: int) -> None:
        self._rules = NaiveRules.read(rules_text)
        self.crew = crew
        self.boot_at = 0
        self.clock = NaiveClock(self._rules)
        self.receiver = Receiver(0, dict.fromkeys(crew, 0))
        self.steps = [Step(at, None, False)]
        self.due: list[Due] = []
        self.refused: list[tuple[int, int, str]] = []
        """Frames that were not taken: (at, handset, why), by the boot's clock."""
        self.toggles: list[int] = []
        """When the boards were ordered off or on."""
        self.accepted = 0
        self.heard_at = at
        """When anything new and authentic was heard last."""
        self._due_before = self._refused_before = 0
        """How much was owed before the present boot."""
        self.answers: dict[tuple[int, int], int] = {}
        """What each press must be answered with, by handset and counter."""
        self._drawn_at = at
        self._thumbs = {n: Thumb(layout) for n, (_, layout) in crew.items()}

    def checkpoint(self) -> object:
        """Everything, for a process that may be killed before it has kept what it decided."""
        return copy.deepcopy(self.__dict__ | {"_rules": None})

    def restore(self, saved: object) -> None:
        assert isinstance(saved, dict)
        self.__dict__.update(saved | {"_rules": self._rules})
        self.clock.rules = self._rules

    def restarted(self) -> None:
        """Another process goes on in another session: half a gesture is forgotten, nothing else."""
        self.receiver = Receiver(self.receiver.session + 1, self.receiver.last)
        self._thumbs = {n: Thumb(layout) for n, (_, layout) in self.crew.items()}

    def power_lost(self, at: int, boot_at: int, *, closed: bool) -> None:
        """The computer starts anew: nothing is known, so the boards are off unless the game had
        been ``closed`` in order."""
        self.begun_anew(at, off=not closed)
        self.receiver.last = dict.fromkeys(self.crew, 0)
        self.boot_at = boot_at
        self._due_before, self._refused_before = len(self.due), len(self.refused)

    def begun_anew(self, at: int, *, off: bool) -> None:
        """All that was known of the play is given up."""
        self.draw(at)
        self.clock = NaiveClock(self._rules)
        self.clock.off = off
        self._step(at)

    def lost_with_power(self, last_at: int) -> None:
        """Of what the journal owes of this boot, only rows up to ``last_at`` had reached the disk;
        the others are owed no more."""
        due, refused = self.due[self._due_before :], self.refused[self._refused_before :]
        self.due[self._due_before :] = [row for row in due if row.received_at <= last_at]
        self.refused[self._refused_before :] = [row for row in refused if row[0] <= last_at]

    def heard(self, sent: Sent, arrival: Arrival) -> str:
        """A frame came: "press", "presence", "again", or why it is refused."""
        now = arrival.now
        verdict = self.receiver.judge(sent, now)
        if verdict in ("press", "presence", "too late", "beat too old"):
            self.heard_at = now
        if verdict == "press":
            edge_at = now - sent.age_ticks * 10 * MS
            key = Key((sent.keys & 0xFFF).bit_length() - 1).name
            held = bool(sent.keys & 0x8000)
            answer = self._pressed(sent.handset, key, held, edge_at, arrival)
            self.answers[sent.handset, sent.counter] = ANSWERS.index(answer)
        elif verdict not in ("presence", "again"):
            if verdict in ("beat too old", "too late"):
                self.answers[sent.handset, sent.counter] = ANSWERS.index("not heard")
            self.refused.append((now - self.boot_at, sent.handset, verdict))
        return verdict

    def typed(self, event: Event, now: int) -> None:
        """An event from the console."""
        role, _ = self.crew[0]
        self._ordered(Order(event, now, 0, role), Arrival(now, now))

    def put_off(self, reason: str, now: int) -> None:
        """The service put the boards off by itself."""
        self._ordered(Order(BoardsFault(reason), now, None, Role.SERVICE), Arrival(now, now))

    def draw(self, now: int) -> None:
        """Write down what the lamps had to show up to ``now``."""
        state = self.clock.now
        if state.phase == "RUNNING":
            left = (state.expires - self._drawn_at - 1) // S  # the changes that are still to come
            for shown in range(min(left, state.seconds - 1), -1, -1):
                at = state.expires - shown * S
                if self._drawn_at < at <= now:
                    self.steps.append(Step(at, shown, self.clock.off))
        self._drawn_at = max(self._drawn_at, now)

    def _pressed(self, handset: int, key: str, held: bool, edge_at: int, arrival: Arrival) -> str:
        """What the crew is answered."""
        role, _ = self.crew[handset]
        asked = self._thumbs[handset].moves(key, held, edge_at)
        if asked.event is None:
            self.due.append(Due(arrival.now - self.boot_at, handset, None, ""))
            return "assumed" if asked.two_keys else "no change"
        order = Order(asked.event, edge_at, handset, role, asked.since_at, asked.instead)
        result = self._ordered(order, arrival)
        changed = result not in ("no change", "refused")
        return "assumed" if asked.two_keys and changed else result

    def _ordered(self, order: Order, arrival: Arrival) -> str:
        now = arrival.now
        self.draw(now)
        clock = self.clock
        clock.pass_time(now if arrival.expired else min(arrival.meant_at, now))
        clock.pass_time(order.at)
        was_off = clock.off
        verdict = clock.handle(order, now)
        clock.pass_time(now)
        if order.handset is not None:
            edge_at = order.at - self.boot_at
            self.due.append(Due(now - self.boot_at, order.handset, edge_at, verdict.result))
        self.accepted += 1
        if isinstance(order.event, ToggleBoards) and clock.off is not was_off:
            self.toggles.append(now)
        self._step(now)
        return verdict.result

    def _step(self, now: int) -> None:
        new = Step(now, self.clock.numerals(now), self.clock.off)
        if new[1:] != self.steps[-1][1:]:
            self.steps.append(new)
