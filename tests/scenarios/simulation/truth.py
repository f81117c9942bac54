"""What is true of an installation: which presses count, what is owed to handsets and journal, what
must be on the lamps.

A receiver by "Handset link" of ``hardware/PROTOCOL.md`` and the truth of all
scenarios, neither of which the product shares. The one thing taken from the product is that it has
put the boards off by a fault; the judge asks whether it had cause to.
"""

from __future__ import annotations

import copy
from collections import deque
from dataclasses import dataclass
from typing import Any, NamedTuple

from controller.rules.events import BoardsFault, Event, Order, Role, ToggleBoards
from drivers.base import Key
from tests.exploration.model import Verdict
from tests.shared.frames import MS_NS, S_NS
from tests.shared.truth import CONSOLE, CREW, Truth

ANSWERS = ("none", "running", "held", "no change", "refused", "assumed", "not heard")
OLDEST_BEAT_NS, OLDEST_AGE_TICKS = 3 * S_NS, 100
ANSWERS_EACH, HELLO_EVERY_NS = 6, S_NS


class Sent(NamedTuple):
    """A frame on the air: a PRESS, or a HELLO. ``true`` when a handset of this crew made it;
    ``session`` is the one that it was made in, 0 for none."""

    handset: int
    counter: int
    keys: int
    age_ticks: int
    beat: int
    session: int
    true: bool = True
    hello: bool = False


class Arrival(NamedTuple):
    """When a frame came. ``meant_at`` is when, had the service not slept until ``now``; ``expired``
    whether it had seen the count at zero by then, which only matters when it slept."""

    meant_at: int
    now: int
    expired: bool = False


class OwedRow(NamedTuple):
    """A row that the journal must hold, with the boot's own instants."""

    received_at: int
    handset: int
    edge_at: int | None
    result: str


@dataclass
class Receiver:
    """Which frames count, in one session. ``session`` is 0 until anybody has been told."""

    session: int = 0

    def __post_init__(self) -> None:
        self._last = dict.fromkeys(CREW, 0)
        self._answers: dict[int, int] = {}
        """How often the last counter of a handset was answered."""
        self._welcomed_at: dict[int, int] = {}
        self.beats: deque[tuple[int, int]] = deque(maxlen=2000)

    def beat(self, beat: int, at: int) -> None:
        """A STATE was sent."""
        self.beats.append((beat, at))

    def judge(self, sent: Sent, at: int) -> str:
        """ "press", "presence", "again", "hello", or why it is refused."""
        number = sent.handset
        if number not in self._last:
            return "unknown handset"
        if not sent.true or not (sent.hello or sent.session == self.session != 0):
            return "bad tag"
        if sent.counter <= self._last[number]:
            same = not sent.hello and sent.counter == self._last[number]
            if not same or not 0 < self._answers[number] < ANSWERS_EACH:
                return "replayed"
            self._answers[number] += 1
            return "again"
        self._last[number], self._answers[number] = sent.counter, 0
        if sent.hello:
            return self._judge_hello(number, at)
        if not sent.keys:
            return "presence"
        self._answers[number] = 1
        if not any(
            beat == sent.beat and at - sent_at <= OLDEST_BEAT_NS for beat, sent_at in self.beats
        ):
            return "beat too old"
        return "too late" if sent.age_ticks > OLDEST_AGE_TICKS else "press"

    def _judge_hello(self, number: int, at: int) -> str:
        if at - self._welcomed_at.get(number, -HELLO_EVERY_NS) < HELLO_EVERY_NS:
            return "hello too soon"
        self._welcomed_at[number] = at
        return "hello"


