"""Fuzz targets: the receive paths of the handset link, with a model beside the receiver.

The model knows ``hardware/PROTOCOL.md`` alone (``tests.shared.frames``): the driver must take
exactly the presses that it takes, with the same instants.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

from drivers.base import Answer, CrewState, Edge, Key, PhaseCode, Press, Rejection
from drivers.handset import cues, radio
from drivers.handset import simulated as simulated_handset
from drivers.handset.keys import Keys
from drivers.handset.messages import StateFrame
from tests.fuzz import steps
from tests.fuzz.frames import (
    BROADCAST_KEY,
    HANDSET_KEY,
    OTHER_SESSION,
    SESSION,
    bodies,
    framed,
)
from tests.fuzz.guided import Target
from tests.shared import frames as independent
from tests.shared.virtual_time import VirtualClock

MS = 1_000_000
S = 1_000 * MS


class ReceiverModel:
    """The rules by which the controller accepts PRESS and HELLO: ``presses`` are those it had to
    take, ``welcomes`` how often it had to welcome."""

    def __init__(self, keys: dict[int, bytes]) -> None:
        self.presses: list[tuple[int, int, int, int]] = []
        self.beats: dict[int, int] = {}
        self.welcomes = 0
        self._keys = keys
        self._last = dict.fromkeys(keys, 0)
        self._welcomed_at = dict.fromkeys(keys, -S)
        self._unframer = independent.Unframer()

    def hear(self, data: bytes, at: int) -> None:
        for body in self._unframer.feed(data):
            if body[0] == independent.PRESS and len(body) == 23 and body[1] in self._keys:
                self._take(body[1], body[:15], body[15:], at)
            elif body[0] == independent.HELLO and len(body) == 16 and body[1] in self._keys:
                self._greet(body[1], body[:8], body[8:], at)

    def _is_new(self, handset: int, said: bytes, tag: bytes, session: bytes) -> bool:
        counter = int.from_bytes(said[2:6], "big")
        right = tag == independent.tag(self._keys[handset], said + session)
        new = right and counter > self._last[handset]
        if new:
            self._last[handset] = counter
        return new

    def _take(self, handset: int, said: bytes, tag: bytes, at: int) -> None:
        if not self._is_new(handset, said, tag, SESSION):
            return
        counter, keys = int.from_bytes(said[2:6], "big"), int.from_bytes(said[6:8], "big")
        age, beat = said[8], int.from_bytes(said[9:13], "big")
        one_key = (keys & 0x7FFF) in independent.KEY_BITS.values()
        fresh = beat in self.beats and at - self.beats[beat] <= 3 * S
        if one_key and fresh and age <= 100:
            self.presses.append((handset, counter, keys, at - age * 10 * MS))

    def _greet(self, handset: int, said: bytes, tag: bytes, at: int) -> None:
        if said[6] not in (4, 12) or not self._is_new(handset, said, tag, b""):
            return
        if at - self._welcomed_at[handset] >= S:
            self._welcomed_at[handset] = at
            self.welcomes += 1


class Crew:
    """Takes presses and keeps them as the model spells them."""

    def __init__(self) -> None:
        self.presses: list[tuple[int, int, int, int]] = []
        self.heard = self.rejected = 0

    def key_pressed(self, press: Press) -> Answer:
        keys = 1 << press.key | (0x8000 if press.edge is Edge.HELD else 0)
        self.presses.append((press.handset, press.counter, keys, press.edge_at))
        return Answer.RUNNING

    def handset_heard(
        self, handset: int, at: int, battery_hours: int | None, margin_db: int | None
    ) -> None:
        self.heard += 1

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        self.rejected += 1


def told(numerals: int | None = 40) -> CrewState:
    """What a crew is told while a count stands."""
    return CrewState(PhaseCode.SET, numerals, None, boards_lit=True, boards_off=False, fault=False)


def check_receiver(data: bytes, _: Path) -> None:
    """The receiver takes exactly the presses that the model takes."""
    keys = {1: HANDSET_KEY, 2: bytes(range(1, 17))}

    async def story(clock: VirtualClock) -> None:
        welcomes = 0
        port, crew, model = steps.StubPort(), Crew(), ReceiverModel(keys)
        both = Keys(BROADCAST_KEY, keys)
        driver = radio.RadioHandsets("receiver", port, both, clock, lambda _: SESSION)
        task = asyncio.create_task(driver.run(crew))
        await asyncio.sleep(0)
        for kind, what in steps.steps(data):
            wire = b""
            if kind == steps.PAUSE:
                await asyncio.sleep(steps.pause_ns(what) / S)
            elif kind == steps.ACT:
                driver.tell(told(what[0] % 100 if what else None))
            elif kind == steps.TRUE and len(what) >= 6:
                beat = (len(model.beats) - what[4] % 8) % 65536
                number, counter, key = what[0] % 3, what[1], keys.get(what[0] % 3, BROADCAST_KEY)
                if what[0] & 0x80:
                    wire = independent.make_hello(number, counter, key, what[2] & 12)
                else:
                    keys_pressed = int.from_bytes(what[2:4], "big")
                    press = independent.Press(number, counter, keys_pressed, what[5], beat)
                    wire = independent.make_press(press, key, SESSION)
            elif kind in (steps.RAW, steps.FRAMED):
                wire = steps.wire_of(kind, what)
            model.hear(wire, clock())
            driver.bytes_received(wire, clock())
            welcomes += heard_of(port, model, clock())
            assert (crew.presses, welcomes) == (model.presses, model.welcomes)
            assert not task.done(), task.exception()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    steps.in_virtual_time(story)


def heard_of(port: steps.StubPort, model: ReceiverModel, at: int) -> int:
    """Let the model hear what the driver has sent; gives how many WELCOMEs were among it."""
    sent = independent.Unframer().feed(b"".join(port.written))
    port.written.clear()
    for body in sent:
        if body[0] == independent.STATE:
            model.beats[independent.read_state(body, BROADCAST_KEY, SESSION).beat] = at
    return sum(body[0] == independent.WELCOME for body in sent)


def check_handset(data: bytes, _: Path) -> None:
    """A handset believes only a STATE of its session with the key, and none that is not newer; and
    a session only from a WELCOME that names its own counter."""
    at = 1
    handset = simulated_handset.SimulatedHandset(1, HANDSET_KEY, BROADCAST_KEY)
    handset.session = SESSION
    unframer = independent.Unframer()
    for kind, what in steps.steps(data):
        wire, before, session, beat = _wire(kind, what, handset), *_known(handset)
        if kind == steps.PAUSE:
            at += steps.pause_ns(what)
        elif kind == steps.ACT:
            handset.press(Key(what[0] % 12 if what else 0), Edge.DOWN, at)
        bodies_heard = unframer.feed(wire)
        handset.receive(wire, at)
        welcomed = [body for body in bodies_heard if body[0] == independent.WELCOME]
        if handset.session != session:
            assert any(names(body, handset) for body in welcomed)
        if handset.state is not before:
            assert handset.state is not None and handset.session is not None
            heard_beat = handset.state.beat
            assert any(is_state(body, handset.session, heard_beat) for body in bodies_heard)
            assert welcomed or heard_beat > beat
        sent = handset.due(at)
        assert not sent or sent[0] == sent[-1] == 0
        assert handset.next_at is None or handset.next_at > at
    assert handset.numerals(at) is None or 0 <= (handset.numerals(at) or 0) <= 99


def _known(
    handset: simulated_handset.SimulatedHandset,
) -> tuple[StateFrame | None, bytes | None, int]:
    return handset.state, handset.session, handset.beat


def _wire(kind: int, what: bytes, handset: simulated_handset.SimulatedHandset) -> bytes:
    """What comes to the handset in a step. A true WELCOME names one of its last counters."""
    if kind in (steps.PAUSE, steps.ACT):
        return b""
    if kind != steps.TRUE:
        return steps.wire_of(kind, what)
    if len(what) == 4:
        counter = max(0, handset.counter - what[0] % 3)
        said = bytes([independent.WELCOME, 1]) + counter.to_bytes(4, "big")
        said += (OTHER_SESSION if what[1] & 1 else SESSION) + bytes(2) + what[2:4]
        return independent.framed(said + independent.tag(HANDSET_KEY, said))
    said = bytes([independent.STATE]) + what[:15].ljust(15, b"\0")
    return independent.framed(said + independent.tag(BROADCAST_KEY, said + SESSION))


def names(body: bytes, handset: simulated_handset.SimulatedHandset) -> bool:
    """Whether a body is a WELCOME to its session, of a counter that it has used."""
    try:
        welcome = independent.read_welcome(body, HANDSET_KEY)
    except independent.BadFrameError:
        return False
    return welcome.session == handset.session and 0 < welcome.counter <= handset.counter


def is_state(body: bytes, session: bytes, beat: int) -> bool:
    """Whether a body is a STATE with the key and of this session and beat."""
    try:
        return independent.read_state(body, BROADCAST_KEY, session).beat == beat
    except (independent.BadFrameError, IndexError):
        return False


_TELLS = (
    steps.step(steps.ACT, b"\x28")
    + steps.step(steps.PAUSE, b"\x03\xe8")
    + steps.step(steps.ACT, b"\x27")
)
_PRESS = steps.step(steps.TRUE, bytes([1, 1, 0, 1, 0, 0])) + steps.step(
    steps.TRUE, bytes([2, 5, 0x84, 0, 1, 3])
)
_HELLO = steps.step(steps.TRUE, bytes([0x81, 9, 12, 0, 0, 0]))
_STATES = b"".join(steps.step(steps.TRUE, said[1:16]) for said in bodies("state"))
_WELCOME = steps.step(steps.PAUSE, b"\1\0") + steps.step(steps.TRUE, bytes([0, 1, 0, 9]))

TARGETS = (
    Target(
        "receiver",
        check_receiver,
        (radio,),
        (
            _TELLS + _PRESS,
            _PRESS,
            _TELLS + _HELLO + _PRESS + _HELLO + framed("hello"),
            _TELLS + framed("press") + steps.step(steps.PAUSE, b"\x0b\xb9") + _PRESS,
        ),
    ),
    Target(
        "handset",
        check_handset,
        (simulated_handset, cues),
        (
            _STATES + steps.step(steps.ACT, b"\1"),
            framed("state") + framed("welcome"),
            _WELCOME + _STATES + _WELCOME,
            _STATES + steps.step(steps.PAUSE, b"\x13\x88") + _STATES,
        ),
    ),
)
