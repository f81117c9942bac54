"""The wire contract once more, written from ``hardware/PROTOCOL.md`` alone.

Nothing here comes from ``drivers``: the CRC is divided bit by bit, COBS goes byte by byte, the
lamps are spelled as the letters of their segments. A mistake common to the product's two ends
cannot hide behind it.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

VERSION = 2
# The body's first byte.
SHOW, STATUS, PRESS, STATE, HELLO, WELCOME = 0x21, 0x22, 0x23, 0x24, 0x25, 0x26

MS_NS = 1_000_000
S_NS = 1_000 * MS_NS
BYTE_NS = 260_417
"""One byte at 38,400 baud: ten bits of 26.04 us."""
SHOW_BYTES, STATUS_BYTES, PRESS_BYTES, STATE_BYTES = 16, 27, 30, 31
"""Frames as they go on the wire."""

DARK_NUMERALS, LAMP_TEST_NUMERALS = 0xFF, 0xFE
NOT_MEASURED = b"\xff\xff\xff\xff\x80\xff"
"""The end of a STATUS without currents, temperature and light."""

LIT_SEGMENTS = {
    0: "abcdef",
    1: "bc",
    2: "abdeg",
    3: "abcdg",
    4: "bcfg",
    5: "acdfg",
    6: "acdefg",
    7: "abc",
    8: "abcdefg",
    9: "abcdfg",
}
"""The usual seven segments: a on top, clockwise to f, g in the middle."""

KEY_BITS = {
    "DEAD_BALL": 0x001,
    "READY": 0x002,
    "NUMBER_25": 0x004,
    "SNAP": 0x008,
    "NUMBER_40": 0x010,
    "STOP": 0x020,
    "FLAG": 0x040,
    "TIME_OUT": 0x080,
    "INJURY": 0x100,
    "UNDO": 0x200,
    "NO_COUNT": 0x400,
    "BOARDS_OFF": 0x800,
}
HELD_BIT = 0x8000
PHASES = ("IDLE", "SET", "RUNNING", "LIVE", "STOPPED", "EXPIRED")
RESULTS = ("none", "running", "held", "no change", "refused", "assumed", "not heard")
STATE_FLAGS = ("lit", "off", "fault", "assumed")


class BadFrameError(ValueError):
    """Bytes that the contract does not allow; the message says why."""


# Framing


def _divided(register: int) -> int:
    for _ in range(8):
        carry = register & 1
        register >>= 1
        if carry:
            register ^= 0xEDB88320  # the polynomial 04C11DB7 read backwards
    return register


_DIVIDED = [_divided(byte) for byte in range(256)]


def crc(data: bytes) -> int:
    """CRC-32, polynomial 04C11DB7, begun with FFFFFFFF, reflected and inverted."""
    register = 0xFFFFFFFF
    for byte in data:
        register = register >> 8 ^ _DIVIDED[register & 0xFF ^ byte]
    return register ^ 0xFFFFFFFF


def stuff(data: bytes) -> bytes:
    """COBS (Cheshire and Baker 1999): each zero gives way to the distance to the next one."""
    out = bytearray([0])
    code_place = 0
    distance = 1
    for byte in data:
        if byte:
            out.append(byte)
            distance += 1
        if byte == 0 or distance == 255:
            out[code_place] = distance
            code_place, distance = len(out), 1
            out.append(0)
    out[code_place] = distance
    return bytes(out)


def unstuff(data: bytes) -> bytes:
    """COBS back. Raises :class:`BadFrameError`."""
    out = bytearray()
    place = 0
    while place < len(data):
        code = data[place]
        block = data[place + 1 : place + code]
        if code == 0 or len(block) != code - 1 or 0 in block:
            raise BadFrameError(f"COBS: block at {place} of {data.hex()}")
        out += block
        place += code
        if code < 255 and place < len(data):
            out.append(0)
    return bytes(out)


def framed(body: bytes) -> bytes:
    """A body as it goes on the wire."""
    return b"\0" + stuff(body + crc(body).to_bytes(4, "big")) + b"\0"


class Unframer:
    """Cuts a stream of bytes into bodies; ``bad`` counts what was none."""

    def __init__(self) -> None:
        self.bad = 0
        self._run = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes, give the good bodies that they complete."""
        bodies = []
        for byte in data:
            if byte:
                self._run.append(byte)
                continue
            if self._run:
                try:
                    bodies.append(opened(bytes(self._run)))
                except BadFrameError:
                    self.bad += 1
                self._run.clear()
        return bodies


