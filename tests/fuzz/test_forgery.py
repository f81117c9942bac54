"""The handset link without the key: forged frames, and frames recorded and sent again.

All go through the real driver over a port in memory, in virtual time. What may come in is what
``hardware/THREATS.md`` says: a press that was jammed and is played within 3 s of the STATE that its
handset heard, once; nothing else. And what may go out is bounded, whoever sends what.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections import Counter
from collections.abc import AsyncIterator, Iterator

import pytest

from drivers import framing
from drivers.base import Edge, Key
from drivers.handset.keys import Keys
from drivers.handset.radio import RadioHandsets
from drivers.handset.simulated import Air, SimulatedHandset
from drivers.port.memory_port import memory_pair
from tests.drivers.port.listeners import Ear
from tests.fuzz.frames import BROADCAST_KEY, HANDSET_KEY
from tests.fuzz.handset_receivers import Crew, told
from tests.shared import frames as independent
from tests.shared.virtual_time import VirtualClock, virtual

SESSION, OTHER_SESSION = bytes(range(0xA0, 0xA8)), bytes(range(0xB0, 0xB8))
OTHER_KEY = bytes(range(1, 17))
STRANGER = bytes(range(2, 18))
KEYS = Keys(BROADCAST_KEY, {1: HANDSET_KEY, 2: OTHER_KEY})
FULL, LONG = 100_000, 1_000_000
BATCH = 150
"""Frames a turn: what fits into the port."""


class Receiver:
    """The driver at one end of a line; ``crew`` is what it has taken, ``far`` the other end."""

    def __init__(
        self, clock: VirtualClock, session: bytes = SESSION, baud: int | None = 38_400
    ) -> None:
        near, self.far = memory_pair(clock, baud)
        self.crew = Crew()
        self.radio = RadioHandsets("receiver", near, KEYS, clock, lambda _: session)

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Serve, and tell the crew's state once a second as the service does."""
        serving = asyncio.create_task(self.radio.run(self.crew))
        telling = asyncio.create_task(self._tell())
        try:
            await asyncio.sleep(0)
            yield
            assert not serving.done(), serving.exception()
        finally:
            for task in (serving, telling):
                task.cancel()
            await asyncio.gather(serving, telling, return_exceptions=True)

    async def _tell(self) -> None:
        while True:
            self.radio.tell(told())
            await asyncio.sleep(1)


def forgeries(dice: random.Random) -> Iterator[tuple[str, bytes]]:
    """Frames that a person without the key of handset 1 can make, every kind in turn.

    The CRC is right in all of them: it is no secret. Beats and counters are the best that can be
    known: the beat is in every STATE on the air, and of counters all are tried.
    """
    while True:
        counter = dice.randrange(1, 1 << 32).to_bytes(4, "big")
        keys = 1 << dice.randrange(12) | 0x8000 * dice.randrange(2)
        said = bytes([independent.PRESS, 1]) + counter + keys.to_bytes(2, "big") + b"\0"
        said += dice.randrange(1, 400).to_bytes(4, "big") + b"\x14\xff"
        for session in (OTHER_SESSION, SESSION[::-1], bytes(8)):
            old = independent.tag(HANDSET_KEY, said + session)
            yield "tag of another session", said + old
        yield "tag without the session", said + independent.tag(HANDSET_KEY, said)
        yield from forged_tags("press", said, SESSION, dice)
        said = bytes([independent.HELLO, 1]) + counter + b"\x0c\1"
        yield from forged_tags("hello", said, b"", dice)


def forged_tags(
    what: str, said: bytes, session: bytes, dice: random.Random
) -> Iterator[tuple[str, bytes]]:
    """One message, and every tag that is not its own."""
    true = independent.tag(HANDSET_KEY, said + session)
    yield f"{what}, tag of chance", said + dice.randbytes(8)
    for name, key in (("broadcast", BROADCAST_KEY), ("2nd handset", OTHER_KEY), ("own", STRANGER)):
        yield f"{what}, tag under the {name} key", said + independent.tag(key, said + session)
    size = len(said) + len(true)
    yield f"{what}, tag cut short", (said + true)[: dice.randrange(1, size)]
    yield f"{what}, tag made longer", said + true + dice.randbytes(dice.randrange(1, 9))
    yield f"{what}, zeros for a tag", said + bytes(8)
    whole = int.from_bytes(said + true, "big")
    for flips in (1, 2, 3):
        turned = whole ^ sum(1 << bit for bit in dice.sample(range(8 * size - 8), flips))
        yield f"{what}, {flips} bits turned", turned.to_bytes(size, "big")
    yield f"{what}, handset exchanged", said[:1] + b"\2" + said[2:] + true


