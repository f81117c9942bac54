"""Handsets on the air of one receiver, written from ``hardware/PROTOCOL.md``."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from tests.shared.frames import (
    BYTE_NS,
    HELD_BIT,
    KEY_BITS,
    MS_NS,
    PRESS,
    STATE,
    BadFrameError,
    Press,
    State,
    Unframer,
    framed,
    make_press,
    read_state,
)
from tests.shared.wire import Clock, Wire

RETRY_S = 0.035
TRIES = 6
PRESENCE_S = 10.0


@dataclass(frozen=True, slots=True)
class Pressed:
    """One acknowledged report: when its first copy's last byte was in, and the cue's result."""

    at: int
    result: str


class HandsetEnd:
    """One handset: tagged, numbered reports with the session and beat that it heard itself."""

    def __init__(self, number: int, handset_key: bytes, broadcast_key: bytes, clock: Clock) -> None:
        self.number = number
        self.heard: list[tuple[int, State]] = []
        self.refused: list[str] = []
        self.recorded: list[bytes] = []
        self.counter = 0
        self.deaf = False
        self.wire: Wire | None = None
        self._handset_key, self._broadcast_key, self._clock = handset_key, broadcast_key, clock
        self._waiting: dict[int, asyncio.Future[str]] = {}

    @property
    def state(self) -> State | None:
        """The STATE heard last."""
        return self.heard[-1][1] if self.heard else None

    async def press(self, key: str, held: bool = False) -> Pressed:
        """Report a key edge of this moment and wait for its acknowledgement."""
        self.counter += 1
        keys = KEY_BITS[key] | (HELD_BIT if held else 0)
        edge_at = self._clock()
        answer: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._waiting[self.counter & 0xFFFF] = answer
        arrived_at = 0
        for _ in range(TRIES):
            sent_at = await self.report(self.counter, keys, edge_at)
            arrived_at = arrived_at or sent_at
            done, _ = await asyncio.wait({answer}, timeout=RETRY_S)
            if done:
                return Pressed(arrived_at, answer.result())
        return Pressed(arrived_at, "not heard")

    async def presence(self) -> None:
        """Report presence every 10 s, for ever."""
        while True:
            if self.state is not None:
                self.counter += 1
                await self.report(self.counter, 0, self._clock())
            await asyncio.sleep(PRESENCE_S)

    async def report(self, counter: int, keys: int, edge_at: int) -> int:
        """Make one frame, hand it over when its last byte would be in, and give that instant."""
        assert self.state is not None, "no STATE heard since power-on: this press is not heard"
        age_10ms = min(255, (self._clock() - edge_at) // (10 * MS_NS))
        said = Press(self.number, counter, keys, age_10ms, self.state.beat)
        frame = make_press(said, self._handset_key, self.state.session)
        await asyncio.sleep(len(frame) * BYTE_NS / 1e9)
        self.recorded.append(frame)
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
            state = read_state(body, self._broadcast_key)
        except BadFrameError as error:
            self.refused.append(str(error))
            return
        self.heard.append((self._clock(), state))
        answer = self._waiting.get(state.counter)
        if state.handset == self.number and answer is not None and not answer.done():
            answer.set_result(state.result)


class Air:
    """What all handsets of one receiver hear and say."""

    def __init__(self, handsets: list[HandsetEnd], clock: Clock) -> None:
        self._handsets = handsets
        self._clock = clock
        self._unframer = Unframer()

    @property
    def bad(self) -> int:
        """Runs between delimiters that were no frame."""
        return self._unframer.bad

    def received(self, data: bytes) -> None:
        """Bytes of the controller."""
        for body in self._unframer.feed(data):
            if body[0] == PRESS:
                continue
            assert body[0] == STATE
            line_s = len(framed(body)) * BYTE_NS / 1e9
            asyncio.get_running_loop().call_later(line_s, self._all_take, body)

    def _all_take(self, body: bytes) -> None:
        for handset in self._handsets:
            handset.take(body)
