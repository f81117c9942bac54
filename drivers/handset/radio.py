"""Handsets behind one receiver on a serial port (``hardware/PROTOCOL.md``, "Handset link").

A press counts when it is from a handset with a key, its tag is right for this session, its counter
is above that handset's last, the STATE it heard is at most 3 s old and its key moved at most 1 s
ago. Each of these alone would leave a way in: the tag keeps out who has no key, the session what
was recorded before the receiver was opened, the counter what is played again, and the beat what was
jammed, recorded and held back.

A session is drawn at random whenever the receiver is opened, and nothing of it outlives that: the
handsets ask for it (HELLO) and are told (WELCOME).

Wiring: a transparent radio module, 38,400 baud or more on the air, whose TXD, RXD and ground go to
a serial port of the controller.
"""

from __future__ import annotations

import asyncio
import secrets
from collections import deque
from collections.abc import Callable, Sequence

from drivers.base import (
    MS_NS,
    S_NS,
    Acknowledgement,
    Answer,
    Clock,
    CrewState,
    DriverError,
    FrameError,
    Handset,
    HandsetListener,
    Port,
    PortError,
    Press,
    Rejection,
)
from drivers.framing import SPOIL, Deframer, other_version_words
from drivers.handset.keys import Keys
from drivers.handset.kinds import HandsetDevice
from drivers.handset.messages import (
    BATTERY_UNKNOWN,
    HELLO,
    LAST_BEAT,
    MARGIN_UNKNOWN,
    SESSION_SIZE,
    STATE,
    WELCOME,
    HelloFrame,
    PressFrame,
    StateFlag,
    StateFrame,
    WelcomeFrame,
    cue_byte,
    encode_state,
    encode_welcome,
    hello_is_authentic,
    parse_hello,
    parse_press,
    press_is_authentic,
)
from drivers.kind import Site

_TICK = 10 * MS_NS

OLDEST_BEAT_S = 3
OLDEST_AGE_10MS = 100
ANSWERS_EACH = 6
"""A handset sends one report at most so often, so no more answers are of use to it."""
HELLO_EVERY_S = 1
SETTLES_S = 5
"""So long after the session has begun handsets may still be in the one before it."""
DRAIN_MS = 300
RETRY_MS = 2
_BEATS_KEPT = 512  # a STATE takes 8.07 ms on the line, so 3 s hold at most 372


def build(handsets: Sequence[HandsetDevice], site: Site) -> Handset:
    """All handsets of one receiver."""
    assert site.keys is not None  # the configuration demands a key file
    keys = Keys(site.keys.broadcast, {each.id: site.keys.handset[each.id] for each in handsets})
    port = site.serial_port(str(handsets[0].port), handsets[0].baud)
    return RadioHandsets(port.name, port, keys, site.clock)


class _Peer:
    """What is remembered of one handset in this session: ``answer`` is that to its ``last``
    counter, if any, given ``answers`` times.

    One answer is enough, since a handset has one report under way at a time.
    """

    __slots__ = ("answer", "answers", "key", "last", "number", "welcomed_at")

    def __init__(self, number: int, key: bytes) -> None:
        self.number = number
        self.key = key
        self.last = 0
        self.answer: Answer | None = None
        self.answers = 0
        self.welcomed_at: int | None = None


