"""The messages of the handset link, PRESS, STATE, HELLO and WELCOME (``hardware/PROTOCOL.md``).

Pure: bytes in, values out. A body here is what a frame carries once its CRC has been found right,
the tag included. The CRC finds noise; only the tag tells who sent a frame. The tag is keyed
BLAKE2s (RFC 7693) with a key of 16 bytes and a digest of 8. A session is 8 random bytes.
"""

from __future__ import annotations

import enum
import hashlib
import hmac
import struct
from dataclasses import dataclass
from typing import NamedTuple

from drivers import framing
from drivers.base import Answer, CueCode, Edge, FrameError, Key, PhaseCode
from drivers.handset.layouts import LAYOUTS

PRESS = 0x23
STATE = 0x24
HELLO = 0x25
WELCOME = 0x26

KEY_SIZE = 16
SESSION_SIZE = 8
TAG_SIZE = 8
NO_NUMERALS = 0xFF
BATTERY_UNKNOWN = 0xFF
MARGIN_UNKNOWN = 0xFF
HIGHEST_HANDSET = 254
LOWEST_MARK_S, HIGHEST_MARK_S = 11, 99
LAST_BEAT = 0x7FFF_FFFF
KEY_COUNTS = tuple(map(len, LAYOUTS.values()))
"""The layouts, as HELLO names them."""

_PRESS_LAYOUT = struct.Struct(">BBIHBIBB")
_STATE_LAYOUT = struct.Struct(">BIBBHBBBBHB")
_HELLO_LAYOUT = struct.Struct(">BBIBB")
_WELCOME_LAYOUT = struct.Struct(">BBI8sI")

_HELD = 0x8000
_PRESSED = {1 << key: (key, Edge.DOWN) for key in Key} | {
    _HELD | 1 << key: (key, Edge.HELD) for key in Key
}


class StateFlag(enum.IntFlag):
    """The flags of STATE. Neither BOARDS_LIT nor BOARDS_OFF: the boards are blank, no count."""

    BOARDS_LIT = 0x01
    BOARDS_OFF = 0x02
    FAULT = 0x04
    ASSUMED = 0x08
    """The last change rests on an assumption of the controller."""


_ALL_STATE_FLAGS = sum(StateFlag)
_PHASES = frozenset(PhaseCode)
_RESULTS = frozenset(Answer)
_CUES = frozenset(CueCode)


class PressFrame(NamedTuple):
    """One report of a handset: a key edge, or its presence when ``keys`` is 0.

    ``handset`` is 1-254; ``counter`` 32 bits; ``age_10ms`` since the key edge, 255 for that or
    more; ``beat`` of the STATE or WELCOME last taken; ``battery`` hours of play left, 255 unknown;
    ``margin_db`` by which that STATE was above the weakest that the radio takes, 255 not measured.
    """

    handset: int
    counter: int
    keys: int
    age_10ms: int
    beat: int
    battery: int
    margin_db: int = MARGIN_UNKNOWN

    @property
    def pressed(self) -> tuple[Key, Edge] | None:
        """The key and what it did; None for a presence report.

        Raises :class:`FrameError` when ``keys`` is neither: two keys, HELD alone, bits 12-14.
        """
        if self.keys == 0:
            return None
        pressed = _PRESSED.get(self.keys)
        if pressed is None:
            raise FrameError(f"PRESS keys {self.keys:04X}: must be one of bits 0-11, or none")
        return pressed


@dataclass(frozen=True, slots=True)
class StateFrame:
    """What every handset is told.

    ``beat`` is 32 bits. ``numerals`` is 0-99, None when there is no count. ``remaining_10ms`` is
    the time left at the moment of sending. ``mark`` is how many seconds are left at this running
    count's long mark, 11-99, 0 for none. ``cue`` is 0 for none so far, else a
    :class:`~drivers.base.CueCode` with the cue's number in the high nibble, see :func:`cue_byte`.
    ``ack_handset`` is 0 when no press is answered; ``ack_counter`` is the low 16 bits of the
    counter answered.
    """

    beat: int
    phase: PhaseCode
    numerals: int | None
    remaining_10ms: int
    flags: StateFlag
    mark: int
    cue: int
    ack_handset: int
    ack_counter: int
    ack_result: Answer


class HelloFrame(NamedTuple):
    """A handset asks for the session; ``layout`` is its number of keys, 12 or 4, ``revision`` that
    of its firmware, 0-255."""

    handset: int
    counter: int
    layout: int
    revision: int


