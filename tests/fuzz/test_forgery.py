"""The handset link without the key: forged frames, and frames recorded and sent again.

All go through the real driver over a port in memory, in virtual time. What may come in is what
``hardware/THREATS.md`` says: a press that was jammed and is played within 3 s of the STATE that its
handset heard, once; nothing else.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
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

SESSION = 0x2A
OTHER_KEY = bytes(range(1, 17))
STRANGER = bytes(range(2, 18))
KEYS = Keys(BROADCAST_KEY, {1: HANDSET_KEY, 2: OTHER_KEY})
FULL, LONG = 100_000, 1_000_000
BATCH = 150
"""Frames a turn: what fits into the port."""


class Receiver:
    """The driver at one end of a line; ``crew`` is what it has taken, ``far`` the other end."""

    def __init__(
        self,
        clock: VirtualClock,
        session: int = SESSION,
        counters: dict[int, int] | None = None,
        baud: int | None = 38_400,
    ) -> None:
        near, self.far = memory_pair(clock, baud)
        self.crew = Crew()
        self.radio = RadioHandsets("receiver", near, KEYS, session, clock)
        self.radio.resume(counters or {})

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
        keys = 1 << dice.randrange(12) | 0x8000 * dice.randrange(2)
        said = bytes([0x21, 1]) + dice.randrange(1, 1 << 32).to_bytes(4, "big")
        said += (
            keys.to_bytes(2, "big") + b"\0" + dice.randrange(1, 400).to_bytes(2, "big") + b"\x14"
        )
        message = SESSION.to_bytes(4, "big") + said
        true = independent.tag(HANDSET_KEY, message)
        yield "tag of chance", said + dice.randbytes(8)
        for name, key in (
            ("broadcast", BROADCAST_KEY),
            ("2nd handset", OTHER_KEY),
            ("own", STRANGER),
        ):
            yield f"tag under the {name} key", said + independent.tag(key, message)
        for session in (SESSION - 1, SESSION + 1, SESSION << 8):
            old = session.to_bytes(4, "big") + said
            yield "tag of another session", said + independent.tag(HANDSET_KEY, old)
        yield "tag without the session", said + independent.tag(HANDSET_KEY, said)
        yield "tag cut short", (said + true)[: dice.randrange(1, 20)]
        yield "tag made longer", said + true + dice.randbytes(dice.randrange(1, 9))
        yield "zeros for a tag", said + bytes(8)
        whole = int.from_bytes(said + true, "big")
        for flips in (1, 2, 3):
            bits = dice.sample(range(160), flips)
            yield (
                f"{flips} bits turned",
                (whole ^ sum(1 << bit for bit in bits)).to_bytes(20, "big"),
            )
        yield "handset exchanged", said[:1] + b"\2" + said[2:] + true


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
        assert (crew.presses, crew.heard, radio.counters) == ([], 0, {1: 0, 2: 0})
        press = independent.Press(1, 1, 1, 0, radio._beat)
        receiver.far.write(independent.make_press(press, HANDSET_KEY, SESSION))
        await asyncio.sleep(0.05)
        assert len(crew.presses) == 1, "the key itself still opens"


class Field(Receiver):
    """A receiver with a handset on its air; ``record`` is all that the handset has ever sent."""

    def __init__(
        self, clock: VirtualClock, session: int = SESSION, counters: dict[int, int] | None = None
    ) -> None:
        super().__init__(clock, session, counters)
        self.clock = clock
        self.handset = SimulatedHandset(1, HANDSET_KEY, BROADCAST_KEY, session=session)
        self.air = Air(self.far, clock, [self.handset])

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


@pytest.mark.parametrize("counters_kept", [True, False])
@virtual
async def test_recorded_frames_are_refused_after_a_restart(
    clock: VirtualClock, counters_kept: bool
) -> None:
    """By the session alone, and by the counters as well."""
    before = Field(clock)
    async with before.running():
        for _ in range(5):
            await before.press()
        await before.press(jammed=True)
    recorded = list(before.handset.recorded)
    assert len(before.crew.presses) == 5
    counters = before.radio.counters if counters_kept else None
    after = Field(clock, SESSION + 1, counters)
    after.handset.counter = before.handset.counter
    async with after.running():
        for frame in recorded:
            assert await after.play(frame) == 0
        assert after.crew.rejected == len(recorded)
        await after.press()
        assert len(after.crew.presses) == 1, "the handset itself goes on"


@virtual
async def test_in_the_same_session_the_kept_counters_refuse_alone(clock: VirtualClock) -> None:
    """A restart that took up the same session number again, against the rules."""
    before = Field(clock)
    async with before.running():
        await before.press()
    after = Field(clock, SESSION, before.radio.counters)
    async with after.running():
        for frame in before.handset.recorded:
            assert await after.play(frame) == 0


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
