"""The air between the handsets and the receiver, with whoever else is on it."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence

from drivers.base import Edge, Key
from drivers.handset.messages import PressFrame, encode_press
from drivers.handset.simulated import SimulatedHandset
from tests.scenarios.simulation.link import Link
from tests.scenarios.simulation.schedule import Schedule
from tests.scenarios.simulation.truth import Sent
from tests.shared.frames import BYTE_NS, MS_NS, PRESS_BYTES, STATE_BYTES, opened

_PRESS = struct.Struct(">BBIHBHB")

Deliver = Callable[[bytes, Sent, int], None]


class Air:
    """Frames take their time and are lost, late or doubled, each with its share.

    ``loss`` is that of presses, ``deafness`` that of STATE frames at each handset. ``deliver`` gets
    every frame that reaches the receiver, with what is true of it.
    """

    def __init__(
        self, handsets: Sequence[SimulatedHandset], schedule: Schedule, rng: random.Random
    ) -> None:
        self.handsets = {each.number: each for each in handsets}
        self.loss = self.deafness = self.late = self.doubled = 0.0
        self.recorded: list[tuple[bytes, Sent]] = []
        """Every frame that a handset made, lost ones too."""
        self.deliver: Deliver
        self.state_sent: Callable[[bytes, int], None]
        self.link: Link
        self._schedule, self._rng = schedule, rng
        self._wakes: dict[int, int] = {}

    def carry(self, data: bytes, ends_at: int) -> None:
        """Bytes leave the receiver's antenna."""
        if len(data) == STATE_BYTES:
            self.state_sent(opened(data[1:-1]), self._schedule.clock())
        self._schedule.at(ends_at, lambda at: self._state(data, at))

    def press(self, number: int, key: Key, edge: Edge, at: int) -> None:
        """A thumb moves a key."""
        self.handsets[number].press(key, edge, at)
        self._serve(self.handsets[number], at)

    def replay(self, at: int, newest: int) -> Sent | None:
        """Somebody plays one of the ``newest`` recorded frames again."""
        if not self.recorded:
            return None
        frame, sent = self._rng.choice(self.recorded[-newest:])
        self._fly(frame, sent, at)
        return sent

    def forge(self, at: int) -> Sent:
        """Somebody without a key makes a press up, as well as they can."""
        rng = self._rng
        victim = rng.choice(list(self.handsets.values()))
        state = victim.state
        counter = victim.counter + rng.choice((1, 2, 50))
        beat = state.beat if state else 0
        keys = 1 << rng.randrange(12)
        frame = PressFrame(victim.number, counter, keys, 0, beat, 9)
        made = encode_press(frame, victim.session, rng.randbytes(16))
        sent = Sent(victim.number, counter, keys, 0, beat, victim.session, true=False)
        self._fly(made, sent, at)
        return sent

    def _state(self, data: bytes, at: int) -> None:
        for handset in self.handsets.values():
            if not self.deafness or self._rng.random() >= self.deafness:
                handset.receive(data, at)
            self._serve(handset, at)

    def _serve(self, handset: SimulatedHandset, at: int) -> None:
        data = handset.due(at)
        for start in range(0, len(data), PRESS_BYTES):
            self._send(data[start : start + PRESS_BYTES], handset, at)
        next_at = handset.next_at
        if next_at is not None and next_at != self._wakes.get(handset.number):
            self._wakes[handset.number] = next_at
            self._schedule.at(max(next_at, at), lambda then: self._wake(handset, then))

    def _wake(self, handset: SimulatedHandset, at: int) -> None:
        if self._wakes.get(handset.number) == at:
            self._wakes.pop(handset.number)
            self._serve(handset, at)

    def _send(self, frame: bytes, handset: SimulatedHandset, at: int) -> None:
        body = opened(frame[1:-1])
        _, number, counter, keys, age, beat, _ = _PRESS.unpack_from(body)
        sent = Sent(number, counter, keys, age, beat, handset.session)
        self.recorded.append((frame, sent))
        rng = self._rng
        if self.loss and rng.random() < self.loss:
            return
        delay_ns = rng.randrange(50, 2_500) * MS_NS if self.late and rng.random() < self.late else 0
        self._fly(frame, sent, at + delay_ns)
        if self.doubled and rng.random() < self.doubled:
            self._fly(frame, sent, at + delay_ns + rng.randrange(8, 2_000) * MS_NS)

    def _fly(self, frame: bytes, sent: Sent, at: int) -> None:
        arrives_at = at + PRESS_BYTES * BYTE_NS
        self._schedule.at(arrives_at, lambda then: self.deliver(frame, sent, then))
