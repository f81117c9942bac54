"""Frames as an attacker makes them: with whatever keys he holds, or by harming good ones."""

from __future__ import annotations

import random
import zlib
from collections.abc import Iterator
from itertools import combinations

from tests.shared.frames import PRESS, STATE, WELCOME, framed, opened, stuff, tag


def make_state(
    beat: int,
    session: bytes,
    broadcast_key: bytes,
    *,
    numerals: int = 0xFF,
    phase: int = 0,
    remaining_10ms: int = 0,
) -> bytes:
    """A STATE with lit boards and no acknowledgement."""
    said = bytes([STATE]) + beat.to_bytes(4, "big") + bytes([phase, numerals])
    said += remaining_10ms.to_bytes(2, "big") + bytes([1, 0, 0, 0, 0, 0, 0])
    return framed(said + tag(broadcast_key, said + session))


def make_welcome(handset: int, counter: int, session: bytes, beat: int, key: bytes) -> bytes:
    """A WELCOME under the key of a handset."""
    said = bytes([WELCOME, handset]) + counter.to_bytes(4, "big") + session
    said += beat.to_bytes(4, "big")
    return framed(said + tag(key, said))


def counter_of(frame: bytes) -> int:
    """Of a PRESS, HELLO or WELCOME."""
    return int.from_bytes(opened(frame[1:-1])[2:6], "big")


def quickly_framed(body: bytes) -> bytes:
    """As :func:`~tests.shared.frames.framed`, for frames by the hundred thousand."""
    return b"\0" + stuff(body + zlib.crc32(body).to_bytes(4, "big")) + b"\0"


def of_version(version: int, frame: bytes) -> bytes:
    """The same frame as of another version of the protocol."""
    body = opened(frame[1:-1])
    return framed(bytes([version << 4 | body[0] & 0x0F]) + body[1:])


def damaged(frame: bytes, bits: int) -> Iterator[bytes]:
    """Every frame that differs by so many bits between the delimiters."""
    inner = int.from_bytes(frame[1:-1], "big")
    size = len(frame) - 2
    for places in combinations(range(8 * size), bits):
        turned = inner ^ sum(1 << place for place in places)
        yield b"\0" + turned.to_bytes(size, "big") + b"\0"


def made_up_presses(handset: int, beat: int, key_of_his: bytes) -> Iterator[bytes]:
    """A spectator's: every key, any counter, the beat that he heard, tags of all sorts."""
    dice = random.Random(64)
    while True:
        keys = 1 << dice.randrange(12) | 0x8000 * dice.randrange(2)
        said = bytes([PRESS, handset]) + dice.randbytes(4) + keys.to_bytes(2, "big") + b"\0"
        said += beat.to_bytes(4, "big") + b"\x14\xff"
        tags = (dice.randbytes(8), bytes(8), b"\xff" * 8, tag(key_of_his, said + bytes(8)))
        yield quickly_framed(said + dice.choice(tags))