class InstallationTruth(Truth):
    """The game as it truly stands. Instants are the world's; ``boot_at`` is where the present
    boot's own clock began."""

    def __init__(self, at: int) -> None:
        super().__init__(at=at)
        self.boot_at = 0
        self.receiver = Receiver()
        self.owed: list[OwedRow] = []
        """The rows that the journal must hold."""
        self.refused: list[tuple[int, int, str]] = []
        """Frames that were not taken: (at, handset, why), by the boot's clock."""
        self.runs: list[int] = []
        """How many of them had come when each process but the first began."""
        self.toggles: list[int] = []
        """When the boards were ordered off or on."""
        self.accepted = 0
        self.heard_at = at
        """When anything new and authentic was heard last."""
        self.answers: dict[tuple[int, int], int] = {}
        """What each press must be answered with, by handset and counter."""
        self._newest_session = 0
        self._owed_before = self._refused_before = 0
        """How much was owed before the present boot."""

    def checkpoint(self) -> object:
        """Everything, for a process that may be killed before it has kept what it decided."""
        kept = {id(each): copy.copy(each) for each in self._of_values()}
        return copy.deepcopy(vars(self), {id(self.rules): self.rules} | kept)

    def _of_values(self) -> list[Any]:
        """What grows all game long, and holds only what never changes."""
        beats = self.receiver.beats
        return [self.steps, self.owed, self.refused, self.toggles, self.answers, beats]

    def restore(self, saved: object) -> None:
        assert isinstance(saved, dict)
        vars(self).update(saved)

    def restarted(self) -> None:
        """Another process goes on: half a gesture is forgotten, nothing else."""
        self.runs.append(len(self.refused))
        self.forget_gestures()

    def reopened(self) -> None:
        """The receiver was opened: another session, of which nobody knows yet."""
        self.receiver = Receiver()

    def welcomed(self, session: int) -> bool:
        """Somebody is told the session; whether it may be that one."""
        if self.receiver.session:
            return session == self.receiver.session
        self.receiver.session = session
        new, self._newest_session = session > self._newest_session, session
        return new

    def power_lost(self, at: int, boot_at: int, *, closed: bool, last_row_at: int) -> None:
        """The computer starts again and knows nothing, so the boards are off unless the game had
        been ``closed`` in order. Rows of this boot that were not on the disk by ``last_row_at``
        are owed no more."""
        owed, refused = self.owed[self._owed_before :], self.refused[self._refused_before :]
        self.owed[self._owed_before :] = [row for row in owed if row.received_at <= last_row_at]
        self.refused[self._refused_before :] = [row for row in refused if row[0] <= last_row_at]
        self.forget_state(at, off=not closed)
        self.boot_at = boot_at
        self._owed_before, self._refused_before = len(self.owed), len(self.refused)

    def forget_state(self, at: int, *, off: bool) -> None:
        """No state is left to go on from, only the record: one that has an order of a handset says
        that the game has begun."""
        begun = any(row.result not in ("", "no change", "refused") for row in self.owed)
        self.forget_play(at, off=off, opening=not begun)

    def heard(self, sent: Sent, arrival: Arrival) -> str:
        """A frame came: "press", "presence", "again", "hello", or why it is refused."""
        now = arrival.now
        verdict = self.receiver.judge(sent, now)
        if verdict in ("press", "presence", "too late", "beat too old"):
            self.heard_at = now
        if verdict == "press":
            self.answers[sent.handset, sent.counter] = ANSWERS.index(self._pressed(sent, arrival))
        elif verdict not in ("presence", "again", "hello"):
            if verdict in ("beat too old", "too late"):
                self.answers[sent.handset, sent.counter] = ANSWERS.index("not heard")
            self.refused.append((now - self.boot_at, sent.handset, verdict))
        return verdict

    def _pressed(self, sent: Sent, arrival: Arrival) -> str:
        """What the crew is answered."""
        now, rows = arrival.now, len(self.owed)
        edge_at = now - sent.age_ticks * 10 * MS_NS
        answer = self.press(
            Key((sent.keys & 0xFFF).bit_length() - 1).name,
            edge_at,
            held=bool(sent.keys & 0x8000),
            handset=sent.handset,
            now=now,
            seen_at=now if arrival.expired else arrival.meant_at,
        )
        if len(self.owed) == rows:  # it asked for nothing, and is journalled as such
            boot_at = self.boot_at
            self.owed.append(OwedRow(now - boot_at, sent.handset, edge_at - boot_at, ""))
        return answer

    def typed(self, event: Event, now: int) -> None:
        """An event from the console."""
        self.order(Order(event, now, CONSOLE))

    def put_off(self, reason: str, now: int) -> None:
        """The service put the boards off by itself."""
        self.order(Order(BoardsFault(reason), now, None, Role.SERVICE))

    def order(self, order: Order, now: int | None = None, seen_at: int | None = None) -> Verdict:
        now = order.at if now is None else now
        was_off = self.clock.off
        verdict = super().order(order, now, seen_at)
        if order.handset is not None:
            received_at, edge_at = now - self.boot_at, order.at - self.boot_at
            self.owed.append(OwedRow(received_at, order.handset, edge_at, verdict.result))
        self.accepted += 1
        if isinstance(order.event, ToggleBoards) and self.clock.off is not was_off:
            self.toggles.append(now)
        return verdict