class RadioHandsets:
    """All handsets that one receiver hears; a :class:`~drivers.base.Handset`.

    ``draw`` gives that many random bytes. The state told last goes out again with each answer;
    :meth:`tell` inside ``key_pressed`` waits for that answer, so that a press costs one frame, and
    only after whatever ``key_pressed`` put on the boards.
    """

    authenticated = True
    beacons = True

    def __init__(
        self,
        name: str,
        port: Port,
        keys: Keys,
        clock: Clock,
        draw: Callable[[int], bytes] = secrets.token_bytes,
    ) -> None:
        self.name, self.port = name, port
        self._keys, self._clock, self._draw = keys, clock, draw
        self._state: CrewState | None = None
        self._answering = False
        self._listener: HandsetListener | None = None
        self._ended: asyncio.Future[None] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._dropped = 0
        self._begin_session()

    def _begin_session(self) -> None:
        """Draw a session; forget all that belonged to another one."""
        self._session = self._draw(SESSION_SIZE)
        self._settled_at = self._clock() + SETTLES_S * S_NS
        self._peers = {n: _Peer(n, key) for n, key in self._keys.handset.items()}
        self._beat = 0
        self._beats_sent: list[tuple[int, int]] = [(-1, 0)] * _BEATS_KEPT
        self._acknowledged: Acknowledgement | None = None
        self._welcomes: deque[HelloFrame] = deque()
        self._stuck_since_at: int | None = None
        self._spoil = SPOIL  # how the last frame ended is not known
        self._deframer = Deframer()

    @property
    def serves(self) -> tuple[int, ...]:
        """The handsets that have a key here."""
        return tuple(self._peers)

    @property
    def bad_frames(self) -> int:
        """Frames dropped so far that were damaged, or good but none of ours."""
        return self._dropped

    def is_authentic(self, frame: PressFrame | HelloFrame, body: bytes) -> bool:
        """Whether ``body``, read as ``frame``, is from a handset here, a PRESS also of this
        session."""
        peer = self._peers.get(frame.handset)
        if peer is None:
            return False
        if isinstance(frame, HelloFrame):
            return hello_is_authentic(body, peer.key)
        return press_is_authentic(body, self._session, peer.key)

    async def run(self, listener: HandsetListener) -> None:
        """Serve the port until cancelled, under a session of its own.

        Raises :class:`PortError` when the port is lost or stuck, and :class:`DriverError` when the
        session has had its last beat: to be run again then.
        """
        self._listener = listener
        self._ended = asyncio.get_running_loop().create_future()
        self._begin_session()
        try:
            self.port.open(self)
            await self._ended
        finally:
            self._listener = self._ended = None
            self._cancel_timer()
            self.port.close()

    def tell(self, state: CrewState) -> None:
        """Send STATE at once, or when the port has room; a newer state replaces a waiting one."""
        self._state = state
        if not self._answering:
            self._send()

    def port_lost(self, error: PortError) -> None:
        """End :meth:`run` with ``error``."""
        self._fail(error)

    def bytes_received(self, data: bytes, at: int) -> None:
        """Take what the port read; ``at`` is the instant that read was entered."""
        try:
            for body in self._bodies(data, at):
                self._take_frame(body, at)
        except Exception as error:  # as in _guarded
            self._fail(error)

    def _bodies(self, data: bytes, at: int) -> list[bytes]:
        """The good bodies; what was none is counted, and another version named."""
        deframer = self._deframer
        dropped, deframer.other_version = deframer.bad, None
        bodies = deframer.feed(data)
        self._dropped += deframer.bad - dropped
        if deframer.other_version is not None:
            words = other_version_words(deframer.other_version)
            self._reject(None, at, "another version", words)
        return bodies

    def _take_frame(self, body: bytes, at: int) -> None:
        """Put a frame to the protocol's checks in their order; the first to fail decides."""
        if body[0] in (STATE, WELCOME):  # our own, come back through the receiver
            return
        try:
            if body[0] == HELLO:
                self._take_hello(body, at)
            else:
                self._take_press(body, at)
        except FrameError:
            self._dropped += 1

    def _take_press(self, body: bytes, at: int) -> None:
        frame = parse_press(body)
        peer = self._known(frame.handset, at)
        if peer is None:
            return
        if not press_is_authentic(body, self._session, peer.key):
            self._bad_tag(peer, at)
        elif frame.counter > peer.last:
            self._use_up(peer, frame.counter)
            self._take_new(peer, frame, at)
            if self._listener is not None:
                battery = None if frame.battery == BATTERY_UNKNOWN else frame.battery
                margin = None if frame.margin_db == MARGIN_UNKNOWN else frame.margin_db
                self._listener.handset_heard(peer.number, at, battery, margin)
        elif frame.counter == peer.last and peer.answer is not None and peer.answers < ANSWERS_EACH:
            self._answer(peer, peer.answer)
        else:
            self._replayed(peer, frame.counter, at)

    def _take_hello(self, body: bytes, at: int) -> None:
        """Answer a HELLO with WELCOME. It may be a recorded one, so it shows nobody's presence."""
        frame = parse_hello(body)
        peer = self._known(frame.handset, at)
        if peer is None:
            return
        if not hello_is_authentic(body, peer.key):
            self._bad_tag(peer, at)
        elif frame.counter <= peer.last:
            self._replayed(peer, frame.counter, at)
        else:
            self._use_up(peer, frame.counter)
            since = peer.welcomed_at
            if since is not None and at - since < HELLO_EVERY_S * S_NS:
                detail = f"{(at - since) // MS_NS} ms after the one answered last"
                self._reject(peer.number, at, "hello too soon", detail)
                return
            peer.welcomed_at = at
            self._welcomes.append(frame)
            self._send()

    def _known(self, handset: int, at: int) -> _Peer | None:
        peer = self._peers.get(handset)
        if peer is None:
            self._reject(handset, at, "unknown handset", "no key for this handset")
        return peer

    def _use_up(self, peer: _Peer, counter: int) -> None:
        peer.last, peer.answer, peer.answers = counter, None, 0

    def _bad_tag(self, peer: _Peer, at: int) -> None:
        detail = "not made with its key in this session"
        self._reject(peer.number, at, "bad tag", detail, settling=at < self._settled_at)

    def _replayed(self, peer: _Peer, counter: int, at: int) -> None:
        self._reject(peer.number, at, "replayed", f"counter {counter}, last {peer.last}")

    def _take_new(self, peer: _Peer, frame: PressFrame, at: int) -> None:
        """Take a frame that its handset made in this session and that never came before."""
        try:
            pressed = frame.pressed
        except FrameError as error:
            self._reject(peer.number, at, "bad keys", str(error))
            return
        if pressed is None:
            return
        age_ns = frame.age_10ms * _TICK
        if not self._is_fresh(frame.beat, at):
            detail = f"heard no STATE after beat {frame.beat}"
            self._reject(peer.number, at, "beat too old", detail)
            result = Answer.NOT_HEARD
        elif frame.age_10ms > OLDEST_AGE_10MS:
            detail = f"key moved {age_ns // MS_NS} ms before it came"
            self._reject(peer.number, at, "too late", detail)
            result = Answer.NOT_HEARD
        else:
            key, edge = pressed
            result = self._press(Press(peer.number, key, edge, at - age_ns, at, frame.counter))
        self._answer(peer, result)

    def _press(self, press: Press) -> Answer:
        if self._listener is None:
            return Answer.NOT_HEARD
        self._answering = True
        try:
            return self._listener.key_pressed(press)
        finally:
            self._answering = False

    def _reject(
        self, handset: int | None, at: int, reason: str, detail: str, *, settling: bool = False
    ) -> None:
        if self._listener is not None:
            self._listener.press_rejected(Rejection(handset, reason, detail, settling), at)

    def _answer(self, peer: _Peer, result: Answer) -> None:
        """Acknowledge the peer's last counter, the same way each time it comes."""
        peer.answer = result
        peer.answers += 1
        self._acknowledged = Acknowledgement(peer.number, peer.last, result)
        self._send()

    def _is_fresh(self, beat: int, at: int) -> bool:
        kept, sent_at = self._beats_sent[beat % _BEATS_KEPT]
        return kept == beat and at - sent_at <= OLDEST_BEAT_S * S_NS

    def _send(self) -> None:
        """Write a WELCOME that waits and the newest STATE, each as a whole, or try again soon; a
        stuck port ends :meth:`run`."""
        if self._listener is None or (self._state is None and not self._welcomes):
            return
        self._cancel_timer()
        now = self._clock()
        if not self.port.unsent():
            if self._state is not None and self._beat >= LAST_BEAT:
                self._fail(DriverError("the session has had its last beat: another one begins"))
                return
            data = self._spoil + self._next_frames(now)
            taken = self.port.write(data)
            if taken == len(data):
                self._sent(now)
                return
            if taken:
                self._spoil = SPOIL
                self._count_beat(now)  # it may be heard all the same, and none comes twice
                if not self._flushed():
                    return
        if self._stuck_since_at is None:
            self._stuck_since_at = now
        if now - self._stuck_since_at >= DRAIN_MS * MS_NS:
            self._stuck()
        else:
            self._call_later(RETRY_MS, self._send)

    def _next_frames(self, now: int) -> bytes:
        welcome = state = b""
        if self._welcomes:
            hello = self._welcomes[0]
            key = self._peers[hello.handset].key
            told = WelcomeFrame(hello.handset, hello.counter, self._session, self._beat)
            welcome = encode_welcome(told, key)
        if self._state is not None:
            frame = self._state_frame(self._state, self._beat + 1, now)
            state = encode_state(frame, self._session, self._keys.broadcast)
        return welcome + state

    def _sent(self, now: int) -> None:
        """All of :meth:`_next_frames` has been handed over."""
        self._spoil = b""
        self._count_beat(now)
        self._stuck_since_at = None
        if self._welcomes:
            self._welcomes.popleft()
        if self._welcomes:
            self._call_later(RETRY_MS, self._send)
        else:
            self._call_later(DRAIN_MS, self._check_drained)

    def _count_beat(self, now: int) -> None:
        if self._state is not None:
            self._beat += 1
            self._beats_sent[self._beat % _BEATS_KEPT] = (self._beat, now)

    def _state_frame(self, state: CrewState, beat: int, now: int) -> StateFrame:
        numerals, left = state.numerals, state.remaining_ns
        if state.expires_at is not None:
            left = max(0, state.expires_at - now)
            if numerals is not None:  # told up to a second ago: never at odds with remaining
                numerals = min(numerals, -(-left // S_NS))
        remaining = min(-(-left // _TICK), 0xFFFF)
        flags = StateFlag(
            StateFlag.BOARDS_LIT * state.boards_lit
            | StateFlag.BOARDS_OFF * state.boards_off
            | StateFlag.FAULT * state.fault
            | StateFlag.ASSUMED * state.assumed
        )
        told = self._acknowledged or Acknowledgement(0, 0, Answer.NONE)
        return StateFrame(
            beat,
            state.phase,
            numerals,
            remaining,
            flags,
            state.mark_s,
            cue_byte(state.cue, state.cue_number),
            told.handset,
            told.counter & 0xFFFF,
            told.result,
        )

    def _check_drained(self) -> None:
        if self.port.unsent():
            self._stuck()

    def _stuck(self) -> None:
        if self._flushed():  # nothing old may leave when it comes to life
            self._fail(PortError(f"{self.port.name}: did not drain within {DRAIN_MS} ms"))

    def _flushed(self) -> bool:
        """Throw away what has not left; a port that cannot do that ends :meth:`run`."""
        try:
            self.port.flush()
        except PortError as error:
            self._fail(error)
            return False
        return True

    def _call_later(self, delay_ms: int, act: Callable[[], None]) -> None:
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(delay_ms / 1000, self._guarded, act)

    def _guarded(self, act: Callable[[], None]) -> None:
        try:
            act()
        except Exception as error:  # the loop would only log it; whoever runs us must see it
            self._fail(error)

    def _cancel_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _fail(self, error: Exception) -> None:
        if self._ended is not None and not self._ended.done():
            self._ended.set_exception(error)
