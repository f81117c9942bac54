"""What is true of an installation: which presses count, what is owed to handsets and journal, what
must be on the lamps.

A receiver by the "Rules of the controller" of ``hardware/PROTOCOL.md`` and the truth of all
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


class OwedRow(NamedTuple):
    """A row that the journal must hold, with the boot's own instants."""

    received_at: int
    handset: int
    edge_at: int | None
    result: str


@dataclass
class Receiver:
    """Which PRESS frames count, in one run of the service."""

    session: int
    last: dict[int, int]

    def __post_init__(self) -> None:
        self._answered: set[int] = set()
        self.beats: deque[tuple[int, int]] = deque(maxlen=2000)

    def beat(self, beat: int, at: int) -> None:
        """A STATE was sent."""
        self.beats.append((beat, at))

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
            beat == sent.beat and at - sent_at <= OLDEST_BEAT_NS for beat, sent_at in self.beats
        ):
            return "beat too old"
        return "too late" if sent.age_ticks > OLDEST_AGE_TICKS else "press"


class InstallationTruth(Truth):
    """The game as it truly stands. Instants are the world's; ``boot_at`` is where the present
    boot's own clock began."""

    def __init__(self, at: int) -> None:
        super().__init__(at=at)
        self.boot_at = 0
        self.receiver = Receiver(0, dict.fromkeys(CREW, 0))
        self.owed: list[OwedRow] = []
        """The rows that the journal must hold."""
        self.refused: list[tuple[int, int, str]] = []
        """Frames that were not taken: (at, handset, why), by the boot's clock."""
        self.toggles: list[int] = []
        """When the boards were ordered off or on."""
        self.accepted = 0
        self.heard_at = at
        """When anything new and authentic was heard last."""
        self.answers: dict[tuple[int, int], int] = {}
        """What each press must be answered with, by handset and counter."""
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
        """Another process goes on in another session: half a gesture is forgotten, nothing else."""
        self.receiver = Receiver(self.receiver.session + 1, self.receiver.last)
        self.forget_gestures()

    def power_lost(self, at: int, boot_at: int, *, closed: bool, last_row_at: int) -> None:
        """The computer starts again and knows nothing, so the boards are off unless the game had
        been ``closed`` in order. Rows of this boot that were not on the disk by ``last_row_at``
        are owed no more."""
        owed, refused = self.owed[self._owed_before :], self.refused[self._refused_before :]
        self.owed[self._owed_before :] = [row for row in owed if row.received_at <= last_row_at]
        self.refused[self._refused_before :] = [row for row in refused if row[0] <= last_row_at]
        self.forget_state(at, off=not closed)
        self.receiver.last = dict.fromkeys(CREW, 0)
        self.boot_at = boot_at
        self._owed_before, self._refused_before = len(self.owed), len(self.refused)

    def forget_state(self, at: int, *, off: bool) -> None:
        """No state is left to go on from, only the record: one that has an order of a handset says
        that the game has begun."""
        begun = any(row.result not in ("", "no change", "refused") for row in self.owed)
        self.forget_play(at, off=off, opening=not begun)

    def heard(self, sent: Sent, arrival: Arrival) -> str:
        """A frame came: "press", "presence", "again", or why it is refused."""
        now = arrival.now
        verdict = self.receiver.judge(sent, now)
        if verdict in ("press", "presence", "too late", "beat too old"):
            self.heard_at = now
        if verdict == "press":
            self.answers[sent.handset, sent.counter] = ANSWERS.index(self._pressed(sent, arrival))
        elif verdict not in ("presence", "again"):
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
