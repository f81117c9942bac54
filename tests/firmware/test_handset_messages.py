"""Tags, frames, keys and battery of the handset's firmware on this computer, with sanitizers."""

from __future__ import annotations

import hashlib
import random

import pytest

from drivers.base import Answer, PhaseCode
from drivers.handset.messages import StateFlag
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
KINDS = ("show", "status", "press", "state", "hello", "welcome", "who", "here", "keys")


def fields(vector: Vector) -> list[int]:
    """A STATE's fields as numbers."""
    numerals = vector.optional("numerals")
    flags = [StateFlag[name] for name in vector.fields["flags"].split("|") if name != "0"]
    return [
        vector.hexadecimal("beat"),
        PhaseCode[vector.fields["phase"]],
        255 if numerals is None else numerals,
        vector.number("remaining_10ms"),
        sum(flags),
        vector.number("mark"),
        vector.hexadecimal("cue"),
        vector.number("ack_handset"),
        vector.hexadecimal("ack_counter"),
        Answer[vector.fields["ack_result"]],
    ]


def opened_state(handset: HandsetOnPC, vector: Vector, wire: bytes) -> str:
    given = vector.given.get("broadcast_key", "F0" * 16), vector.given.get("session", "5E" * 8)
    (told,) = handset.ask(f"open {given[0]} {given[1]} {wire.hex()}")
    return told


def opened_welcome(handset: HandsetOnPC, vector: Vector) -> str:
    key = vector.given.get("handset_key", "F0" * 16)
    (told,) = handset.ask(f"welcome {key} {vector.wire.hex()}")
    return told


def test_every_state_of_the_page_is_read_and_every_refused_frame_refused() -> None:
    with HandsetOnPC() as handset:
        for vector in STATES:
            told = opened_state(handset, vector, vector.wire)
            assert [int(each) for each in told.split()] == fields(vector), vector
        for reader in ("frame", *KINDS):
            for vector in refused(reader):
                assert opened_state(handset, vector, vector.wire) == "refused", vector
        for vector in vectors(*(kind for kind in KINDS if kind != "state")):
            assert opened_state(handset, vector, vector.wire) == "refused", vector


def test_every_welcome_of_the_page_is_read_and_nothing_else() -> None:
    with HandsetOnPC() as handset:
        for vector in vectors("welcome"):
            numbers = [vector.number("handset"), vector.hexadecimal("counter")]
            numbers.append(vector.hexadecimal("beat"))
            wanted = f"{' '.join(map(str, numbers))} {vector.fields['session'].lower()}"
            assert opened_welcome(handset, vector) == wanted, vector
        for reader in ("frame", *KINDS):
            for vector in refused(reader):
                if (reader, vector.fields["reason"]) != ("welcome", "handset"):  # not its own
                    assert opened_welcome(handset, vector) == "refused", vector
        for vector in vectors(*(kind for kind in KINDS if kind != "welcome")):
            assert opened_welcome(handset, vector) == "refused", vector


def test_every_press_of_the_page_is_made() -> None:
    with HandsetOnPC() as handset:
        for vector in vectors("press"):
            words: list[object] = [vector.given["handset_key"], vector.given["session"]]
            words += [vector.number("handset"), vector.hexadecimal("counter")]
            words += [vector.hexadecimal("keys"), vector.number("age_10ms")]
            margin_db = vector.optional("margin_db")
            words += [vector.hexadecimal("beat"), vector.number("battery")]
            words.append(255 if margin_db is None else margin_db)
            (made,) = handset.ask("press " + " ".join(map(str, words)))
            assert bytes.fromhex(made) == vector.wire, vector


def test_every_hello_of_the_page_is_made() -> None:
    with HandsetOnPC() as handset:
        for vector in vectors("hello"):
            words = [vector.number("handset"), vector.hexadecimal("counter")]
            words += [vector.number("layout"), vector.number("revision")]
            said = f"hello {vector.given['handset_key']} {' '.join(map(str, words))}"
            (made,) = handset.ask(said)
            assert bytes.fromhex(made) == vector.wire, vector


def test_every_bit_of_a_state_counts() -> None:
    with HandsetOnPC() as handset:
        wire = STATES[1].wire
        for bit in range(8, 8 * (len(wire) - 1)):
            damaged = bytearray(wire)
            damaged[bit // 8] ^= 1 << bit % 8
            assert opened_state(handset, STATES[1], bytes(damaged)) == "refused", bit


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
