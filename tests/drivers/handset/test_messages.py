"""PRESS and STATE: the vectors of the page both ways, the tag, damage, and arbitrary bytes."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import itertools
import operator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import framing
from drivers.base import Answer, Edge, FrameError, Key, PhaseCode
from drivers.handset import messages
from drivers.handset.messages import PressFrame, StateFlag, StateFrame
from tests.shared.protocol_page import Vector, refused, vectors

UP = bytes(range(16))
DOWN = bytes(range(16, 32))

byte = st.integers(0, 0xFF)
word = st.integers(0, 0xFFFF)
long_word = st.integers(0, 0xFFFFFFFF)
reports = st.builds(messages.keys_of, st.sampled_from(Key), st.sampled_from(Edge))
presses = st.builds(
    PressFrame,
    handset=st.integers(1, 254),
    counter=long_word,
    keys=st.one_of(st.just(0), reports),
    age_10ms=byte,
    beat=word,
    battery=byte,
)
states = st.builds(
    StateFrame,
    session=long_word,
    beat=word,
    phase=st.sampled_from(PhaseCode),
    numerals=st.one_of(st.none(), st.integers(0, 99)),
    remaining_10ms=word,
    flags=st.integers(0, 0x1F).map(StateFlag),
    ack_handset=st.integers(0, 254),
    ack_counter=word,
    ack_result=st.sampled_from(Answer),
)


def body_of(wire: bytes) -> bytes:
    return framing.decode(wire[1:-1])


def press_of(vector: Vector) -> PressFrame:
    return PressFrame(
        handset=vector.number("handset"),
        counter=vector.hexadecimal("counter"),
        keys=vector.hexadecimal("keys"),
        age_10ms=vector.number("age_10ms"),
        beat=vector.hexadecimal("beat"),
        battery=vector.number("battery"),
    )


def state_of(vector: Vector) -> StateFrame:
    names = [name for name in vector.fields["flags"].split("|") if name != "0"]
    numerals = vector.fields["numerals"]
    return StateFrame(
        session=vector.hexadecimal("session"),
        beat=vector.hexadecimal("beat"),
        phase=PhaseCode[vector.fields["phase"]],
        numerals=None if numerals == "none" else int(numerals),
        remaining_10ms=vector.number("remaining_10ms"),
        flags=functools.reduce(operator.or_, [StateFlag[name] for name in names], StateFlag(0)),
        ack_handset=vector.number("ack_handset"),
        ack_counter=vector.hexadecimal("ack_counter"),
        ack_result=Answer[vector.fields["ack_result"]],
    )


def given_keys(vector: Vector) -> tuple[bytes, bytes, int]:
    up, down, session = (vector.given[name] for name in ("handset_key", "broadcast_key", "session"))
    return bytes.fromhex(up), bytes.fromhex(down), int(session, 16)


@pytest.mark.parametrize("vector", vectors("press"), ids=str)
def test_press_vectors_both_ways(vector: Vector) -> None:
    up, _, session = given_keys(vector)
    frame, body = press_of(vector), framing.decode(vector.content)
    assert messages.encode_press(frame, session, up) == vector.wire
    assert messages.parse_press(body) == frame
    assert messages.press_is_authentic(body, session, up)
    assert len(vector.wire) == 25


@pytest.mark.parametrize("vector", vectors("state"), ids=str)
def test_state_vectors_both_ways(vector: Vector) -> None:
    _, down, _ = given_keys(vector)
    frame = state_of(vector)
    assert messages.encode_state(frame, down) == vector.wire
    assert messages.decode_state(framing.decode(vector.content), down) == frame
    assert len(vector.wire) == 29


def test_press_byte_by_byte_as_the_table_of_the_page() -> None:
    keys = messages.keys_of(Key.NO_COUNT, Edge.HELD)
    frame = PressFrame(3, 0x01020304, keys, age_10ms=5, beat=0x0607, battery=8)
    body = body_of(messages.encode_press(frame, 0x2A, UP))
    assert body[:12].hex(" ") == "21 03 01 02 03 04 84 00 05 06 07 08"
    tagged = bytes.fromhex("0000002A") + body[:12]
    assert body[12:] == hashlib.blake2s(tagged, key=UP, digest_size=8).digest()


def test_state_byte_by_byte_as_the_table_of_the_page() -> None:
    flags = StateFlag.BOARDS_LIT | StateFlag.MARK_25
    frame = StateFrame(
        0x01020304, 0x0506, PhaseCode.RUNNING, 40, 4000, flags, 7, 0x0809, Answer.HELD
    )
    body = body_of(messages.encode_state(frame, DOWN))
    assert body[:16].hex(" ") == "22 01 02 03 04 05 06 02 28 0f a0 11 07 08 09 02"
    assert body[16:] == hashlib.blake2s(body[:16], key=DOWN, digest_size=8).digest()


@pytest.mark.parametrize("vector", refused("press"), ids=str)
def test_refused_press_vectors(vector: Vector) -> None:
    up, _, session = given_keys(vector)
    body = framing.decode(vector.content)
    reason = vector.fields["reason"]
    if reason == "tag":
        assert messages.parse_press(body).handset == 1
        assert not messages.press_is_authentic(body, session, up)
    elif reason == "keys":
        assert messages.press_is_authentic(body, session, up)
        with pytest.raises(FrameError, match="keys"):
            _ = messages.parse_press(body).pressed
    else:
        with pytest.raises(FrameError, match=reason):
            messages.parse_press(body)


@pytest.mark.parametrize("vector", refused("state"), ids=str)
def test_refused_state_vectors(vector: Vector) -> None:
    _, down, _ = given_keys(vector)
    with pytest.raises(FrameError, match=vector.fields["reason"]):
        messages.decode_state(framing.decode(vector.content), down)


@given(presses, long_word)
def test_press_round_trip(frame: PressFrame, session: int) -> None:
    body = body_of(messages.encode_press(frame, session, UP))
    assert messages.parse_press(body) == frame
    assert messages.press_is_authentic(body, session, UP)
    assert not messages.press_is_authentic(body, session ^ 1, UP)
    assert not messages.press_is_authentic(body, session, DOWN)


@given(states)
def test_state_round_trip(frame: StateFrame) -> None:
    body = body_of(messages.encode_state(frame, DOWN))
    assert messages.decode_state(body, DOWN) == frame
    with pytest.raises(FrameError, match="tag"):
        messages.decode_state(body, UP)


def test_of_all_65536_values_of_keys_only_25_are_reports() -> None:
    """No key, which is presence, and each of twelve keys with each of its edges."""
    good = {}
    for keys in range(0x10000):
        with contextlib.suppress(FrameError):
            good[keys] = PressFrame(1, 1, keys, 0, 0, 0).pressed
    every = itertools.product(Key, Edge)
    assert good == {0: None} | {messages.keys_of(*pressed): pressed for pressed in every}
    assert len(good) == 25


def test_every_bit_of_a_press_and_of_a_state_is_under_the_tag() -> None:
    press = body_of(messages.encode_press(PressFrame(1, 7, 1, 0, 9, 20), 0x2A, UP))
    state = body_of(
        messages.encode_state(
            StateFrame(0x2A, 9, PhaseCode.SET, 25, 0, StateFlag(0), 1, 7, Answer.HELD), DOWN
        )
    )
    for bit in range(8 * len(press)):
        forged = (int.from_bytes(press, "big") ^ 1 << bit).to_bytes(len(press), "big")
        assert not messages.press_is_authentic(forged, 0x2A, UP)
    for bit in range(8 * len(state)):
        forged = (int.from_bytes(state, "big") ^ 1 << bit).to_bytes(len(state), "big")
        with pytest.raises(FrameError):
            messages.decode_state(forged, DOWN)


@pytest.mark.parametrize("key", [b"", UP[:15], UP + b"\0"])
def test_a_key_of_another_length_is_refused(key: bytes) -> None:
    with pytest.raises(ValueError, match=f"key of {len(key)} bytes"):
        messages.press_tag(bytes(12), 1, key)


@pytest.mark.parametrize(
    ("field", "frame"),
    [
        ("handset 0", PressFrame(0, 1, 1, 0, 0, 0)),
        ("keys 0003", PressFrame(1, 1, 3, 0, 0, 0)),
        ("age_10ms=256", PressFrame(1, 1, 1, 256, 0, 0)),
    ],
)
def test_encode_press_names_the_bad_field(field: str, frame: PressFrame) -> None:
    with pytest.raises(FrameError, match=field):
        messages.encode_press(frame, 1, UP)


@pytest.mark.parametrize(
    ("field", "changed"),
    [("numerals 100", {"numerals": 100}), ("remaining_10ms=65536", {"remaining_10ms": 65536})],
)
def test_encode_state_names_the_bad_field(field: str, changed: dict[str, Any]) -> None:
    frame = StateFrame(1, 1, PhaseCode.RUNNING, 40, 0, StateFlag(0), 0, 0, Answer.NONE)
    with pytest.raises(FrameError, match=field):
        messages.encode_state(replace(frame, **changed), DOWN)


@given(st.binary(max_size=15).map(b"\x22".__add__))
def test_arbitrary_bytes_under_a_right_tag_are_a_state_or_a_frame_error(start: bytes) -> None:
    body16 = start.ljust(16, b"\0")
    tag = hashlib.blake2s(body16, key=DOWN, digest_size=8).digest()
    try:
        frame = messages.decode_state(body16 + tag, DOWN)
    except FrameError:
        return
    assert body_of(messages.encode_state(frame, DOWN)) == body16 + tag
