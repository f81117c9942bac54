"""Attacks on the service's receiver of handsets, on a line in memory and in virtual time."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from itertools import islice
from pathlib import Path

from drivers.base import Answer, CrewState, DriverError, PhaseCode, Rejection
from drivers.base import Press as Taken
from drivers.handset.keys import Keys
from drivers.handset.radio import RadioHandsets
from drivers.port.memory_port import memory_pair
from tests.drivers.port.listeners import Ear
from tests.scenarios.attacks.forging import damaged, made_up_presses
from tests.scenarios.attacks.tally import Tally
from tests.shared.frames import (
    KEY_BITS,
    STATE,
    WELCOME,
    BadFrameError,
    Press,
    State,
    Unframer,
    make_hello,
    make_press,
    read_state,
)
from tests.shared.handset_end import Air, HandsetEnd
from tests.shared.installation import BROADCAST_KEY, FIELD, HANDSET_KEYS, KEEPER
from tests.shared.virtual_time import VirtualClock, run

KEYS = Keys(BROADCAST_KEY, HANDSET_KEYS)
OWN_KEY = HANDSET_KEYS[KEEPER]
READY = KEY_BITS["READY"]
LAST_BEAT = 0x7FFFFFFF
BATCH = 120
"""Frames in one write."""


class TakingCrew:
    """Obeys everything that it is told; ``presses`` is what, ``refused`` why not."""

    def __init__(self) -> None:
        self.presses: list[tuple[int, int]] = []
        self.heard = 0
        self.refused: list[Rejection] = []

    def key_pressed(self, press: Taken) -> Answer:
        self.presses.append((press.handset, press.counter))
        return Answer.RUNNING

    def handset_heard(
        self, handset: int, at: int, battery_hours: int | None, margin_db: int | None
    ) -> None:
        self.heard += 1

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        self.refused.append(rejection)


class AirEar(Ear):
    """Passes what a port hears on, and keeps the bodies."""

    def __init__(self, passed: Callable[[bytes], None]) -> None:
        super().__init__()
        self.bodies: list[bytes] = []
        self._unframer, self._passed = Unframer(), passed

    def bytes_received(self, data: bytes, at: int) -> None:
        self.bodies += self._unframer.feed(data)
        self._passed(data)


class Computer:
    """The receiver's driver with the keys of the installation; ``sessions`` are those it drew."""

    def __init__(self, clock: VirtualClock, seed: int, passed: Callable[[bytes], None]) -> None:
        near, self.far = memory_pair(clock, None)
        self.crew, self.ear, self.sessions = TakingCrew(), AirEar(passed), list[bytes]()
        self._drawn, self.is_on = itertools.count(seed), False
        self.radio = RadioHandsets("receiver", near, KEYS, clock, self._draw)
        self.far.open(self.ear)

    def _draw(self, size: int) -> bytes:
        self.sessions.append(next(self._drawn).to_bytes(size, "big"))
        return self.sessions[-1]

    @property
    def states(self) -> Iterator[tuple[int, State]]:
        """The STATEs that it has sent, and in which of its sessions."""
        for body in self.ear.bodies:
            for place, session in enumerate(self.sessions):
                with contextlib.suppress(BadFrameError):
                    if body[0] == STATE:
                        yield place, read_state(body, BROADCAST_KEY, session)

    @property
    def beat(self) -> int:
        """Of the STATE sent last."""
        body = next(body for body in reversed(self.ear.bodies) if body[0] == STATE)
        return int.from_bytes(body[1:5], "big")

    def jump(self, beat: int) -> None:
        """As if it had been on for so long."""
        self.radio._beat = beat

    def sent(self, kind: int) -> int:
        """How many frames of a kind it has sent."""
        return sum(body[0] == kind for body in self.ear.bodies)

    async def hear(self, frame: bytes) -> None:
        """A frame from the air."""
        self.far.write(frame)
        await asyncio.sleep(0.01)

    @contextlib.asynccontextmanager
    async def on(self) -> AsyncIterator[None]:
        """Serve, and tell the crew's state once a second."""
        serving = asyncio.create_task(self._serve())
        self.is_on = True
        telling = asyncio.create_task(self._tell())
        try:
            await asyncio.sleep(0.01)
            yield
            assert not serving.done(), serving.exception()
        finally:
            self.is_on = False
            for task in (serving, telling):
                task.cancel()
            await asyncio.gather(serving, telling, return_exceptions=True)

    async def _serve(self) -> None:
        """As the service does: a receiver that has ended is opened again."""
        while True:
            with contextlib.suppress(DriverError):
                await self.radio.run(self.crew)
            await asyncio.sleep(0.5)

    async def _tell(self) -> None:
        held = CrewState(PhaseCode.SET, 40, None, boards_lit=True, boards_off=False, fault=False)
        while True:
            self.radio.tell(held)
            await asyncio.sleep(1)


class HeardByAll:
    """What a handset says reaches several computers."""

    def __init__(self, computers: tuple[Computer, ...]) -> None:
        self._computers = computers

    def send(self, data: bytes) -> None:
        for computer in self._computers:
            if computer.is_on:
                computer.far.write(data)


