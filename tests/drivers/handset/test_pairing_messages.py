"""WHO, HERE and KEYS: the vectors of the page both ways, the proofs, and arbitrary bytes."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import framing
from drivers.base import FrameError
from drivers.handset import pairing_messages as messages
from drivers.handset.pairing_messages import Paired
from tests.shared.protocol_page import Vector, refused, vectors

UP = bytes(range(16))
DOWN = bytes(range(0xF0, 0x100))
NINE = Paired(9, UP, DOWN)
NONCE = bytes.fromhex("A1B2C3D4E5F60718")

nonces = st.binary(min_size=8, max_size=8)
keys16 = st.binary(min_size=16, max_size=16)


def paired_of(vector: Vector) -> Paired | None:
    number = vector.number("number")
    return Paired(number, *keys_of(vector)) if number else None


def keys_of(vector: Vector) -> tuple[bytes, bytes]:
    return vector.given_bytes("handset_key"), vector.given_bytes("broadcast_key")


def nonce_of(vector: Vector) -> bytes:
    return bytes.fromhex(vector.fields["nonce"])


@pytest.mark.parametrize("vector", vectors("who"), ids=str)
def test_who_vectors_both_ways(vector: Vector) -> None:
    assert messages.encode_who(nonce_of(vector)) == vector.wire
    assert messages.decode_who(framing.decode(vector.content)) == nonce_of(vector)
    assert len(vector.wire) == 16


@pytest.mark.parametrize("vector", vectors("here"), ids=str)
def test_here_vectors_both_ways(vector: Vector) -> None:
    paired = paired_of(vector)
    here = messages.make_here(
        nonce_of(vector), vector.number("layout"), vector.number("revision"), paired
    )
    assert messages.encode_here(here) == vector.wire
    assert messages.decode_here(framing.decode(vector.content)) == here
    if paired is not None:
        assert here.proves(paired)
    assert len(vector.wire) == 35


@pytest.mark.parametrize("vector", vectors("keys"), ids=str)
def test_keys_vectors_both_ways(vector: Vector) -> None:
    paired = paired_of(vector)
    assert paired is not None
    assert messages.encode_keys(nonce_of(vector), paired) == vector.wire
    assert messages.decode_keys(framing.decode(vector.content)) == (nonce_of(vector), paired)
    assert len(vector.wire) == 49


WORDS = {"type": "kind"}


@pytest.mark.parametrize("vector", refused("here"), ids=str)
def test_refused_here_vectors(vector: Vector) -> None:
    body, reason = framing.decode(vector.content), vector.fields["reason"]
    if reason == "proof":
        assert not messages.decode_here(body).proves(Paired(1, *keys_of(vector)))
        return
    with pytest.raises(FrameError, match=WORDS.get(reason, reason)):
        messages.decode_here(body)


@pytest.mark.parametrize("vector", refused("who") + refused("keys"), ids=str)
def test_refused_who_and_keys_vectors(vector: Vector) -> None:
    decode = messages.decode_who if vector.fields["as"] == "who" else messages.decode_keys
    reason = vector.fields["reason"]
    with pytest.raises(FrameError, match=WORDS.get(reason, reason)) as caught:
        decode(framing.decode(vector.content))
    assert vector.given["handset_key"].lower() not in str(caught.value).lower()


def test_here_byte_by_byte_as_the_table_of_the_page() -> None:
    here = messages.make_here(NONCE, 12, 3, NINE)
    body = framing.decode(messages.encode_here(here)[1:-1])
    assert body[:12].hex(" ") == "28 a1 b2 c3 d4 e5 f6 07 18 0c 03 09"
    assert body[12:20] == hashlib.blake2s(body[:12], key=UP, digest_size=8).digest()
    assert body[20:] == hashlib.blake2s(body[:12], key=DOWN, digest_size=8).digest()


def test_keys_byte_by_byte_as_the_table_of_the_page() -> None:
    body = framing.decode(messages.encode_keys(NONCE, NINE)[1:-1])
    assert body == bytes([0x29]) + NONCE + bytes([9]) + UP + DOWN


def test_every_bit_that_here_says_is_under_both_proofs() -> None:
    body = framing.decode(messages.encode_here(messages.make_here(NONCE, 12, 1, NINE))[1:-1])
    for bit in range(8 * len(body)):
        forged = (int.from_bytes(body, "big") ^ 1 << bit).to_bytes(len(body), "big")
        try:
            here = messages.decode_here(forged)
        except FrameError:
            continue
        assert not here.proves(NINE)


@given(nonces, st.integers(0, 255), st.sampled_from([4, 12]), nonces)
def test_no_proof_is_the_tag_of_another_message(
    nonce: bytes, revision: int, layout: int, session: bytes
) -> None:
    """Whatever nonce is asked: what is proved has 12 bytes, a HELLO 8, a WELCOME 18, and with its
    session a PRESS 23 and a STATE 24."""
    here = messages.make_here(nonce, layout, revision, NINE)
    said = framing.decode(messages.encode_here(here)[1:-1])
    for tagged in (said[:8], said[:18], said[:15] + session, said[:12] + session):
        assert hashlib.blake2s(tagged, key=UP, digest_size=8).digest() != here.handset_proof
    told = hashlib.blake2s(said[:16] + session, key=DOWN, digest_size=8).digest()
    assert told != here.broadcast_proof


def test_a_key_never_shows_in_what_is_printed() -> None:
    shown = repr(NINE)
    assert shown == "Paired(number=9)"


@pytest.mark.parametrize(
    ("field", "nonce", "paired"),
    [
        ("KEYS nonce of 7", NONCE[1:], NINE),
        ("KEYS handset_key of 15", NONCE, Paired(9, UP[1:], DOWN)),
        ("KEYS number 0", NONCE, Paired(0, UP, DOWN)),
    ],
)
def test_encode_keys_names_the_bad_field(field: str, nonce: bytes, paired: Paired) -> None:
    with pytest.raises(FrameError, match=field):
        messages.encode_keys(nonce, paired)


@pytest.mark.parametrize(
    ("field", "layout", "revision", "number"),
    [("layout 11", 11, 1, 0), ("revision 256", 12, 256, 0), ("number 255", 12, 1, 255)],
)
def test_encode_here_names_the_bad_field(
    field: str, layout: int, revision: int, number: int
) -> None:
    here = messages.Here(NONCE, layout, revision, number, bytes(8), bytes(8))
    with pytest.raises(FrameError, match=field):
        messages.encode_here(here)


@given(st.binary(max_size=60))
def test_arbitrary_bytes_are_no_fault(body: bytes) -> None:
    for kind, read in ((0x27, messages.decode_who), (0x28, messages.decode_here)):
        try:
            read(bytes([kind]) + body)
        except FrameError:
            continue
    try:
        _, paired = messages.decode_keys(b"\x29" + body)
    except FrameError:
        return
    assert 1 <= paired.number <= 254


@given(nonces, st.integers(1, 254), keys16, keys16)
def test_keys_round_trip(nonce: bytes, number: int, up: bytes, down: bytes) -> None:
    paired = Paired(number, up, down)
    if up == down or not any(up) or not any(down):
        return
    body = framing.decode(messages.encode_keys(nonce, paired)[1:-1])
    assert messages.decode_keys(body) == (nonce, paired)
