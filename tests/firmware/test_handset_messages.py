"""Tags, frames, keys and battery of the handset's firmware on this computer, with sanitizers."""

from __future__ import annotations

import hashlib
import random
from dataclasses import astuple

import pytest

from tests.drivers.handset.test_messages import state_of
from tests.firmware.handset_pc import HandsetOnPC
from tests.shared import blake2s
from tests.shared.protocol_page import Vector, refused, vectors

pytestmark = pytest.mark.needs_gcc

IV = (
    0x6A09E667,
    0xBB67AE85,
    0x3C6EF372,
    0xA54FF53A,
    0x510E527F,
    0x9B05688C,
    0x1F83D9AB,
    0x5BE0CD19,
)


def digest(handset: HandsetOnPC, message: bytes, key: bytes, size: int) -> bytes:
    """Any BLAKE2s out of the firmware's compression: RFC 7693, section 3.3."""
    words = list(IV)
    words[0] ^= 0x01010000 | len(key) << 8 | size
    h = b"".join(word.to_bytes(4, "little") for word in words)
    data = (key.ljust(64, b"\0") if key else b"") + message
    blocks = [data[at : at + 64] for at in range(0, len(data), 64)] or [b""]
    done = 0
    for place, block in enumerate(blocks, 1):
        done += len(block)
        last = int(place == len(blocks))
        line = f"compress {h.hex()} {block.ljust(64, bytes(1)).hex()} {done} {last}"
        h = bytes.fromhex(handset.ask(line)[0])
    return h[:size]


def test_the_compression_is_the_rfcs() -> None:
    """RFC 7693, Appendix B ("abc") and Appendix E (the hash of 240 hashes)."""

    with HandsetOnPC() as handset:
        assert digest(handset, b"abc", b"", 32).hex() == blake2s.ABC
        of_all = b""
        for size in (16, 20, 28, 32):
            for length in (0, 3, 64, 65, 255, 1024):
                message = blake2s.sequence(length, length)
                of_all += digest(handset, message, b"", size)
                of_all += digest(handset, message, blake2s.sequence(size, size), size)
        wanted = "6A411F08CE25ADCDFB02ABA641451CEC53C598B24F4FC787FBDC88797F4C1DFE"
        assert digest(handset, of_all, b"", 32).hex().upper() == wanted


def test_tags_are_those_of_the_standard_library() -> None:
    chance = random.Random(7693)
    with HandsetOnPC() as handset:
        for length in range(1, 65):
            key, message = chance.randbytes(16), chance.randbytes(length)
            (tag,) = handset.ask(f"tag {key.hex()} {message.hex()}")
            assert tag == hashlib.blake2s(message, key=key, digest_size=8).hexdigest()


STATES = vectors("state")


def fields(vector: Vector) -> list[int]:
    """A STATE's fields as numbers."""
    return [255 if each is None else int(each) for each in astuple(state_of(vector))]


def test_every_state_of_the_page_is_read_and_every_refused_frame_refused() -> None:
    with HandsetOnPC() as handset:
        for vector in STATES:
            (told,) = handset.ask(f"open {vector.wire.hex()}")
            assert [int(each) for each in told.split()] == fields(vector), vector
        for reader in ("frame", "state", "press", "show", "status", "who", "here", "keys"):
            for vector in refused(reader):
                assert handset.ask(f"open {vector.wire.hex()}") == ["refused"], vector
        for vector in vectors("press", "show", "status", "who", "here", "keys"):
            assert handset.ask(f"open {vector.wire.hex()}") == ["refused"], vector


def test_every_press_of_the_page_is_made() -> None:
    with HandsetOnPC() as handset:
        for vector in vectors("press"):
            words = [vector.given["handset_key"], int(vector.given["session"], 16)]
            words += [vector.number("handset"), vector.hexadecimal("counter")]
            words += [vector.hexadecimal("keys"), vector.number("age_10ms")]
            words += [vector.hexadecimal("beat"), vector.number("battery")]
            (made,) = handset.ask("press " + " ".join(map(str, words)))
            assert bytes.fromhex(made) == vector.wire, vector


def test_every_bit_of_a_state_counts() -> None:
    with HandsetOnPC() as handset:
        wire = STATES[1].wire
        for bit in range(8, 8 * (len(wire) - 1)):
            damaged = bytearray(wire)
            damaged[bit // 8] ^= 1 << bit % 8
            assert handset.ask(f"open {damaged.hex()}") == ["refused"], bit


def test_less_voltage_is_never_more_hours() -> None:
    with HandsetOnPC() as handset:
        told = handset.ask(*(f"hours {mv}" for mv in range(1500, 5000, 5)))
        hours = [int(each) for each in told]
        assert hours == sorted(hours) and hours[-1] <= 70


def test_an_empty_battery_is_0_hours_and_an_open_divider_unknown() -> None:
    with HandsetOnPC() as handset:
        told = handset.ask("hours 0", "hours 1499", "hours 1500", "hours 3400", "hours 3900")
        assert [*told, *handset.ask("hours 4650", "hours 6600")] == [
            "255", "255", "0", "0", "34", "70", "70",
        ]  # fmt: skip
