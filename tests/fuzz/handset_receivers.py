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
from tests.fuzz import steps
from tests.fuzz.frames import BROADCAST_KEY, HANDSET_KEY, SESSION, bodies, framed
from tests.fuzz.guided import Target
from tests.shared import frames as independent
from tests.shared.virtual_time import VirtualClock

MS = 1_000_000
S = 1_000 * MS


class ReceiverModel:
    """The rules by which the controller accepts a PRESS: ``presses`` are those it had to take."""

    def __init__(self, keys: dict[int, bytes]) -> None:
        self.presses: list[tuple[int, int, int, int]] = []
        self.beats: dict[int, int] = {}
        self._keys = keys
        self._last = dict.fromkeys(keys, 0)
        self._unframer = independent.Unframer()

    def hear(self, data: bytes, at: int) -> None:
        for body in self._unframer.feed(data):
            if body[0] == independent.PRESS and len(body) == 20 and body[1] in self._keys:
                self._take(body[1], body[:12], body[12:], at)

    def _take(self, handset: int, said: bytes, tag: bytes, at: int) -> None:
        session = SESSION.to_bytes(4, "big")
        counter, keys = int.from_bytes(said[2:6], "big"), int.from_bytes(said[6:8], "big")
        age, beat = said[8], int.from_bytes(said[9:11], "big")
        right = tag == independent.tag(self._keys[handset], session + said)
        if not right or counter <= self._last[handset]:
            return
        self._last[handset] = counter
        one_key = (keys & 0x7FFF) in independent.KEY_BITS.values()
        fresh = beat in self.beats and at - self.beats[beat] <= 3 * S
        if one_key and fresh and age <= 100:
            self.presses.append((handset, counter, keys, at - age * 10 * MS))


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
        port, crew, model = steps.StubPort(), Crew(), ReceiverModel(keys)
        driver = radio.RadioHandsets("receiver", port, Keys(BROADCAST_KEY, keys), SESSION, clock)
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
                keys_pressed = int.from_bytes(what[2:4], "big")
                press = independent.Press(what[0] % 3, what[1], keys_pressed, what[5], beat)
                key = keys.get(what[0] % 3, BROADCAST_KEY)
                wire = independent.make_press(press, key, SESSION)
            elif kind in (steps.RAW, steps.FRAMED):
                wire = steps.wire_of(kind, what)
            model.hear(wire, clock())
            driver.bytes_received(wire, clock())
            for frame in port.written:
                state = independent.read_state(independent.opened(frame[1:-1]), BROADCAST_KEY)
                model.beats[state.beat] = clock()
            port.written.clear()
            assert crew.presses == model.presses
            assert not task.done(), task.exception()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    steps.in_virtual_time(story)


def check_handset(data: bytes, _: Path) -> None:
    """A handset believes only a STATE with the key, and no older one after a newer."""
    at = 1
    handset = simulated_handset.SimulatedHandset(1, HANDSET_KEY, BROADCAST_KEY)
    unframer = independent.Unframer()
    for kind, what in steps.steps(data):
        wire, before = steps.wire_of(kind, what), handset.state
        if kind == steps.PAUSE:
            at, wire = at + steps.pause_ns(what), b""
        elif kind == steps.ACT:
            handset.press(Key(what[0] % 12 if what else 0), Edge.DOWN, at)
            wire = b""
        elif kind == steps.TRUE:
            said = bytes([independent.STATE]) + what[:15].ljust(15, b"\0")
            wire = independent.framed(said + independent.tag(BROADCAST_KEY, said))
        bodies_heard = unframer.feed(wire)
        handset.receive(wire, at)
        sent = handset.due(at)
        if handset.state is not before:
            heard = handset.state
            assert heard is not None
            assert any(is_state(body, heard.session, heard.beat) for body in bodies_heard)
            assert before is None or heard.session >= before.session
        assert not sent or sent[0] == sent[-1] == 0
        assert handset.next_at is None or handset.next_at > at
    assert handset.numerals(at) is None or 0 <= (handset.numerals(at) or 0) <= 99


def is_state(body: bytes, session: int, beat: int) -> bool:
    """Whether a body is a STATE with the key and of this session and beat."""
    try:
        state = independent.read_state(body, BROADCAST_KEY)
    except (independent.BadFrameError, IndexError):
        return False
    return (state.session, state.beat) == (session, beat)


_TELLS = (
    steps.step(steps.ACT, b"\x28")
    + steps.step(steps.PAUSE, b"\x03\xe8")
    + steps.step(steps.ACT, b"\x27")
)
_PRESS = steps.step(steps.TRUE, bytes([1, 1, 0, 1, 0, 0])) + steps.step(
    steps.TRUE, bytes([2, 5, 0x84, 0, 1, 3])
)
_STATES = b"".join(steps.step(steps.TRUE, said[1:16]) for said in bodies("state"))

TARGETS = (
    Target(
        "receiver",
        check_receiver,
        (radio,),
        (
            _TELLS + _PRESS,
            _PRESS,
            _TELLS + framed("press") + steps.step(steps.PAUSE, b"\x0b\xb9") + _PRESS,
        ),
    ),
    Target(
        "handset",
        check_handset,
        (simulated_handset, cues),
        (
            _STATES + steps.step(steps.ACT, b"\1"),
            framed("state"),
            _STATES + steps.step(steps.PAUSE, b"\x13\x88") + _STATES,
        ),
    ),
)