class WelcomeFrame(NamedTuple):
    """The answer to the HELLO of this ``counter``: ``session`` is 8 bytes, ``beat`` that of the
    STATE sent last, 0 for none yet."""

    handset: int
    counter: int
    session: bytes
    beat: int


def keys_of(key: Key, edge: Edge) -> int:
    """Give the ``keys`` field that reports this edge of this key."""
    return 1 << key | (_HELD if edge is Edge.HELD else 0)


def cue_byte(cue: CueCode | None, number: int) -> int:
    """Give the ``cue`` field of the cue with this ``number``, which counts modulo 16."""
    return 0 if cue is None else (number & 0xF) << 4 | cue


def press_tag(body15: bytes, session: bytes, key: bytes) -> bytes:
    """Give the tag of a PRESS: over the 15 bytes of the body, then the session.

    Raises ``ValueError`` when ``key`` is not 16 bytes long.
    """
    return tag(body15 + session, key)


def encode_press(frame: PressFrame, session: bytes, key: bytes) -> bytes:
    """Give the whole frame of ``frame``; :class:`FrameError` where a field is out of range."""
    _check_handset("PRESS handset", frame.handset, lowest=1)
    frame.pressed  # noqa: B018 - raises when the keys are not a report
    body15 = _packed(_PRESS_LAYOUT, frame, PRESS, *frame)
    return framing.encode(body15 + press_tag(body15, session, key))


def parse_press(body: bytes) -> PressFrame:
    """Read a PRESS without asking who sent it: believe nothing of it but what picks the key.

    Raises :class:`FrameError` when the kind, the length or the handset is wrong. Whether ``keys``
    is a report is told by :attr:`PressFrame.pressed`, once the tag has been found right.
    """
    framing.check_kind("PRESS", PRESS, _PRESS_LAYOUT.size + TAG_SIZE, body)
    _, handset, *rest = _PRESS_LAYOUT.unpack_from(body)
    _check_handset("PRESS handset", handset, lowest=1)
    return PressFrame(handset, *rest)


def press_is_authentic(body: bytes, session: bytes, key: bytes) -> bool:
    """Tell whether the tag at the end of a PRESS body is right for this session and key."""
    return hmac.compare_digest(press_tag(body[:-TAG_SIZE], session, key), body[-TAG_SIZE:])


def encode_state(frame: StateFrame, session: bytes, key: bytes) -> bytes:
    """Give the whole frame of ``frame``; :class:`FrameError` where a field is out of range."""
    numerals = NO_NUMERALS if frame.numerals is None else frame.numerals
    told, answered = (frame.mark, frame.cue), (frame.ack_handset, frame.ack_result)
    _check_state(frame.phase, numerals, frame.flags, told, answered)
    body16 = _packed(
        _STATE_LAYOUT,
        frame,
        STATE,
        frame.beat,
        frame.phase,
        numerals,
        frame.remaining_10ms,
        frame.flags,
        frame.mark,
        frame.cue,
        frame.ack_handset,
        frame.ack_counter,
        frame.ack_result,
    )
    return framing.encode(body16 + tag(body16 + session, key))


def decode_state(body: bytes, session: bytes, key: bytes) -> StateFrame:
    """Give the STATE in ``body``; :class:`FrameError` names the tag or the field that is wrong."""
    framing.check_kind("STATE", STATE, _STATE_LAYOUT.size + TAG_SIZE, body)
    _check_tag("STATE", body, body[:-TAG_SIZE] + session, key)
    _, beat, phase, numerals, *fields = _STATE_LAYOUT.unpack_from(body)
    remaining_10ms, flags, mark, cue, *acknowledged = fields
    ack_handset, ack_counter, result = acknowledged
    _check_state(phase, numerals, flags, (mark, cue), (ack_handset, result))
    return StateFrame(
        beat,
        PhaseCode(phase),
        None if numerals == NO_NUMERALS else numerals,
        remaining_10ms,
        StateFlag(flags),
        mark,
        cue,
        ack_handset,
        ack_counter,
        Answer(result),
    )


def encode_hello(frame: HelloFrame, key: bytes) -> bytes:
    """Give the whole frame of ``frame``; :class:`FrameError` where a field is out of range."""
    _check_handset("HELLO handset", frame.handset, lowest=1)
    _check_layout(frame.layout)
    body8 = _packed(_HELLO_LAYOUT, frame, HELLO, *frame)
    return framing.encode(body8 + tag(body8, key))