def story(told: Callable[[VirtualClock], Awaitable[None]]) -> None:
    """Run it in virtual time."""

    async def main(clock: VirtualClock) -> None:
        await told(clock)

    run(main)


@contextlib.asynccontextmanager
async def joined(handset: HandsetEnd, *computers: Computer) -> AsyncIterator[None]:
    """A handset that all these computers hear asks for the session and says that it is there."""
    handset.wire = HeardByAll(computers)
    tasks = [asyncio.create_task(handset.ask()), asyncio.create_task(handset.presence())]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def jammed_press(computer: Computer, counter: int, age_10ms: int = 0) -> bytes:
    """The keeper's READY, made by the STATE sent last, as a jammer records it."""
    said = Press(KEEPER, counter, READY, age_10ms, computer.beat)
    return make_press(said, OWN_KEY, computer.sessions[-1])


def beats_wrapped(tally: Tally, _folder: Path) -> None:
    """A press jammed at beat 10 and played when the session is far beyond 16 and near 31 bits."""

    async def told(clock: VirtualClock) -> None:
        computer = Computer(clock, 1, lambda _: None)
        async with computer.on():
            await asyncio.sleep(15)
            assert computer.beat > 13  # beat 10 is older than 3 s
            beats = (0, 1, 9, 10, 11)
            counter = 1
            for beat in (40_001, 65_536, 65_546, 0x1000A, 0x2000A, 0x7FFFFF00):
                computer.jump(beat - 1)
                await asyncio.sleep(1)
                assert computer.beat - beat in (0, 1)
                counter += 1
                await computer.hear(jammed_press(computer, counter))
                assert computer.crew.presses[-1] == (KEEPER, counter), "the true one"
                for old in beats:
                    counter += 1
                    said = Press(KEEPER, counter, READY, 0, old)
                    await computer.hear(make_press(said, OWN_KEY, computer.sessions[-1]))
                    held = computer.crew.presses[-1][1] < counter
                    tally.tried(held, f"at beat {beat}: a press of beat {old} taken")

    story(told)


def last_beats(tally: Tally, _folder: Path) -> None:
    """At beat 7FFFFFFF the session ends: no beat comes twice under one, and none is greater."""

    async def told(clock: VirtualClock) -> None:
        computer = Computer(clock, 1, lambda _: None)
        async with computer.on():
            await asyncio.sleep(2.5)
            early = jammed_press(computer, 5)
            computer.jump(LAST_BEAT - 3)
            drawn = len(computer.sessions)
            await asyncio.sleep(2.2)
            late = jammed_press(computer, 6)
            await asyncio.sleep(6)
            for frame in (early, late):
                await computer.hear(frame)
                tally.tried(computer.crew.presses == [], "a press of before the end taken")
        seen = [(session, state.beat) for session, state in computer.states]
        tally.tried(len(computer.sessions) == drawn + 1, "no session was drawn at the end")
        tally.tried(len(seen) == len(set(seen)), "a beat twice under one session", len(seen))
        greatest = max(beat for _, beat in seen)
        tally.tried(greatest <= LAST_BEAT, f"beat {greatest:08X}")

    story(told)


