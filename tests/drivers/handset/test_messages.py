"""The handset link's messages: the page's vectors both ways, the tag, damage, arbitrary bytes."""

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
from drivers.base import Answer, CueCode, Edge, FrameError, Key, PhaseCode
from drivers.handset import messages
from drivers.handset.messages import (
    HelloFrame,
    PressFrame,
    StateFlag,
    StateFrame,
    WelcomeFrame,
    cue_byte,
)
from tests.shared.protocol_page import Vector, refused, unhex, vectors

UP = bytes(range(16))
DOWN = bytes(range(16, 32))
SESSION = bytes(range(0xA0, 0xA8))
OTHER_SESSION = bytes(range(0xA0, 0xA7)) + b"\0"

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
    beat=long_word,
    battery=byte,
    margin_db=byte,
)
states = st.builds(
    StateFrame,
    beat=long_word,
    phase=st.sampled_from(PhaseCode),
    numerals=st.one_of(st.none(), st.integers(0, 99)),
    remaining_10ms=word,
    flags=st.integers(0, 0x0F).map(StateFlag),
    mark=st.one_of(st.just(0), st.integers(11, 99)),
    cue=st.builds(cue_byte, st.one_of(st.none(), st.sampled_from(CueCode)), st.integers(0, 40)),
    ack_handset=st.integers(0, 254),
    ack_counter=word,
    ack_result=st.sampled_from(Answer),
)
hellos = st.builds(
    HelloFrame,
    handset=st.integers(1, 254),
    counter=long_word,
    layout=st.sampled_from((12, 4)),
    revision=byte,
)
welcomes = st.builds(
    WelcomeFrame,
    handset=st.integers(1, 254),
    counter=long_word,
    session=st.binary(min_size=8, max_size=8),
    beat=long_word,
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
        margin_db=0xFF if (margin := vector.optional("margin_db")) is None else margin,
    )


def state_of(vector: Vector) -> StateFrame:
    names = [name for name in vector.fields["flags"].split("|") if name != "0"]
    return StateFrame(
        beat=vector.hexadecimal("beat"),
        phase=PhaseCode[vector.fields["phase"]],
        numerals=vector.optional("numerals"),
        remaining_10ms=vector.number("remaining_10ms"),
        flags=functools.reduce(operator.or_, [StateFlag[name] for name in names], StateFlag(0)),
        mark=vector.number("mark"),
        cue=vector.hexadecimal("cue"),
        ack_handset=vector.number("ack_handset"),
        ack_counter=vector.hexadecimal("ack_counter"),
        ack_result=Answer[vector.fields["ack_result"]],
    )


def hello_of(vector: Vector) -> HelloFrame:
    counter = vector.hexadecimal("counter")
    rest = vector.number("layout"), vector.number("revision")
    return HelloFrame(vector.number("handset"), counter, *rest)


def welcome_of(vector: Vector) -> WelcomeFrame:
    counter, session = vector.hexadecimal("counter"), unhex(vector.fields["session"])
    return WelcomeFrame(vector.number("handset"), counter, session, vector.hexadecimal("beat"))


def given_keys(vector: Vector) -> tuple[bytes, bytes, bytes]:
    own, broadcast = vector.given_bytes("handset_key"), vector.given_bytes("broadcast_key")
    return own, broadcast, vector.given_bytes("session")


@pytest.mark.parametrize("vector", vectors("press"), ids=str)
def test_press_vectors_both_ways(vector: Vector) -> None:
    up, _, session = given_keys(vector)
    frame, body = press_of(vector), framing.decode(vector.content)
    assert messages.encode_press(frame, session, up) == vector.wire
    assert messages.parse_press(body) == frame
    assert messages.press_is_authentic(body, session, up)
    assert len(vector.wire) == 30


@pytest.mark.parametrize("vector", vectors("state"), ids=str)
def test_state_vectors_both_ways(vector: Vector) -> None:
    _, down, session = given_keys(vector)
    frame = state_of(vector)
    assert messages.encode_state(frame, session, down) == vector.wire
    assert messages.decode_state(framing.decode(vector.content), session, down) == frame
    assert len(vector.wire) == 31


@pytest.mark.parametrize("vector", vectors("hello"), ids=str)
def test_hello_vectors_both_ways(vector: Vector) -> None:
    up, _, _ = given_keys(vector)
    frame, body = hello_of(vector), framing.decode(vector.content)
    assert messages.encode_hello(frame, up) == vector.wire
    assert messages.parse_hello(body) == frame
    assert messages.hello_is_authentic(body, up)
    assert len(vector.wire) == 23


