"""The air between the handsets and the receiver, with whoever else is on it."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence

from drivers.base import Edge, Key
from drivers.handset.messages import SESSION_SIZE, PressFrame, encode_press
from drivers.handset.simulated import SimulatedHandset
from tests.scenarios.simulation.link import Link
from tests.scenarios.simulation.schedule import Schedule
from tests.scenarios.simulation.truth import Sent
from tests.shared.frames import BYTE_NS, HELLO, MS_NS, STATE, WELCOME, Unframer, framed

_PRESS = struct.Struct(">BBIHBI")
_HELLO = struct.Struct(">BBI")
_WELCOME = struct.Struct(">BBI8sI")

Deliver = Callable[[bytes, Sent, int], None]


class Air:
    """Frames take their time and are lost, late or doubled, each with its share.

    ``loss`` is that of what handsets send, ``deafness`` that of what each of them hears.
    ``deliver`` gets every frame that reaches the receiver, with what is true of it. Sessions are
    told apart by their place in ``sessions``, for they are drawn anew in each game.
    """

    def __init__(
        self, handsets: Sequence[SimulatedHandset], schedule: Schedule, rng: random.Random
    ) -> None:
        self.handsets = {each.number: each for each in handsets}
        self.loss = self.deafness = self.late = self.doubled = 0.0
        self.recorded: list[tuple[bytes, Sent]] = []
        """Every frame that a handset made, lost ones too."""
        self.sessions: list[bytes | None] = [None]
        self.deliver: Deliver
        self.state_sent: Callable[[bytes, int], None]
        self.welcome_sent: Callable[[int, int], None]
        self.link: Link
        self._schedule, self._rng = schedule, rng
        self._wakes: dict[int, int] = {}

    def begin(self, at: int) -> None:
        """The handsets are switched on."""
        for handset in self.handsets.values():
            self._serve(handset, at)

    def carry(self, data: bytes, ends_at: int) -> None:
        """Bytes leave the receiver's antenna."""
        for body in Unframer().feed(data):
            if body[0] == STATE:
                self.state_sent(body, self._schedule.clock())
            elif body[0] == WELCOME:
                session = _WELCOME.unpack_from(body)[3]
                self.welcome_sent(self._place_of(session), self._schedule.clock())
        self._schedule.at(ends_at, lambda at: self._state(data, at))

    def _place_of(self, session: bytes | None) -> int:
        if session not in self.sessions:
            self.sessions.append(session)
        return self.sessions.index(session)

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
        session = victim.session or bytes(SESSION_SIZE)
        made = encode_press(frame, session, rng.randbytes(16))
        place = self._place_of(victim.session)
        sent = Sent(victim.number, counter, keys, 0, beat, place, true=False)
        self._fly(made, sent, at)
        return sent

    def _state(self, data: bytes, at: int) -> None:
        for handset in self.handsets.values():
            if not self.deafness or self._rng.random() >= self.deafness:
                handset.receive(data, at)
            self._serve(handset, at)

    def _serve(self, handset: SimulatedHandset, at: int) -> None:
        for body in Unframer().feed(handset.due(at)):
            self._send(body, handset, at)
        next_at = handset.next_at
        if next_at is not None and next_at != self._wakes.get(handset.number):
            self._wakes[handset.number] = next_at
            self._schedule.at(max(next_at, at), lambda then: self._wake(handset, then))

    def _wake(self, handset: SimulatedHandset, at: int) -> None:
        if self._wakes.get(handset.number) == at:
            self._wakes.pop(handset.number)
            self._serve(handset, at)

    def _send(self, body: bytes, handset: SimulatedHandset, at: int) -> None:
        frame = framed(body)
        if body[0] == HELLO:
            _, number, counter = _HELLO.unpack_from(body)
            sent = Sent(number, counter, 0, 0, 0, 0, hello=True)
        else:
            _, number, counter, keys, age, beat = _PRESS.unpack_from(body)
            sent = Sent(number, counter, keys, age, beat, self._place_of(handset.session))
        self.recorded.append((frame, sent))
        rng = self._rng
        if self.loss and rng.random() < self.loss:
            return
        delay_ns = rng.randrange(50, 2_500) * MS_NS if self.late and rng.random() < self.late else 0
        self._fly(frame, sent, at + delay_ns)
        if self.doubled and rng.random() < self.doubled:
            self._fly(frame, sent, at + delay_ns + rng.randrange(8, 2_000) * MS_NS)

    def _fly(self, frame: bytes, sent: Sent, at: int) -> None:
        arrives_at = at + len(frame) * BYTE_NS
        self._schedule.at(arrives_at, lambda then: self.deliver(frame, sent, then))
