"""A simulated handset: the controller's full counterpart, as ``hardware/PROTOCOL.md`` has it.

:class:`SimulatedHandset` is pure: time and bytes come in, bytes and cues come out.
:class:`Air` puts any number of them behind one port, as one receiver hears them.

Left out: the thumb's own hold times and debounce (a test says DOWN and HELD itself), listening
before sending, collisions and noise on the air, the time that the handset's own processor takes
for a tag, sleep, how long a cue takes and the battery running down.
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
from drivers.handset.layouts import LAYOUTS
from drivers.handset.messages import (
    BATTERY_UNKNOWN,
    MARGIN_UNKNOWN,
    WELCOME,
    HelloFrame,
    PressFrame,
    StateFrame,
    decode_state,
    decode_welcome,
    encode_hello,
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
ASK_AFTER_MS = 1_500
"""So long without a good STATE, and the session is asked for."""
ASK_EVERY_MS, ASK_SOON_MS, ASK_SPREAD_MS = 2_000, 300, 250
WELCOME_MS = 500
"""A WELCOME later than this after its HELLO is not taken."""
BEATS_AHEAD = 256
LAST_COUNTER = 0xFFFF_FFFF
_RECORDED = 256


def build(handsets: Sequence[HandsetDevice], site: Site) -> Handset:
    """A receiver with simulated handsets at its other end: they live and die together, so random
    keys do."""
    near, far = site.memory_line("simulated receiver", "simulated air")
    keys = Keys(new_key(), {each.id: new_key() for each in handsets})
    ends = [
        SimulatedHandset(
            each.id, keys.handset[each.id], keys.broadcast, key_count=len(LAYOUTS[each.layout])
        )
        for each in handsets
    ]
    site.airs.append(Air(far, site.clock, ends))
    return RadioHandsets(near.name, near, keys, site.clock)


@dataclass(slots=True)
class _Report:
    keys: int
    edge_at: int
    counter: int = 0
    tries: int = 0
    began_at: int = 0
    next_at: int = 0


class SimulatedHandset:
    """One handset, ``number`` 1-254, with its own key and the broadcast key, 16 bytes each.

    Call :meth:`due` at :attr:`next_at` and after every other call; it gives the bytes to send.
    ``counter`` is what the handset kept through power-off; ``flight_ns`` what its firmware takes
    off for the way of a STATE; ``battery`` hours of play left; ``key_count`` 12 or 4.

    Faults: the next ``lose_sent`` frames and ``lose_heard`` reads vanish; the next frame leaves
    ``delay_ns`` late. ``recorded`` holds the last frames made, lost ones too, for :meth:`replay`.
    """

    def __init__(
        self,
        number: int,
        handset_key: bytes,
        broadcast_key: bytes,
        *,
        seed: int = 0,
        counter: int = 0,
        flight_ns: int = STATE_FLIGHT_NS,
        battery: int = BATTERY_UNKNOWN,
        margin_db: int = MARGIN_UNKNOWN,
        key_count: int = 12,
    ) -> None:
        self.number = number
        self.counter = counter
        self.battery, self.margin_db = battery, margin_db
        self.session: bytes | None = None
        """That of the WELCOME taken last, None since power-on."""
        self.beat = 0
        """That of the STATE or WELCOME taken last."""
        self.state: StateFrame | None = None
        """The STATE heard last, None since power-on."""
        self.lose_sent = self.lose_heard = self.delay_ns = 0
        self.recorded: deque[bytes] = deque(maxlen=_RECORDED)
        self._key_count = key_count
        self._handset_key, self._broadcast_key = handset_key, broadcast_key
        self._clock = CueClock(flight_ns)
        self._random = random.Random(seed)
        self._deframer = Deframer()
        self._reports: deque[_Report] = deque()
        self._presence_at = 0
        self._owes_presence = False
        self._known_until_at = 0
        self._hello: tuple[int, int] | None = None
        """Counter and instant of the HELLO that is not answered yet."""
        self._hello_at: int | None = None
        """When HELLO is to be sent next; None at power-on."""
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
        if self.counter >= LAST_COUNTER or len(self._reports) - under_way >= WAITING:
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
                self._take(body, at)
            except FrameError:
                continue

    @property
    def next_at(self) -> int | None:
        """The next instant at which :meth:`due` has something to do."""
        instants = [leaves_at for leaves_at, _ in self._leaving]
        if self.counter < LAST_COUNTER:
            instants.append(self._hello_at or 0)
        if self._reports:
            instants.append(self._reports[0].next_at)
        elif self._owes_presence:
            instants.append(0)
        elif self.linked and self.session is not None:
            instants.append(self._presence_at)
        if self._clock.next_at is not None:
            instants.append(self._clock.next_at)
        return min(instants, default=None)

    def due(self, at: int) -> bytes:
        """Do what is due by ``at`` and give the bytes to send now."""
        self._clock.pass_time(at)
        if self._hello_at is None:
            self._hello_at = at + self._spread_ns()
        while self._reports and self._reports[0].next_at <= at:
            self._report(self._reports[0], at)
        if self._hello_at <= at:
            self._ask(at)
        presence = self._owes_presence or (self.linked and self._presence_at <= at)
        if presence and not self._reports:
            self._report_presence(at)
        leaving = [frame for leaves_at, frame in self._leaving if leaves_at <= at]
        self._leaving = [item for item in self._leaving if item[0] > at]
        return b"".join(leaving)

    def _spread_ns(self) -> int:
        """Not all handsets ask in the same instant."""
        return self._random.randrange(ASK_SPREAD_MS * MS_NS)

    def _ask(self, at: int) -> None:
        """Send HELLO."""
        if not self._count_up():
            return
        self._hello = self.counter, at
        if self._reports:
            self._hello_at = at + ASK_SOON_MS * MS_NS
        else:
            self._hello_at = at + ASK_EVERY_MS * MS_NS + self._spread_ns()
        hello = HelloFrame(self.number, self.counter, self._key_count, 1)
        self._send(encode_hello(hello, self._handset_key), at)

    def _count_up(self) -> bool:
        """Take a counter that was never used; False when there is none left."""
        if self.counter >= LAST_COUNTER:
            return False
        self.counter += 1
        return True

    def _take(self, body: bytes, at: int) -> None:
        """Take a WELCOME or a STATE; whatever else comes raises :class:`FrameError`."""
        if body[0] == WELCOME:
            self._take_welcome(body, at)
        elif self.session is not None:
            state = decode_state(body, self.session, self._broadcast_key)
            if 1 <= state.beat - self.beat <= BEATS_AHEAD:
                self._hear(state, at)

    def _take_welcome(self, body: bytes, at: int) -> None:
        welcome = decode_welcome(body, self._handset_key)
        if self._hello is None or (welcome.handset, welcome.counter) != (
            self.number,
            self._hello[0],
        ):
            return
        if at - self._hello[1] > WELCOME_MS * MS_NS:
            return
        self._hello = None  # once: what came since would be new again
        another = welcome.session != self.session
        self.session, self.beat = welcome.session, welcome.beat
        self._clock.welcomed()
        if another and self._reports and self._reports[0].tries:
            self._close_report(CueKind.NOT_HEARD, at)  # the old session may have obeyed it
        self._owes_presence = not self._reports
        self._know_session(at)

    def _know_session(self, at: int) -> None:
        """Something of the session was heard: it stands for a while, and a report that waited for
        it goes out."""
        self._known_until_at = at + ASK_AFTER_MS * MS_NS
        self._hello_at = self._known_until_at + self._spread_ns()
        if self._reports and not self._reports[0].tries:
            self._reports[0].next_at = at

    def _hear(self, state: StateFrame, at: int) -> None:
        self.state, self.beat = state, state.beat
        if not self.linked and self._presence_at <= at:  # not all handsets in the same instant
            self._presence_at = at + self._random.randrange(50, 1000) * MS_NS
        self._clock.hear(state, at)
        self._know_session(at)
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
            if self.session is None or at >= self._known_until_at:
                self._wait_for_session(report, at)
                return
            if not self._count_up():
                self._close_report(CueKind.NOT_HEARD, at)
                return
            report.counter, report.began_at = self.counter, at
        gives_up_at = report.began_at + GIVE_UP_MS * MS_NS
        if at >= gives_up_at:
            self._close_report(CueKind.NOT_HEARD, at)
            return
        report.tries += 1
        self._send_press(report.counter, report.keys, at - report.edge_at, at)
        wait_ns = self._random.randrange(RETRY_MS[0] * MS_NS, RETRY_MS[1] * MS_NS)
        again = report.tries < TRIES
        report.next_at = min(at + wait_ns, gives_up_at) if again else gives_up_at

    def _wait_for_session(self, report: _Report, at: int) -> None:
        """HELLO goes first, and soon."""
        soon_at = at
        if self._hello is not None:
            soon_at = max(at, self._hello[1] + ASK_SOON_MS * MS_NS)
        if self._hello_at is None or soon_at < self._hello_at:
            self._hello_at = soon_at
        report.next_at = report.edge_at + OLDEST_S * S_NS + 1

    def _report_presence(self, at: int) -> None:
        self._owes_presence = False
        self._presence_at = at + PRESENCE_S * S_NS
        if self._count_up():
            self._send_press(self.counter, 0, 0, at)

    def _close_report(self, cue: CueKind, at: int) -> None:
        self._reports.popleft()
        self._clock.play(cue, at)
        if self._reports:
            self._reports[0].next_at = at

    def _send_press(self, counter: int, keys: int, age_ns: int, at: int) -> None:
        assert self.session is not None
        age_10ms = min(age_ns // _TICK, 255)
        own = self.beat, self.battery, self.margin_db
        frame = PressFrame(self.number, counter, keys, age_10ms, *own)
        self._send(encode_press(frame, self.session, self._handset_key), at)

    def _send(self, made: bytes, at: int) -> None:
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