@pytest.mark.parametrize("vector", vectors("welcome"), ids=str)
def test_welcome_vectors_both_ways(vector: Vector) -> None:
    up, _, _ = given_keys(vector)
    frame = welcome_of(vector)
    assert messages.encode_welcome(frame, up) == vector.wire
    assert messages.decode_welcome(framing.decode(vector.content), up) == frame
    assert len(vector.wire) == 33


def test_press_byte_by_byte_as_the_table_of_the_page() -> None:
    keys = messages.keys_of(Key.NO_COUNT, Edge.HELD)
    frame = PressFrame(3, 0x01020304, keys, 5, beat=0x06070809, battery=10, margin_db=11)
    body = body_of(messages.encode_press(frame, SESSION, UP))
    assert body[:15].hex(" ") == "23 03 01 02 03 04 84 00 05 06 07 08 09 0a 0b"
    assert body[15:] == hashlib.blake2s(body[:15] + SESSION, key=UP, digest_size=8).digest()


def test_state_byte_by_byte_as_the_table_of_the_page() -> None:
    flags, cue = StateFlag.BOARDS_LIT | StateFlag.ASSUMED, cue_byte(CueCode.NUDGE, 17)
    told = PhaseCode.RUNNING, 40, 4000, flags, 25, cue
    frame = StateFrame(0x01020304, *told, 7, 0x0809, Answer.HELD)
    body = body_of(messages.encode_state(frame, SESSION, DOWN))
    assert body[:16].hex(" ") == "24 01 02 03 04 02 28 0f a0 09 19 11 07 08 09 02"
    assert body[16:] == hashlib.blake2s(body[:16] + SESSION, key=DOWN, digest_size=8).digest()


def test_hello_and_welcome_byte_by_byte_as_the_tables_of_the_page() -> None:
    hello = body_of(messages.encode_hello(HelloFrame(3, 0x01020304, 4, 5), UP))
    assert hello[:8].hex(" ") == "25 03 01 02 03 04 04 05"
    assert hello[8:] == hashlib.blake2s(hello[:8], key=UP, digest_size=8).digest()
    frame = WelcomeFrame(3, 0x01020304, SESSION, 0x05060708)
    welcome = body_of(messages.encode_welcome(frame, UP))
    said = "26 03 01 02 03 04 a0 a1 a2 a3 a4 a5 a6 a7 05 06 07 08"
    assert welcome[:18].hex(" ") == said
    assert welcome[18:] == hashlib.blake2s(welcome[:18], key=UP, digest_size=8).digest()


REASONS = {"type": "kind", "version": "version [13]; this program speaks version 2"}


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
        with pytest.raises(FrameError, match=REASONS.get(reason, reason)):
            messages.parse_press(body)


@pytest.mark.parametrize("vector", refused("state"), ids=str)
def test_refused_state_vectors(vector: Vector) -> None:
    _, down, session = given_keys(vector)
    reason = vector.fields["reason"]
    with pytest.raises(FrameError, match=REASONS.get(reason, reason)):
        messages.decode_state(framing.decode(vector.content), session, down)


@pytest.mark.parametrize("vector", refused("hello"), ids=str)
def test_refused_hello_vectors(vector: Vector) -> None:
    up, _, _ = given_keys(vector)
    body, reason = framing.decode(vector.content), vector.fields["reason"]
    if reason == "tag":
        assert messages.parse_hello(body).handset == 1
        assert not messages.hello_is_authentic(body, up)
    else:
        with pytest.raises(FrameError, match=REASONS.get(reason, reason)):
            messages.parse_hello(body)


@pytest.mark.parametrize("vector", refused("welcome"), ids=str)
def test_refused_welcome_vectors(vector: Vector) -> None:
    up, _, _ = given_keys(vector)
    reason = vector.fields["reason"]
    with pytest.raises(FrameError, match=REASONS.get(reason, reason)):
        messages.decode_welcome(framing.decode(vector.content), up)


@given(presses)
def test_press_round_trip(frame: PressFrame) -> None:
    body = body_of(messages.encode_press(frame, SESSION, UP))
    assert messages.parse_press(body) == frame
    assert messages.press_is_authentic(body, SESSION, UP)
    assert not messages.press_is_authentic(body, OTHER_SESSION, UP)
    assert not messages.press_is_authentic(body, SESSION, DOWN)


@given(states)
def test_state_round_trip(frame: StateFrame) -> None:
    body = body_of(messages.encode_state(frame, SESSION, DOWN))
    assert messages.decode_state(body, SESSION, DOWN) == frame
    for session, key in ((SESSION, UP), (OTHER_SESSION, DOWN)):
        with pytest.raises(FrameError, match="tag"):
            messages.decode_state(body, session, key)