def made_up(tally: Tally, _folder: Path) -> None:
    """A spectator's presses by the hundred thousand: none taken, none answered."""

    async def told(clock: VirtualClock) -> None:
        computer = Computer(clock, 1, lambda _: None)
        async with computer.on():
            await asyncio.sleep(1.5)
            sent, began_at = computer.sent(STATE), clock()
            forged = made_up_presses(KEEPER, computer.beat, bytes(range(1, 17)))
            for _ in range(100_000 * tally.many // BATCH):
                stream = b"".join(islice(forged, BATCH))
                assert computer.far.write(stream) == len(stream)
                await asyncio.sleep(0.05)
                tally.tried(computer.crew.presses == [], "a made-up press was taken", BATCH)
            by_itself = (clock() - began_at) // 10**9 + 2
            tally.tried(computer.sent(STATE) - sent <= by_itself, "made-up presses were answered")
            tally.tried(computer.crew.heard == 0, "a made-up press is somebody's presence")
            refused = len(computer.crew.refused) + computer.radio.bad_frames
            tally.tried(refused >= tally.attempts - 2, f"only {refused} counted")
            await computer.hear(jammed_press(computer, 0xFFFFFFF0))
            assert len(computer.crew.presses) == 1, "the true one"

    story(told)


def damaged_frames(tally: Tally, _folder: Path) -> None:
    """A good PRESS with one or two bits turned."""

    async def told(clock: VirtualClock) -> None:
        computer = Computer(clock, 1, lambda _: None)
        async with computer.on():
            await asyncio.sleep(1.5)
            good = jammed_press(computer, 77)
            step = max(1, 6 // tally.many)
            frames = iter([*damaged(good, 1), *islice(damaged(good, 2), None, None, step)])
            while batch := list(islice(frames, BATCH)):
                assert computer.far.write(b"".join(batch)) == sum(map(len, batch))
                await asyncio.sleep(0.001)
                held = computer.crew.presses == [] and computer.crew.heard == 0
                tally.tried(held, f"one of {batch[0].hex()}...", len(batch))
            await computer.hear(good)
            assert computer.crew.presses == [(KEEPER, 77)], "the whole one"

    story(told)


def spare_computer(tally: Tally, _folder: Path) -> None:
    """Two computers with one key file: the handset is one's alone, and goes over by itself."""

    async def told(clock: VirtualClock) -> None:
        handset = HandsetEnd(KEEPER, OWN_KEY, BROADCAST_KEY, clock)
        air = Air([handset], clock)
        first, spare = (Computer(clock, seed, air.received) for seed in (1, 2_000))
        async with contextlib.AsyncExitStack() as spare_on, joined(handset, first, spare):
            async with first.on():
                await asyncio.sleep(3)
                await spare_on.enter_async_context(spare.on())
                for number in range(20):
                    await asyncio.sleep(3)
                    assert (await handset.press("READY")).result == "running"
                    held = len(first.crew.presses) == number + 1 and spare.crew.presses == []
                    tally.tried(held, "not obeyed by its own computer alone")
                told = [each for each in spare.crew.refused if each.handset == KEEPER]
                tally.tried(len(told) >= 20, f"the spare counts {len(told)} of 20 wrong tags")
            silent_at, taken = clock(), len(spare.crew.presses)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(10):
                    while handset.session != spare.sessions[-1]:  # noqa: ASYNC110 - no events
                        await asyncio.sleep(0.05)
            took_s = (clock() - silent_at) / 1e9
            tally.tried(took_s <= 2.1, f"joined the spare after {took_s:.2f} s")
            assert (await handset.press("READY")).result == "running"
            tally.tried(len(spare.crew.presses) == taken + 1, "the spare does not obey")

    story(told)


def recorded_in_another_session(tally: Tally, _folder: Path) -> None:
    """A whole evening's presses, played to a session of the same keys drawn anew."""

    async def told(clock: VirtualClock) -> None:
        handset = HandsetEnd(KEEPER, OWN_KEY, BROADCAST_KEY, clock)
        air = Air([handset], clock)
        first, spare = (Computer(clock, seed, air.received) for seed in (1, 2_000))
        async with first.on(), joined(handset, first):
            await asyncio.sleep(1)
            for _ in range(100):
                await handset.press("READY")
        async with spare.on():
            await asyncio.sleep(1.5)
            for frame in handset.recorded:
                await spare.hear(frame)
                held = spare.crew.presses == [] and spare.crew.heard == 0
                tally.tried(held, "a press of another session taken")
            acknowledged = [state for _, state in spare.states if state.handset]
            tally.tried(acknowledged == [], "a press of another session answered")

    story(told)


def hellos_of_both(tally: Tally, _folder: Path) -> None:
    """Two handsets ask in the same moment: laid over each other, or one right behind the other."""

    async def told(clock: VirtualClock) -> None:
        computer = Computer(clock, 1, lambda _: None)
        async with computer.on():
            await asyncio.sleep(1.5)
            for counter in range(1, 50 * tally.many, 2):
                first = make_hello(KEEPER, counter, OWN_KEY)
                second = make_hello(FIELD, counter, HANDSET_KEYS[FIELD])
                before = computer.sent(WELCOME)
                await computer.hear(bytes(a | b for a, b in zip(first, second, strict=True)))
                mixed = b"".join(bytes(pair) for pair in zip(first, second, strict=True))
                await computer.hear(mixed)
                tally.tried(computer.sent(WELCOME) == before, "a mixture was welcomed", 2)
                first = make_hello(KEEPER, counter + 1, OWN_KEY)
                second = make_hello(FIELD, counter + 1, HANDSET_KEYS[FIELD])
                await computer.hear(first + second)
                await asyncio.sleep(0.2)
                tally.tried(computer.sent(WELCOME) == before + 2, "one of two was not welcomed")
                await asyncio.sleep(1)
            tally.tried(computer.crew.presses == [], "a HELLO was a press")

    story(told)


def hellos_recorded(tally: Tally, _folder: Path) -> None:
    """One HELLO a thousand times; then a hundred that the receiver had not heard, ten a second."""

    async def told(clock: VirtualClock) -> None:
        computer = Computer(clock, 1, lambda _: None)
        async with computer.on():
            await asyncio.sleep(1.5)
            hello = make_hello(KEEPER, 7, OWN_KEY)
            for _ in range(1_000):
                await computer.hear(hello)
            tally.tried(computer.sent(WELCOME) == 1, "one HELLO welcomed more than once", 1_000)
            await asyncio.sleep(2)
            before = computer.sent(WELCOME)
            for counter in range(8, 108):
                await computer.hear(make_hello(KEEPER, counter, OWN_KEY))
                await asyncio.sleep(0.09)
            welcomes = computer.sent(WELCOME) - before
            tally.tried(welcomes <= 11, f"{welcomes} WELCOMEs in 10 s", 100)
            tally.tried(computer.crew.heard == 0, "a recorded HELLO is somebody's presence")

    story(told)