@pytest.mark.parametrize(
    "forged",
    [pytest.param(FULL, marks=pytest.mark.full), pytest.param(LONG, marks=pytest.mark.long)],
)
@virtual
async def test_of_many_forged_frames_none_is_taken(
    clock: VirtualClock, forged: int, capsys: pytest.CaptureFixture[str]
) -> None:
    receiver = Receiver(clock, baud=None)
    radio, crew = receiver.radio, receiver.crew
    receiver.far.open(Ear())
    made, kinds = forgeries(random.Random(1_000_000)), set[str]()
    async with receiver.running():
        for _ in range(0, forged, BATCH):
            stream = b""
            for name, body in (next(made) for _ in range(BATCH)):
                kinds.add(name)
                stream += framing.encode(body)
            assert receiver.far.write(stream) == len(stream)
            await asyncio.sleep(0.05)
        answered = crew.rejected + radio.bad_frames
        with capsys.disabled():
            print(f"\n{answered} forged frames of {len(kinds)} kinds, {len(crew.presses)} taken")
        assert forged <= answered <= forged + BATCH
        assert (crew.presses, crew.heard) == ([], 0)
        press = independent.Press(1, 1, 1, 0, radio._beat)
        receiver.far.write(independent.make_press(press, HANDSET_KEY, SESSION))
        await asyncio.sleep(0.05)
        assert len(crew.presses) == 1, "the key itself still opens"


class Field(Receiver):
    """A receiver with a handset on its air; its ``recorded`` is all that it has ever sent, ``sent``
    what the receiver has, by kind."""

    def __init__(self, clock: VirtualClock, session: bytes = SESSION) -> None:
        super().__init__(clock, session)
        self.clock = clock
        self.handset = SimulatedHandset(1, HANDSET_KEY, BROADCAST_KEY)
        self.air = Air(self.far, clock, [self.handset])
        self.sent: Counter[int] = Counter()
        near, unframer = self.radio.port, independent.Unframer()
        write = near.write

        def noted(data: bytes) -> int:
            self.sent.update(body[0] for body in unframer.feed(data))
            return write(data)

        near.write = noted  # type: ignore[method-assign]

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        async with super().running():
            air = asyncio.create_task(self.air.run())
            await asyncio.sleep(1.5)  # a STATE is heard, the handset is present
            try:
                yield
            finally:
                air.cancel()
                await asyncio.gather(air, return_exceptions=True)

    async def press(self, jammed: bool = False) -> bytes:
        """Press a key; give the frame as an eavesdropper has it."""
        self.handset.lose_sent = 99 if jammed else 0
        self.air.press(1, Key.DEAD_BALL, Edge.DOWN)
        await asyncio.sleep(0.5)
        self.handset.lose_sent = 0
        return self.handset.recorded[-1]

    async def play(self, frame: bytes) -> int:
        """Send a recorded frame; give how many presses that made."""
        before = len(self.crew.presses)
        self.far.write(frame)
        await asyncio.sleep(0.1)
        return len(self.crew.presses) - before


@virtual
async def test_a_recorded_press_played_at_once_and_ever_after_is_refused(
    clock: VirtualClock,
) -> None:
    field = Field(clock)
    async with field.running():
        first = await field.press()
        assert len(field.crew.presses) == 1
        for _ in range(20):
            assert await field.play(first) == 0
        await field.press()
        assert len(field.crew.presses) == 2
        recorded = list(field.handset.recorded)
        for wait_s in (0, 0.5, 1, 3, 60, 600):
            await asyncio.sleep(wait_s)
            for frame in recorded:
                assert await field.play(frame) == 0