def parse_hello(body: bytes) -> HelloFrame:
    """Read a HELLO without asking who sent it.

    Raises :class:`FrameError` when the kind, the length, the handset or the layout is wrong.
    """
    framing.check_kind("HELLO", HELLO, _HELLO_LAYOUT.size + TAG_SIZE, body)
    _, handset, counter, layout, revision = _HELLO_LAYOUT.unpack_from(body)
    _check_handset("HELLO handset", handset, lowest=1)
    _check_layout(layout)
    return HelloFrame(handset, counter, layout, revision)


def hello_is_authentic(body: bytes, key: bytes) -> bool:
    """Tell whether the tag at the end of a HELLO body is right for this key."""
    return hmac.compare_digest(tag(body[:-TAG_SIZE], key), body[-TAG_SIZE:])


def encode_welcome(frame: WelcomeFrame, key: bytes) -> bytes:
    """Give the whole frame of ``frame``; :class:`FrameError` where a field is out of range."""
    _check_handset("WELCOME handset", frame.handset, lowest=1)
    if len(frame.session) != SESSION_SIZE:
        raise FrameError(f"WELCOME session {frame.session.hex()}: must be {SESSION_SIZE} bytes")
    body18 = _packed(_WELCOME_LAYOUT, frame, WELCOME, *frame)
    return framing.encode(body18 + tag(body18, key))


def decode_welcome(body: bytes, key: bytes) -> WelcomeFrame:
    """Give the WELCOME in ``body``; :class:`FrameError` names the tag or the field that is
    wrong."""
    framing.check_kind("WELCOME", WELCOME, _WELCOME_LAYOUT.size + TAG_SIZE, body)
    _, handset, *rest = _WELCOME_LAYOUT.unpack_from(body)
    _check_handset("WELCOME handset", handset, lowest=1)
    _check_tag("WELCOME", body, body[:-TAG_SIZE], key)
    return WelcomeFrame(handset, *rest)


def tag(message: bytes, key: bytes) -> bytes:
    """Give the tag of ``message``, 8 bytes; ``ValueError`` when ``key`` is not 16 bytes long."""
    if len(key) != KEY_SIZE:  # an empty key would quietly give an unkeyed digest
        raise ValueError(f"key of {len(key)} bytes: must be {KEY_SIZE}")
    return hashlib.blake2s(message, key=key, digest_size=TAG_SIZE).digest()


def _packed(layout: struct.Struct, frame: object, *values: int | bytes) -> bytes:
    try:
        return layout.pack(*values)
    except struct.error as error:
        raise FrameError(f"{frame}: {error}") from error


def _check_tag(name: str, body: bytes, tagged: bytes, key: bytes) -> None:
    if not hmac.compare_digest(tag(tagged, key), body[-TAG_SIZE:]):
        raise FrameError(f"{name} tag {body[-TAG_SIZE:].hex().upper()}: not made with this key")


def _check_handset(field: str, handset: int, lowest: int) -> None:
    if not lowest <= handset <= HIGHEST_HANDSET:
        raise FrameError(f"{field} {handset}: must be {lowest}-{HIGHEST_HANDSET}")


def _check_layout(layout: int) -> None:
    if layout not in KEY_COUNTS:
        raise FrameError(f"HELLO layout {layout}: must be 12 or 4 keys")


def _check_state(
    phase: int, numerals: int, flags: int, told: tuple[int, int], answered: tuple[int, int]
) -> None:
    """``told`` is mark and cue, ``answered`` the acknowledged handset and the result."""
    (mark, cue), (ack_handset, result) = told, answered
    if phase not in _PHASES:
        raise FrameError(f"STATE phase {phase}: must be 0-{max(_PHASES)}")
    if not (0 <= numerals <= 99 or numerals == NO_NUMERALS):
        raise FrameError(f"STATE numerals {numerals}: must be 0-99, or 255 for no count")
    if flags & ~_ALL_STATE_FLAGS:
        raise FrameError(f"STATE flags {flags:02X}: bits 4-7 must be zero")
    if mark and not LOWEST_MARK_S <= mark <= HIGHEST_MARK_S:
        raise FrameError(f"STATE mark {mark}: must be 11-99, or 0 for none")
    if cue and cue & 0xF not in _CUES:
        raise FrameError(f"STATE cue {cue:02X}: the low nibble must be 1-{max(_CUES)}")
    _check_handset("STATE acknowledged handset", ack_handset, lowest=0)
    if result not in _RESULTS:
        raise FrameError(f"STATE result {result}: must be 0-{max(_RESULTS)}")
