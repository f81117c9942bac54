"""A simulated handset: the controller's full counterpart, as ``hardware/PROTOCOL.md`` has it.

:class:`SimulatedHandset` is pure: time and bytes come in, bytes and cues come out.
:class:`Air` puts any number of them behind one port, as one receiver hears them.

Left out: the thumb's own hold times and debounce (a test says DOWN and HELD itself), listening
before sending, collisions and noise on the air, the time that the handset's own processor takes
for a tag, sleep and the battery running down.
"""

from __future__ import annotations

import asyncio
import random
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from drivers.base import MS_NS, S_NS, Clock, Edge, FrameError, Handset, Key, Port, PortError
from drivers.framing import Deframer
from drivers.handset.cues import RESULT_CUES, STATE_FLIGHT_NS, Cue, CueClock, CueKind
from drivers.handset.keys import Keys, new_key
from drivers.handset.kinds import HandsetDevice
from drivers.handset.messages import (
    BATTERY_UNKNOWN,
    PressFrame,
    StateFrame,
    decode_state,
    encode_press,
    keys_of,
)
from drivers.handset.radio import RadioHandsets
from drivers.kind import Site

_TICK = 10 * MS_NS

RETRY_MS = (25, 45)
TRIES = 6
GIVE_UP_MS = 300
WAITING = 4
OLDEST_S = 1
PRESENCE_S = 10
_RECORDED = 256


def build(handsets: Sequence[HandsetDevice], site: Site) -> Handset:
    """A receiver with simulated handsets at its other end: they live and die together, so random
    keys do."""
    near, far = site.memory_line("simulated receiver", "simulated air")
    keys = Keys(new_key(), {each.id: new_key() for each in handsets})
    ends = [SimulatedHandset(n, key, keys.broadcast) for n, key in keys.handset.items()]
    site.airs.append(Air(far, site.clock, ends))
    return RadioHandsets(near.name, near, keys, 1, site.clock)


@dataclass(slots=True)
class _Report:
    keys: int
    edge_at: int
    counter: int = 0
    tries: int = 0
    began_at: int = 0
    next_at: int = 0


