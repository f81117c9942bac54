"""The two messages of the handset link, PRESS and STATE, as ``hardware/PROTOCOL.md`` lays them out.

Pure: bytes in, values out. A body here is what a frame carries once its CRC has been found right,
the tag included. The CRC finds noise; only the tag tells who sent a frame. The tag is keyed
BLAKE2s (RFC 7693) with a key of 16 bytes and a digest of 8.
"""

from __future__ import annotations

import enum
import hashlib
import hmac
import struct
from dataclasses import dataclass
from typing import NamedTuple

from drivers import framing
from drivers.base import Answer, Edge, FrameError, Key, PhaseCode

PRESS = 0x21
STATE = 0x22

KEY_SIZE = 16
TAG_SIZE = 8
NO_NUMERALS = 0xFF
BATTERY_UNKNOWN = 0xFF
HIGHEST_HANDSET = 254

_PRESS_LAYOUT = struct.Struct(">BBIHBHB")
_STATE_LAYOUT = struct.Struct(">BIHBBHBBHB")
_SESSION = struct.Struct(">I")

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
    MARK_25 = 0x10
    """This running count is one in which 25 left is marked."""


_ALL_STATE_FLAGS = sum(StateFlag)
_PHASES = frozenset(PhaseCode)
_RESULTS = frozenset(Answer)


class PressFrame(NamedTuple):
    """One report of a handset: a key edge, or its presence when ``keys`` is 0.

    ``handset`` is 1-254; ``counter`` 32 bits; ``age_10ms`` since the key edge, 255 for that or
    more; ``beat`` the last STATE heard; ``battery`` hours of play left, 255 unknown.
    """

    handset: int
    counter: int
    keys: int
    age_10ms: int
    beat: int
    battery: int

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

    ``session`` is 32 bits, ``beat`` 16. ``numerals`` is 0-99, None when there is no count.
    ``remaining_10ms`` is the time left at the moment of sending. ``ack_handset`` is 0 when no
    press is answered; ``ack_counter`` is the low 16 bits of the counter answered.
    """

    session: int
    beat: int
    phase: PhaseCode
    numerals: int | None
    remaining_10ms: int
    flags: StateFlag
    ack_handset: int
    ack_counter: int
    ack_result: Answer


def keys_of(key: Key, edge: Edge) -> int:
    """Give the ``keys`` field that reports this edge of this key."""
    return 1 << key | (_HELD if edge is Edge.HELD else 0)


def press_tag(body12: bytes, session: int, key: bytes) -> bytes:
    """Give the tag of a PRESS: over the session, then the 12 bytes of the body.

    Raises ``ValueError`` when ``key`` is not 16 bytes long.
    """
    return tag(_SESSION.pack(session) + body12, key)


def encode_press(frame: PressFrame, session: int, key: bytes) -> bytes:
    """Give the whole frame of ``frame``; :class:`FrameError` where a field is out of range."""
    _check_handset("PRESS handset", frame.handset, lowest=1)
    frame.pressed  # noqa: B018 - raises when the keys are not a report
    try:
        body12 = _PRESS_LAYOUT.pack(
            PRESS,
            frame.handset,
            frame.counter,
            frame.keys,
            frame.age_10ms,
            frame.beat,
            frame.battery,
        )
        tag = press_tag(body12, session, key)
    except struct.error as error:
        raise FrameError(f"{frame}, session {session}: {error}") from error
    return framing.encode(body12 + tag)


def parse_press(body: bytes) -> PressFrame:
    """Read a PRESS without asking who sent it: believe nothing of it but what picks the key.

    Raises :class:`FrameError` when the kind, the length or the handset is wrong. Whether ``keys``
    is a report is told by :attr:`PressFrame.pressed`, once the tag has been found right.
    """
    framing.check_kind("PRESS", PRESS, _PRESS_LAYOUT.size + TAG_SIZE, body)
    _, handset, *rest = _PRESS_LAYOUT.unpack_from(body)
    _check_handset("PRESS handset", handset, lowest=1)
    return PressFrame(handset, *rest)


def press_is_authentic(body: bytes, session: int, key: bytes) -> bool:
    """Tell whether the tag at the end of a PRESS body is right for this session and key."""
    return hmac.compare_digest(press_tag(body[:-TAG_SIZE], session, key), body[-TAG_SIZE:])


def encode_state(frame: StateFrame, key: bytes) -> bytes:
    """Give the whole frame of ``frame``; :class:`FrameError` where a field is out of range."""
    numerals = NO_NUMERALS if frame.numerals is None else frame.numerals
    _check_state(frame.phase, numerals, frame.flags, frame.ack_handset, frame.ack_result)
    try:
        body16 = _STATE_LAYOUT.pack(
            STATE,
            frame.session,
            frame.beat,
            frame.phase,
            numerals,
            frame.remaining_10ms,
            frame.flags,
            frame.ack_handset,
            frame.ack_counter,
            frame.ack_result,
        )
    except struct.error as error:
        raise FrameError(f"{frame}: {error}") from error
    return framing.encode(body16 + tag(body16, key))


def decode_state(body: bytes, key: bytes) -> StateFrame:
    """Give the STATE in ``body``; :class:`FrameError` names the tag or the field that is wrong."""
    framing.check_kind("STATE", STATE, _STATE_LAYOUT.size + TAG_SIZE, body)
    if not hmac.compare_digest(tag(body[:-TAG_SIZE], key), body[-TAG_SIZE:]):
        raise FrameError(f"STATE tag {body[-TAG_SIZE:].hex().upper()}: not made with this key")
    fields = _STATE_LAYOUT.unpack_from(body)
    _, session, beat, phase, numerals, remaining_10ms, flags, *acknowledged = fields
    ack_handset, ack_counter, ack_result = acknowledged
    _check_state(phase, numerals, flags, ack_handset, ack_result)
    return StateFrame(
        session,
        beat,
        PhaseCode(phase),
        None if numerals == NO_NUMERALS else numerals,
        remaining_10ms,
        StateFlag(flags),
        ack_handset,
        ack_counter,
        Answer(ack_result),
    )


def tag(message: bytes, key: bytes) -> bytes:
    """Give the tag of ``message``, 8 bytes; ``ValueError`` when ``key`` is not 16 bytes long."""
    if len(key) != KEY_SIZE:  # an empty key would quietly give an unkeyed digest
        raise ValueError(f"key of {len(key)} bytes: must be {KEY_SIZE}")
    return hashlib.blake2s(message, key=key, digest_size=TAG_SIZE).digest()


def _check_handset(field: str, handset: int, lowest: int) -> None:
    if not lowest <= handset <= HIGHEST_HANDSET:
        raise FrameError(f"{field} {handset}: must be {lowest}-{HIGHEST_HANDSET}")


def _check_state(phase: int, numerals: int, flags: int, ack_handset: int, result: int) -> None:
    if phase not in _PHASES:
        raise FrameError(f"STATE phase {phase}: must be 0-{max(_PHASES)}")
    if not (0 <= numerals <= 99 or numerals == NO_NUMERALS):
        raise FrameError(f"STATE numerals {numerals}: must be 0-99, or 255 for no count")
    if flags & ~_ALL_STATE_FLAGS:
        raise FrameError(f"STATE flags {flags:02X}: bits 5-7 must be zero")
    _check_handset("STATE acknowledged handset", ack_handset, lowest=0)
    if result not in _RESULTS:
        raise FrameError(f"STATE result {result}: must be 0-{max(_RESULTS)}")