def opened(run: bytes) -> bytes:
    """The body between two delimiters, of this version. Raises :class:`BadFrameError`."""
    whole = unstuff(run)
    if len(run) > 64 or len(whole) < 5:
        raise BadFrameError(f"{len(run)} bytes between delimiters")
    if crc(whole[:-4]) != int.from_bytes(whole[-4:], "big"):
        raise BadFrameError(f"CRC of {whole.hex()}")
    if whole[0] >> 4 != VERSION:
        raise BadFrameError(f"version of {whole.hex()}")
    return whole[:-4]


# Lamps


def segment_bits(letters: str) -> int:
    """Bit 0 is segment a."""
    return sum(1 << "abcdefg".index(letter) for letter in letters)


DIGIT_BITS = {digit: segment_bits(letters) for digit, letters in LIT_SEGMENTS.items()}
READ_DIGIT = {bits: str(digit) for digit, bits in DIGIT_BITS.items()} | {0: " "}


def lamps_of(numerals: int) -> tuple[int, int]:
    """Tens and units of what a SHOW orders: 0-99, dark or lamp test. No zero leads."""
    if numerals == DARK_NUMERALS:
        return 0, 0
    if numerals == LAMP_TEST_NUMERALS:
        return 0xFF, 0xFF
    tens, units = divmod(numerals, 10)
    return DIGIT_BITS[tens] if tens else 0, DIGIT_BITS[units]


def read_lamps(tens: int, units: int) -> str:
    """What a player reads: "40", " 7", "  " on a dark board, "?" for no digit."""
    return READ_DIGIT.get(tens, "?") + READ_DIGIT.get(units, "?")


# Board link


@dataclass(frozen=True, slots=True)
class Show:
    """A SHOW frame, every field as it stands on the wire."""

    controller: int
    stamp: int
    numerals: int
    brightness: int
    ask: int
    mask: int


def read_show(body: bytes) -> Show:
    """Raises :class:`BadFrameError` for each thing that a node refuses."""
    if body[0] != SHOW or len(body) != 9:
        raise BadFrameError(f"no SHOW: {body.hex()}")
    numerals, brightness, ask, mask = body[5:]
    if 99 < numerals < LAMP_TEST_NUMERALS or not 1 <= brightness <= 15 or ask > 8:
        raise BadFrameError(f"out of range: {body.hex()}")
    return Show(
        int.from_bytes(body[1:3], "big"),
        int.from_bytes(body[3:5], "big"),
        numerals,
        brightness,
        ask,
        mask,
    )


def make_show(show: Show) -> bytes:
    """The frame of another controller, or a forged one."""
    head = bytes([SHOW]) + show.controller.to_bytes(2, "big") + show.stamp.to_bytes(2, "big")
    return framed(head + bytes([show.numerals, show.brightness, show.ask, show.mask]))


@dataclass(frozen=True, slots=True)
class Status:
    """A STATUS frame of a node on 12.0 V with firmware revision 1, which measures nothing else."""

    node: int
    stamp: int
    lamps: tuple[int, int]
    brightness: int
    flags: int
    bad: int
    foreign: int
    uptime_s: int