@virtual
async def test_recorded_frames_are_refused_in_every_other_session(clock: VirtualClock) -> None:
    """After a restart, with a card that was wiped or restored, on a spare computer: all that is the
    same there are the keys."""
    before = Field(clock)
    async with before.running():
        for _ in range(5):
            await before.press()
        await before.press(jammed=True)
    recorded = list(before.handset.recorded)
    assert len(before.crew.presses) == 5
    after = Field(clock, OTHER_SESSION)
    after.handset.counter = before.handset.counter
    async with after.running():
        heard = after.crew.heard
        for frame in recorded:
            assert await after.play(frame) == 0
        assert after.crew.rejected == len(recorded)
        assert after.crew.heard == heard, "nor is it anybody's presence"
        await after.press()
        assert len(after.crew.presses) == 1, "the handset itself goes on"


@virtual
async def test_before_the_handset_asks_its_recorded_hellos_open_nothing(
    clock: VirtualClock,
) -> None:
    """Each is answered, to nobody: a WELCOME is believed by whoever has just asked."""
    before = Field(clock)
    async with before.running():
        before.handset.lose_heard = 1 << 30
        await asyncio.sleep(9)
        before.handset.lose_heard = 0
        await asyncio.sleep(3)
    hellos = [frame for frame in before.handset.recorded if len(frame) == 23]
    assert len(hellos) >= 4
    after = Receiver(clock, OTHER_SESSION)
    ear = Ear()
    after.far.open(ear)
    async with after.running():
        for frame in [*hellos, *hellos]:
            after.far.write(frame)
            await asyncio.sleep(1)
        assert (after.crew.presses, after.crew.heard) == ([], 0)
        assert after.crew.rejected == len(hellos), "each counter once"


@virtual
async def test_nobody_without_a_key_makes_the_controller_send(clock: VirtualClock) -> None:
    """One press is acknowledged six times, a HELLO once and one of them a second."""
    field = Field(clock)
    async with field.running():
        pressed = await field.press()
        hello = next(frame for frame in field.handset.recorded if len(frame) == 23)
        await asyncio.sleep(0.4)
        before, began_at = Counter(field.sent), clock()
        for _ in range(1000):
            field.far.write(pressed + hello)
            await asyncio.sleep(0.02)
        sent = field.sent - before
        by_itself = (clock() - began_at) // 10**9 + 1
        assert sent[independent.STATE] <= by_itself + 5
        assert sent[independent.WELCOME] == 0
        await field.press()
        assert len(field.crew.presses) == 2


@virtual
async def test_hellos_never_played_before_are_welcomed_once_a_second(clock: VirtualClock) -> None:
    """Recorded where the receiver could not hear them."""
    field = Field(clock)
    async with field.running():
        before = field.sent[independent.WELCOME]
        own = field.handset.counter
        for counter in range(own + 1, own + 101):
            field.far.write(independent.make_hello(1, counter, HANDSET_KEY))
            await asyncio.sleep(0.1)
        assert 9 <= field.sent[independent.WELCOME] - before <= 11
        field.handset.counter = own + 100
        await field.press()
        assert len(field.crew.presses) == 1


@pytest.mark.parametrize(
    ("held_back_s", "presses"), [(0.1, 1), (1.4, 1), (2.6, 0), (5, 0), (60, 0), (600, 0)]
)
@virtual
async def test_a_press_jammed_and_played_later(
    clock: VirtualClock, held_back_s: float, presses: int
) -> None:
    """``press`` takes 0.5 s, and the STATE that it names is up to a second old by then."""
    field = Field(clock)
    async with field.running():
        frame = await field.press(jammed=True)
        assert field.crew.presses == []
        await asyncio.sleep(held_back_s)
        assert await field.play(frame) == presses
        for _ in range(3):
            assert await field.play(frame) == 0, "never twice"


@virtual
async def test_a_jammed_press_is_worth_nothing_once_the_handset_was_heard_again(
    clock: VirtualClock,
) -> None:
    field = Field(clock)
    async with field.running():
        jammed = await field.press(jammed=True)
        await field.press()
        assert len(field.crew.presses) == 1
        assert await field.play(jammed) == 0
