"""Handsets behind one receiver on a serial port: PRESS in, STATE out (``hardware/PROTOCOL.md``).

A press counts when it is from a handset with a key, its tag is right for this session, its counter
is above that handset's last, the STATE it heard is at most 3 s old and its key moved at most 1 s
ago. Each of these alone would leave a way in: the tag keeps out who has no key, the session what
was recorded before a restart, the counter what is played again, and the beat what was jammed,
recorded and held back.

Wiring: a transparent radio module, 38,400 baud or more on the air, whose TXD, RXD and ground go to
a serial port of the controller.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping, Sequence

from drivers.base import (
    MS_NS,
    S_NS,
    Acknowledgement,
    Answer,
    Clock,
    CrewState,
    FrameError,
    Handset,
    HandsetListener,
    Port,
    PortError,
    Press,
    Rejection,
)
from drivers.framing import Deframer
from drivers.handset.keys import Keys, fingerprint
from drivers.handset.kinds import HandsetDevice
from drivers.handset.messages import (
    BATTERY_UNKNOWN,
    STATE,
    PressFrame,
    StateFlag,
    StateFrame,
    encode_state,
    parse_press,
    press_is_authentic,
)
from drivers.kind import Site

_TICK = 10 * MS_NS

OLDEST_BEAT_S = 3
OLDEST_AGE_10MS = 100
BAD_TAGS_WINDOW_S = 10
DRAIN_MS = 300
RETRY_MS = 2
_BEATS_KEPT = 512  # a STATE takes 7.55 ms on the line, so 3 s hold at most 397


def build(handsets: Sequence[HandsetDevice], site: Site) -> Handset:
    """All handsets of one receiver."""
    assert site.keys is not None  # the configuration demands a key file
    keys = Keys(site.keys.broadcast, {each.id: site.keys.handset[each.id] for each in handsets})
    port = site.serial_port(str(handsets[0].port), handsets[0].baud)
    return RadioHandsets(port.name, port, keys, site.session, site.clock)


class _Peer:
    """What is remembered of one handset: ``answer`` is that to its ``last`` counter, if any.

    One answer is enough, since a handset has one report under way at a time.
    """

    __slots__ = ("answer", "key", "last", "number")

    def __init__(self, number: int, key: bytes) -> None:
        self.number = number
        self.key = key
        self.last = 0
        self.answer: Answer | None = None


class RadioHandsets:
    """All handsets that one receiver hears; a :class:`~drivers.base.Handset`.

    ``session`` is this start's number, see :func:`~drivers.handset.session.next_session`.
    The state told last goes out again with each answer; :meth:`tell` inside ``key_pressed`` waits
    for that answer, so that a press costs one frame, and only after whatever ``key_pressed`` put on
    the boards.
    """

    authenticated = True
    beacons = True

    def __init__(
        self,
        name: str,
        port: Port,
        keys: Keys,
        session: int,
        clock: Clock,
    ) -> None:
        self.name, self.port = name, port
        self._session, self._clock = session, clock
        self._downlink = keys.broadcast
        self._peers = {n: _Peer(n, key) for n, key in keys.handset.items()}
        self._bad_tags_at: deque[int] = deque(maxlen=64)
        self._beat = 0
        self._beats_sent: list[tuple[int, int]] = [(-1, 0)] * _BEATS_KEPT
        self._state: CrewState | None = None
        self._acknowledged: Acknowledgement | None = None
        self._answering = False
        self._listener: HandsetListener | None = None
        self._ended: asyncio.Future[None] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._stuck_since_at: int | None = None
        self._deframer = Deframer()
        self._strange = 0

    @property
    def serves(self) -> tuple[int, ...]:
        """The handsets that have a key here."""
        return tuple(self._peers)

    @property
    def bad_frames(self) -> int:
        """Frames dropped so far that were damaged, or good but none of ours."""
        return self._deframer.bad + self._strange

    @property
    def fingerprints(self) -> dict[int, str]:
        """What tells each handset's key from others."""
        return {number: fingerprint(peer.key) for number, peer in self._peers.items()}

    @property
    def counters(self) -> dict[int, int]:
        """The last counter taken from each handset, 0 for none."""
        return {number: peer.last for number, peer in self._peers.items()}

    @property
    def bad_tags(self) -> int:
        """How many frames with a wrong tag came in the last 10 s, counted up to 64."""
        since_at = self._clock() - BAD_TAGS_WINDOW_S * S_NS
        return sum(at > since_at for at in self._bad_tags_at)

    def resume(
        self, counters: Mapping[int, int], acknowledged: Acknowledgement | None = None
    ) -> None:
        """Go on after a restart."""
        for number, peer in self._peers.items():
            peer.last = counters.get(number, 0)
        if acknowledged is not None and acknowledged.handset in self._peers:
            self._acknowledged = acknowledged

    def is_authentic(self, frame: PressFrame, body: bytes) -> bool:
        """Whether ``body``, read as ``frame``, is from a handset here and of this session."""
        peer = self._peers.get(frame.handset)
        return peer is not None and press_is_authentic(body, self._session, peer.key)

    async def run(self, listener: HandsetListener) -> None:
        """Serve the port until cancelled. Raises :class:`PortError` when it is lost or stuck."""
        self._listener = listener
        self._ended = asyncio.get_running_loop().create_future()
        self._stuck_since_at = None
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
            self._send_state()

    def port_lost(self, error: PortError) -> None:
        """End :meth:`run` with ``error``."""
        self._fail(error)

    def bytes_received(self, data: bytes, at: int) -> None:
        """Take what the port read; ``at`` is the instant that read was entered."""
        try:
            for body in self._deframer.feed(data):
                if body[0] != STATE:  # our own, come back through the receiver
                    self._take_frame(body, at)
        except Exception as error:  # as in _guarded
            self._fail(error)

    def _take_frame(self, body: bytes, at: int) -> None:
        """Put a frame to the protocol's checks in their order; the first to fail decides."""
        try:
            frame = parse_press(body)
        except FrameError:
            self._strange += 1
            return
        peer = self._peers.get(frame.handset)
        if peer is None:
            self._reject(frame, at, "unknown handset", "no key for this handset")
        elif not press_is_authentic(body, self._session, peer.key):
            self._bad_tags_at.append(at)
            self._reject(frame, at, "bad tag", f"not made with its key in session {self._session}")
        elif frame.counter > peer.last:
            peer.last, peer.answer = frame.counter, None
            self._take_new(peer, frame, at)
            if self._listener is not None:
                battery = None if frame.battery == BATTERY_UNKNOWN else frame.battery
                self._listener.handset_heard(peer.number, at, battery)
        elif frame.counter == peer.last and peer.answer is not None:
            self._answer(peer, peer.answer)
        else:
            detail = f"counter {frame.counter}, last {peer.last}"
            self._reject(frame, at, "counter not above the last", detail)

    def _take_new(self, peer: _Peer, frame: PressFrame, at: int) -> None:
        """Take a frame that its handset made in this session and that never came before."""
        try:
            pressed = frame.pressed
        except FrameError as error:
            self._reject(frame, at, "bad keys", str(error))
            return
        if pressed is None:
            return
        age_ns = frame.age_10ms * _TICK
        if not self._is_fresh(frame.beat, at):
            self._reject(frame, at, "beat too old", f"heard no STATE after beat {frame.beat}")
            result = Answer.NOT_HEARD
        elif frame.age_10ms > OLDEST_AGE_10MS:
            self._reject(frame, at, "too late", f"key moved {age_ns // MS_NS} ms before it came")
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

    def _reject(self, frame: PressFrame, at: int, reason: str, detail: str) -> None:
        if self._listener is not None:
            self._listener.press_rejected(Rejection(frame.handset, reason, detail), at)

    def _answer(self, peer: _Peer, result: Answer) -> None:
        """Acknowledge the peer's last counter, the same way each time it comes."""
        peer.answer = result
        self._acknowledged = Acknowledgement(peer.number, peer.last, result)
        self._send_state()

    def _is_fresh(self, beat: int, at: int) -> bool:
        kept, sent_at = self._beats_sent[beat % _BEATS_KEPT]
        return kept == beat and at - sent_at <= OLDEST_BEAT_S * S_NS

    def _send_state(self) -> None:
        """Write the newest STATE as a whole, or try again soon; a stuck port ends :meth:`run`."""
        if self._listener is None or self._state is None:
            return
        self._cancel_timer()
        now = self._clock()
        beat = (self._beat + 1) & 0xFFFF
        if not self.port.unsent():
            frame = encode_state(self._state_frame(self._state, beat, now), self._downlink)
            taken = self.port.write(frame)
            if taken == len(frame):
                self._beat = beat
                self._beats_sent[beat % _BEATS_KEPT] = (beat, now)
                self._stuck_since_at = None
                self._call_later(DRAIN_MS, self._check_drained)
                return
            if taken and not self._flushed():
                return  # half a frame: what follows begins again after its 00
        if self._stuck_since_at is None:
            self._stuck_since_at = now
        if now - self._stuck_since_at >= DRAIN_MS * MS_NS:
            self._stuck()
        else:
            self._call_later(RETRY_MS, self._send_state)

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
            | StateFlag.MARK_25 * state.mark_25
        )
        told = self._acknowledged or Acknowledgement(0, 0, Answer.NONE)
        answered = told.handset, told.counter & 0xFFFF, told.result
        return StateFrame(self._session, beat, state.phase, numerals, remaining, flags, *answered)

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