def make_status(status: Status) -> bytes:
    """The frame that a node answers with."""
    body = bytes([STATUS, status.node]) + status.stamp.to_bytes(2, "big") + bytes(status.lamps)
    body += bytes([status.brightness, status.flags, 120, status.bad % 256, status.foreign % 256])
    body += min(status.uptime_s, 0xFFFF).to_bytes(2, "big") + b"\x01"
    return framed(body + NOT_MEASURED)


# Handset link


def tag(key: bytes, message: bytes) -> bytes:
    """Keyed BLAKE2s of RFC 7693, eight bytes."""
    return hashlib.blake2s(message, key=key, digest_size=8).digest()


@dataclass(frozen=True, slots=True)
class Press:
    """A PRESS frame with 20 hours left in the battery, its margin not measured; ``keys`` as the
    bits of the wire."""

    handset: int
    counter: int
    keys: int
    age_10ms: int
    beat: int


def make_press(press: Press, handset_key: bytes, session: bytes) -> bytes:
    """The frame that a handset sends."""
    body = bytes([PRESS, press.handset]) + press.counter.to_bytes(4, "big")
    body += press.keys.to_bytes(2, "big") + bytes([press.age_10ms])
    body += press.beat.to_bytes(4, "big") + bytes([20, 0xFF])
    return framed(body + tag(handset_key, body + session))


def make_hello(handset: int, counter: int, handset_key: bytes, key_count: int = 12) -> bytes:
    """The frame of a handset of firmware revision 1 that asks for the session."""
    body = bytes([HELLO, handset]) + counter.to_bytes(4, "big") + bytes([key_count, 1])
    return framed(body + tag(handset_key, body))


@dataclass(frozen=True, slots=True)
class Welcome:
    """A WELCOME frame."""

    handset: int
    counter: int
    session: bytes
    beat: int


def read_welcome(body: bytes, handset_key: bytes) -> Welcome:
    """Raises :class:`BadFrameError` for each thing that a handset refuses."""
    if body[0] != WELCOME or len(body) != 26 or not 1 <= body[1] <= 254:
        raise BadFrameError(f"no WELCOME: {body.hex()}")
    said = body[:18]
    if tag(handset_key, said) != body[18:]:
        raise BadFrameError(f"tag of {body.hex()}")
    counter, beat = int.from_bytes(said[2:6], "big"), int.from_bytes(said[14:18], "big")
    return Welcome(said[1], counter, said[6:14], beat)


@dataclass(frozen=True, slots=True)
class State:
    """A STATE frame. ``numerals`` None is no count; ``flags`` in plain words."""

    beat: int
    phase: str
    numerals: int | None
    remaining_10ms: int
    flags: frozenset[str]
    mark: int
    cue: int
    handset: int
    counter: int
    result: str


def read_state(body: bytes, broadcast_key: bytes, session: bytes) -> State:
    """Raises :class:`BadFrameError` for each thing that a handset refuses."""
    if body[0] != STATE or len(body) != 24:
        raise BadFrameError(f"no STATE: {body.hex()}")
    said = body[:16]
    if tag(broadcast_key, said + session) != body[16:]:
        raise BadFrameError(f"tag of {body.hex()}")
    phase, numerals, flags, mark, cue = said[5], said[6], said[9], said[10], said[11]
    handset, result = said[12], said[15]
    if phase > 5 or 99 < numerals < 0xFF or flags > 0x0F or handset == 255 or result > 6:
        raise BadFrameError(f"out of range: {body.hex()}")
    if (mark and not 11 <= mark <= 99) or (cue and cue % 16 not in (1, 2, 3)):
        raise BadFrameError(f"mark or cue: {body.hex()}")
    return State(
        int.from_bytes(said[1:5], "big"),
        PHASES[phase],
        None if numerals == 0xFF else numerals,
        int.from_bytes(said[7:9], "big"),
        frozenset(word for bit, word in enumerate(STATE_FLAGS) if flags >> bit & 1),
        mark,
        cue,
        handset,
        int.from_bytes(said[13:15], "big"),
        RESULTS[result],
    )