@given(hellos, welcomes)
def test_hello_and_welcome_round_trip(hello: HelloFrame, welcome: WelcomeFrame) -> None:
    body = body_of(messages.encode_hello(hello, UP))
    assert messages.parse_hello(body) == hello
    assert messages.hello_is_authentic(body, UP)
    assert not messages.hello_is_authentic(body, DOWN)
    body = body_of(messages.encode_welcome(welcome, UP))
    assert messages.decode_welcome(body, UP) == welcome
    with pytest.raises(FrameError, match="tag"):
        messages.decode_welcome(body, DOWN)


def test_of_all_65536_values_of_keys_only_25_are_reports() -> None:
    """No key, which is presence, and each of twelve keys with each of its edges."""
    good = {}
    for keys in range(0x10000):
        with contextlib.suppress(FrameError):
            good[keys] = PressFrame(1, 1, keys, 0, 0, 0).pressed
    every = itertools.product(Key, Edge)
    assert good == {0: None} | {messages.keys_of(*pressed): pressed for pressed in every}
    assert len(good) == 25


def refuses(kind: int, body: bytes) -> bool:
    """Whether a body with a bit turned is believed by nobody."""
    if kind == messages.PRESS:
        return not messages.press_is_authentic(body, SESSION, UP)
    if kind == messages.HELLO:
        return not messages.hello_is_authentic(body, UP)
    with pytest.raises(FrameError):
        if kind == messages.STATE:
            messages.decode_state(body, SESSION, DOWN)
        else:
            messages.decode_welcome(body, UP)
    return True


@pytest.mark.parametrize(
    "wire",
    [
        messages.encode_press(PressFrame(1, 7, 1, 0, 9, 20), SESSION, UP),
        messages.encode_state(
            StateFrame(9, PhaseCode.SET, 25, 0, StateFlag(0), 0, 0, 1, 7, Answer.HELD),
            SESSION,
            DOWN,
        ),
        messages.encode_hello(HelloFrame(1, 7, 12, 1), UP),
        messages.encode_welcome(WelcomeFrame(1, 7, SESSION, 9), UP),
    ],
    ids=["press", "state", "hello", "welcome"],
)
def test_every_bit_is_under_the_tag(wire: bytes) -> None:
    body = body_of(wire)
    for bit in range(8 * len(body)):
        forged = (int.from_bytes(body, "big") ^ 1 << bit).to_bytes(len(body), "big")
        assert refuses(body[0], forged), bit


def test_cues_are_numbered_modulo_16_and_none_has_no_number() -> None:
    assert [cue_byte(CueCode.NUDGE, n) for n in (1, 15, 16)] == [0x11, 0xF1, 0x01]
    assert cue_byte(None, 5) == 0


@pytest.mark.parametrize("key", [b"", UP[:15], UP + b"\0"])
def test_a_key_of_another_length_is_refused(key: bytes) -> None:
    with pytest.raises(ValueError, match=f"key of {len(key)} bytes"):
        messages.press_tag(bytes(15), SESSION, key)


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
        messages.encode_press(frame, SESSION, UP)


@pytest.mark.parametrize(
    ("field", "changed"),
    [
        ("numerals 100", {"numerals": 100}),
        ("remaining_10ms=65536", {"remaining_10ms": 65536}),
        ("mark 10", {"mark": 10}),
        ("cue 14", {"cue": 0x14}),
    ],
)
def test_encode_state_names_the_bad_field(field: str, changed: dict[str, Any]) -> None:
    frame = StateFrame(1, PhaseCode.RUNNING, 40, 0, StateFlag(0), 0, 0, 0, 0, Answer.NONE)
    with pytest.raises(FrameError, match=field):
        messages.encode_state(replace(frame, **changed), SESSION, DOWN)


def test_encode_hello_and_welcome_name_the_bad_field() -> None:
    with pytest.raises(FrameError, match="layout 11"):
        messages.encode_hello(HelloFrame(1, 1, 11, 1), UP)
    with pytest.raises(FrameError, match="revision=256"):
        messages.encode_hello(HelloFrame(1, 1, 12, 256), UP)
    with pytest.raises(FrameError, match="session 00"):
        messages.encode_welcome(WelcomeFrame(1, 1, bytes(7), 1), UP)


@given(st.binary(max_size=15).map(b"\x24".__add__))
def test_arbitrary_bytes_under_a_right_tag_are_a_state_or_a_frame_error(start: bytes) -> None:
    body16 = start.ljust(16, b"\0")
    tag = hashlib.blake2s(body16 + SESSION, key=DOWN, digest_size=8).digest()
    try:
        frame = messages.decode_state(body16 + tag, SESSION, DOWN)
    except FrameError:
        return
    assert body_of(messages.encode_state(frame, SESSION, DOWN)) == body16 + tag