class SimulatedHandset:
    """One handset, ``number`` 1-254, with its two keys of 16 bytes.

    Call :meth:`due` at :attr:`next_at` and after every other call; it gives the bytes to send.
    ``counter`` and ``session`` are what the handset kept through power-off; ``flight_ns`` what its
    firmware takes off for the way of a STATE; ``battery`` hours of play left.

    Faults: the next ``lose_sent`` frames and ``lose_heard`` reads vanish; the next frame leaves
    ``delay_ns`` late. ``recorded`` holds the last frames made, lost ones too, for :meth:`replay`.
    """

    def __init__(
        self,
        number: int,
        uplink: bytes,
        downlink: bytes,
        *,
        seed: int = 0,
        counter: int = 0,
        session: int = 0,
        flight_ns: int = STATE_FLIGHT_NS,
        battery: int = BATTERY_UNKNOWN,
    ) -> None:
        self.number = number
        self.counter = counter
        self.session = session
        self.battery = battery
        self.state: StateFrame | None = None
        """The STATE heard last, None since power-on."""
        self.lose_sent = self.lose_heard = self.delay_ns = 0
        self.recorded: deque[bytes] = deque(maxlen=_RECORDED)
        self._uplink, self._downlink = uplink, downlink
        self._clock = CueClock(flight_ns)
        self._random = random.Random(seed)
        self._deframer = Deframer()
        self._reports: deque[_Report] = deque()
        self._presence_at = 0
        self._leaving: list[tuple[int, bytes]] = []

    @property
    def cues(self) -> list[Cue]:
        """All cues played since power-on."""
        return self._clock.played

    @property
    def linked(self) -> bool:
        """False when the lamp says that the link is lost."""
        return self._clock.linked

    def numerals(self, at: int) -> int | None:
        """The numeral shown, None for none; see :meth:`CueClock.numerals`."""
        return self._clock.numerals(at)

    def press(self, key: Key, edge: Edge, at: int) -> None:
        """A key went down, or was down for its hold time, at ``at``."""
        self._clock.pass_time(at)
        self._clock.key()
        under_way = any(report.tries for report in self._reports)
        if self.state is None or len(self._reports) - under_way >= WAITING:
            self._clock.play(CueKind.NOT_HEARD, at)
        else:
            self._reports.append(_Report(keys_of(key, edge), at, next_at=at))

    def replay(self, frame: bytes, at: int) -> None:
        """Send bytes that were recorded before, as someone with a recorder would."""
        self._leaving.append((at, frame))

    def receive(self, data: bytes, at: int) -> None:
        """Bytes came from the air."""
        if self.lose_heard > 0:
            self.lose_heard -= 1
            return
        for body in self._deframer.feed(data):
            try:
                state = decode_state(body, self._downlink)
            except FrameError:
                continue
            if self._is_news(state):
                self._hear(state, at)

    @property
    def next_at(self) -> int | None:
        """The next instant at which :meth:`due` has something to do."""
        instants = [leaves_at for leaves_at, _ in self._leaving]
        if self._reports:
            instants.append(self._reports[0].next_at)
        elif self.linked:
            instants.append(self._presence_at)
        if self._clock.next_at is not None:
            instants.append(self._clock.next_at)
        return min(instants, default=None)

    def due(self, at: int) -> bytes:
        """Do what is due by ``at`` and give the bytes to send now."""
        self._clock.pass_time(at)
        while self._reports and self._reports[0].next_at <= at:
            self._report(self._reports[0], at)
        if not self._reports and self.linked and self._presence_at <= at:
            self._presence_at = at + PRESENCE_S * S_NS
            self.counter += 1
            self._send(self.counter, 0, 0, at)
        leaving = [frame for leaves_at, frame in self._leaving if leaves_at <= at]
        self._leaving = [item for item in self._leaving if item[0] > at]
        return b"".join(leaving)

    def _is_news(self, state: StateFrame) -> bool:
        if self.state is None or state.session != self.session:
            return state.session >= self.session
        newer = (state.beat - self.state.beat) & 0xFFFF
        return 0 < newer < 0x8000

    def _hear(self, state: StateFrame, at: int) -> None:
        self.state, self.session = state, state.session
        if not self.linked and self._presence_at <= at:  # not all handsets in the same instant
            self._presence_at = at + self._random.randrange(50, 1000) * MS_NS
        self._clock.hear(state, at)
        report = self._reports[0] if self._reports else None
        if report is not None and report.tries and state.ack_handset == self.number:
            cue = RESULT_CUES.get(state.ack_result)
            if cue is not None and state.ack_counter == report.counter & 0xFFFF:
                self._close_report(cue, at)

    def _report(self, report: _Report, at: int) -> None:
        """Send the oldest report, again if it must be, or give it up."""
        if report.tries == 0:
            if at - report.edge_at > OLDEST_S * S_NS:
                self._close_report(CueKind.NOT_HEARD, at)
                return
            self.counter += 1
            report.counter, report.began_at = self.counter, at
        gives_up_at = report.began_at + GIVE_UP_MS * MS_NS
        if at >= gives_up_at:
            self._close_report(CueKind.NOT_HEARD, at)
            return
        report.tries += 1
        self._send(report.counter, report.keys, at - report.edge_at, at)
        wait_ns = self._random.randrange(RETRY_MS[0] * MS_NS, RETRY_MS[1] * MS_NS)
        again = report.tries < TRIES
        report.next_at = min(at + wait_ns, gives_up_at) if again else gives_up_at

    def _close_report(self, cue: CueKind, at: int) -> None:
        self._reports.popleft()
        self._clock.play(cue, at)
        if self._reports:
            self._reports[0].next_at = at

    def _send(self, counter: int, keys: int, age_ns: int, at: int) -> None:
        assert self.state is not None
        age_10ms = min(age_ns // _TICK, 255)
        frame = PressFrame(self.number, counter, keys, age_10ms, self.state.beat, self.battery)
        made = encode_press(frame, self.session, self._uplink)
        self.recorded.append(made)
        delay_ns, self.delay_ns = self.delay_ns, 0
        if self.lose_sent > 0:
            self.lose_sent -= 1
        else:
            self._leaving.append((at + delay_ns, made))


class Air:
    """Handsets behind one port: all hear what it sends, and it hears them all."""

    def __init__(self, port: Port, clock: Clock, handsets: Iterable[SimulatedHandset]) -> None:
        self.handsets = {handset.number: handset for handset in handsets}
        self._port, self._clock = port, clock
        self._lost: asyncio.Future[None] | None = None
        self._timer: asyncio.TimerHandle | None = None

    async def run(self) -> None:
        """Serve the port until cancelled. Raises :class:`PortError` when it is lost."""
        self._lost = asyncio.get_running_loop().create_future()
        try:
            self._port.open(self)
            self._serve()
            await self._lost
        finally:
            self._lost = None
            if self._timer is not None:
                self._timer.cancel()
            self._port.close()

    def press(self, number: int, key: Key, edge: Edge = Edge.DOWN) -> None:
        """Move a key of handset ``number`` now."""
        self.handsets[number].press(key, edge, self._clock())
        self._serve()

    def bytes_received(self, data: bytes, at: int) -> None:
        for handset in self.handsets.values():
            handset.receive(data, at)
        self._serve()

    def port_lost(self, error: PortError) -> None:
        if self._lost is not None and not self._lost.done():
            self._lost.set_exception(error)

    def _serve(self) -> None:
        """Send what is due and come back when more is; a full port loses it, as the air does."""
        if self._lost is None:
            return
        now = self._clock()
        for handset in self.handsets.values():
            data = handset.due(now)
            if data:
                self._port.write(data)
        if self._timer is not None:
            self._timer.cancel()
        instants = [h.next_at for h in self.handsets.values()]
        next_at = min((i for i in instants if i is not None), default=None)
        if next_at is not None:
            loop = asyncio.get_running_loop()
            delay_ns = max(0, next_at - now)
            self._timer = loop.call_at(loop.time() + delay_ns / S_NS, self._serve)
