"""Handsets on the air of one receiver, written from ``hardware/PROTOCOL.md``."""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass

from tests.shared.frames import (
    BYTE_NS,
    HELD_BIT,
    HELLO,
    KEY_BITS,
    MS_NS,
    PRESS,
    S_NS,
    WELCOME,
    BadFrameError,
    Press,
    State,
    Unframer,
    framed,
    make_hello,
    make_press,
    read_state,
    read_welcome,
)
from tests.shared.wire import Clock, Wire

RETRY_S = 0.035
TRIES = 6
PRESENCE_S = 10.0
SILENT_MS, WELCOME_MS = 1_500, 500
ASK_S, ASK_SOON_S = 2.0, 0.3
FIRST_HELLO_S = 0.05
"""Times the handset's number: not all ask at once."""
BEATS_AHEAD = 256


@dataclass(frozen=True, slots=True)
class Pressed:
    """One acknowledged report: when its first copy's last byte was in, and the cue's result."""

    at: int
    result: str


class HandsetEnd:
    """One handset: tagged, numbered reports with the session and beat that it was told itself.

    ``sessions`` are those that it was welcomed to, ``recorded`` its reports as they were sent,
    ``hellos`` what it asked.
    """

    def __init__(self, number: int, handset_key: bytes, broadcast_key: bytes, clock: Clock) -> None:
        self.number = number
        self.heard: list[tuple[int, State]] = []
        self.refused: list[str] = []
        self.recorded: list[bytes] = []
        self.hellos: list[bytes] = []
        self.sessions: list[bytes] = []
        self.counter = self.beat = 0
        self.pressed = 0
        """The counter of the press made last."""
        self.deaf = False
        self.wire: Wire | None = None
        self._handset_key, self._broadcast_key, self._clock = handset_key, broadcast_key, clock
        self._waiting: dict[int, asyncio.Future[str]] = {}
        self._known_until_at = 0
        self._welcomed = asyncio.Event()
        self._hello: tuple[int, int, asyncio.Future[None]] | None = None

    @property
    def state(self) -> State | None:
        """The STATE heard last."""
        return self.heard[-1][1] if self.heard else None

    @property
    def session(self) -> bytes:
        """The session that it is in."""
        assert self.sessions, "not welcomed since power-on"
        return self.sessions[-1]

    @property
    def knows(self) -> bool:
        """Whether the session can be believed to stand."""
        return bool(self.sessions) and self._clock() < self._known_until_at

    async def hello(self, timeout_s: float) -> None:
        """Ask for the session and wait until it is told, at most for ``timeout_s``."""
        self.counter += 1
        counter, asked_at = self.counter, self._clock()
        welcomed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._hello = counter, asked_at, welcomed
        await self._send(make_hello(self.number, counter, self._handset_key), self.hellos)
        await asyncio.wait({welcomed}, timeout=timeout_s - (self._clock() - asked_at) / S_NS)

    async def press(self, key: str, held: bool = False) -> Pressed:
        """Report a key edge of this moment and wait for its acknowledgement."""
        keys = KEY_BITS[key] | (HELD_BIT if held else 0)
        edge_at = self._clock()
        while not self.knows:
            if self._clock() - edge_at > S_NS:
                return Pressed(self._clock(), "not heard")
            await self.hello(ASK_SOON_S)
        self.counter += 1
        answer: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._waiting[self.counter & 0xFFFF] = answer
        arrived_at = 0
        self.pressed = counter = self.counter
        session = self.session
        for _ in range(TRIES):
            if self.session != session:
                break  # the session before may have obeyed it
            sent_at = await self.report(counter, keys, edge_at)
            arrived_at = arrived_at or sent_at
            done, _ = await asyncio.wait({answer}, timeout=RETRY_S)
            if done:
                return Pressed(arrived_at, answer.result())
        return Pressed(arrived_at, "not heard")

    async def ask(self) -> None:
        """Ask for the session whenever it is not known, for ever."""
        await asyncio.sleep(FIRST_HELLO_S * self.number)
        while True:
            if self.knows:
                await asyncio.sleep((self._known_until_at - self._clock()) / S_NS)
            else:
                await self.hello(ASK_S)

    async def presence(self) -> None:
        """Report presence when welcomed and every 10 s, for ever."""
        while True:
            self._welcomed.clear()
            if self.knows:
                self.counter += 1
                await self.report(self.counter, 0, self._clock())
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(PRESENCE_S):
                    await self._welcomed.wait()

    async def report(self, counter: int, keys: int, edge_at: int) -> int:
        """Make one frame, hand it over when its last byte would be in, and give that instant."""
        age_10ms = min(255, (self._clock() - edge_at) // (10 * MS_NS))
        said = Press(self.number, counter, keys, age_10ms, self.beat)
        return await self._send(make_press(said, self._handset_key, self.session), self.recorded)

    async def _send(self, frame: bytes, recorded: list[bytes]) -> int:
        await asyncio.sleep(len(frame) * BYTE_NS / 1e9)
        recorded.append(frame)
        sent_at = self._clock()
        self.replay(frame)
        return sent_at

    def replay(self, frame: bytes) -> None:
        """Put bytes on the air as they are."""
        assert self.wire is not None
        self.wire.send(frame)

    def take(self, body: bytes) -> None:
        """A body that came from the controller."""
        if self.deaf:
            return
        try:
            if body[0] == WELCOME:
                self._take_welcome(body)
            elif self.sessions:
                self._take_state(read_state(body, self._broadcast_key, self.session))
        except BadFrameError as error:
            self.refused.append(str(error))

    def _take_welcome(self, body: bytes) -> None:
        if body[1] != self.number:
            return
        welcome, hello, now = read_welcome(body, self._handset_key), self._hello, self._clock()
        if hello is None or welcome.counter != hello[0] or now - hello[1] > WELCOME_MS * MS_NS:
            return
        self._hello = None
        self.beat = welcome.beat
        if not self.sessions or welcome.session != self.session:
            self.sessions.append(welcome.session)
        self._known_until_at = now + SILENT_MS * MS_NS
        self._welcomed.set()
        if not hello[2].done():
            hello[2].set_result(None)

    def _take_state(self, state: State) -> None:
        if not 1 <= state.beat - self.beat <= BEATS_AHEAD:
            return
        now, self.beat = self._clock(), state.beat
        self._known_until_at = now + SILENT_MS * MS_NS
        self.heard.append((now, state))
        answer = self._waiting.get(state.counter)
        if state.handset == self.number and answer is not None and not answer.done():
            answer.set_result(state.result)


class Air:
    """What all handsets of one receiver hear and say."""

    def __init__(self, handsets: list[HandsetEnd], clock: Clock) -> None:
        self._handsets = handsets
        self._clock = clock
        self._unframer = Unframer()
        self.begun_at: int | None = None
        """When the first frame of the controller was in."""

    @property
    def bad(self) -> int:
        """Runs between delimiters that were no frame."""
        return self._unframer.bad

    def received(self, data: bytes) -> None:
        """Bytes of the controller."""
        for body in self._unframer.feed(data):
            if body[0] in (PRESS, HELLO):
                continue
            line_s = len(framed(body)) * BYTE_NS / 1e9
            asyncio.get_running_loop().call_later(line_s, self._all_take, body)

    def _all_take(self, body: bytes) -> None:
        if self.begun_at is None:
            self.begun_at = self._clock()
        for handset in self._handsets:
            handset.take(body)
