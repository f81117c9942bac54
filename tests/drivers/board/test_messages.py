"""SHOW and STATUS: the vectors of the page both ways, and what is refused."""

from __future__ import annotations

import functools
import operator
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import framing
from drivers.base import FrameError
from drivers.board import messages
from drivers.board.messages import NodeFlag, NodeStatus, Show
from tests.shared.protocol_page import Vector, refused, vectors

byte = st.integers(0, 0xFF)
word = st.integers(0, 0xFFFF)
shows = st.builds(
    Show,
    controller_id=word,
    stamp=word,
    numerals=st.one_of(st.integers(0, 99), st.sampled_from([messages.DARK, messages.LAMP_TEST])),
    brightness=st.integers(1, 15),
    ask=st.integers(0, 8),
    node_mask=byte,
)
statuses = st.builds(
    NodeStatus,
    node=st.integers(1, 8),
    stamp=word,
    segments=st.tuples(byte, byte),
    brightness=st.integers(1, 15),
    flags=st.integers(0, 0x7F).map(NodeFlag),
    supply_dv=byte,
    frame_errors=byte,
    foreign_frames=byte,
    uptime_s=word,
    revision=byte,
    tens_ma=st.none() | st.integers(0, 0xFFFE),
    units_ma=st.none() | st.integers(0, 0xFFFE),
    temperature_c=st.none() | st.integers(-127, 127),
    light=st.none() | st.integers(0, 0xFE),
)


CODECS: dict[str, tuple[Callable[[bytes], Any], Callable[[Any], bytes]]] = {
    "show": (messages.decode_show, messages.encode_show),
    "status": (messages.decode_status, messages.encode_status),
}


def body_of(wire: bytes) -> bytes:
    return framing.decode(wire[1:-1])


def show_of(vector: Vector) -> Show:
    words = {"dark": messages.DARK, "lamp_test": messages.LAMP_TEST}
    numerals = vector.fields["numerals"]
    return Show(
        controller_id=vector.hexadecimal("controller"),
        stamp=vector.hexadecimal("stamp"),
        numerals=words[numerals] if numerals in words else int(numerals),
        brightness=vector.number("brightness"),
        ask=vector.number("ask"),
        node_mask=vector.hexadecimal("mask"),
    )


def status_of(vector: Vector) -> NodeStatus:
    names = [name for name in vector.fields["flags"].split("|") if name != "0"]
    tens, units = bytes.fromhex(vector.fields["segments"])
    return NodeStatus(
        node=vector.number("node"),
        stamp=vector.hexadecimal("stamp"),
        segments=(tens, units),
        brightness=vector.number("brightness"),
        flags=functools.reduce(operator.or_, [NodeFlag[name] for name in names], NodeFlag(0)),
        supply_dv=vector.number("supply_dv"),
        frame_errors=vector.number("frame_errors"),
        foreign_frames=vector.number("foreign_frames"),
        uptime_s=vector.number("uptime_s"),
        revision=vector.number("revision"),
        tens_ma=vector.optional("tens_ma"),
        units_ma=vector.optional("units_ma"),
        temperature_c=vector.optional("temperature_c"),
        light=vector.optional("light"),
    )


@pytest.mark.parametrize(
    ("vector", "message", "length"),
    [
        *(pytest.param(each, show_of(each), 16, id=str(each)) for each in vectors("show")),
        *(pytest.param(each, status_of(each), 27, id=str(each)) for each in vectors("status")),
    ],
)
def test_vectors_both_ways(vector: Vector, message: Show | NodeStatus, length: int) -> None:
    decode, encode = CODECS[vector.what]
    assert encode(message) == vector.wire
    assert decode(framing.decode(vector.content)) == message
    assert len(vector.wire) == length


def test_show_byte_by_byte_as_the_table_of_the_page() -> None:
    body = body_of(messages.encode_show(Show(0x1A2B, 0x3C4D, 25, 15, 2, 0x81)))
    assert body.hex(" ") == "21 1a 2b 3c 4d 19 0f 02 81"


def test_status_byte_by_byte_as_the_table_of_the_page() -> None:
    flags = NodeFlag.BROWN_OUT | NodeFlag.CHAIN_FAULT
    status = NodeStatus(2, 0x3C4D, (0x5B, 0x6D), 15, flags, 120, 3, 4, 0x0102, 7, 770, 1078, -2, 9)
    body = body_of(messages.encode_status(status))
    assert body.hex(" ") == "22 02 3c 4d 5b 6d 0f 24 78 03 04 01 02 07 03 02 04 36 fe 09"


@pytest.mark.parametrize("vector", refused("show") + refused("status"), ids=str)
def test_refused_vectors(vector: Vector) -> None:
    decode, _ = CODECS[vector.fields["as"]]
    reason = {"type": "kind"}.get(vector.fields["reason"], vector.fields["reason"])
    with pytest.raises(FrameError, match=reason):
        decode(framing.decode(vector.content))


def test_what_a_node_does_not_measure_is_none_and_never_a_number() -> None:
    status = NodeStatus(1, 0, (0, 0), 15, NodeFlag(0), 120, 0, 0, 0, 1)
    body = body_of(messages.encode_status(status))
    assert body[14:] == bytes.fromhex("FFFF FFFF 80 FF")
    read = messages.decode_status(body)
    assert (read.tens_ma, read.units_ma, read.temperature_c, read.light) == (None,) * 4
    nothing = messages.decode_status(body[:14] + bytes(6))
    assert (nothing.tens_ma, nothing.units_ma, nothing.temperature_c, nothing.light) == (0,) * 4


@given(shows, statuses)
def test_round_trips(show: Show, status: NodeStatus) -> None:
    assert messages.decode_show(body_of(messages.encode_show(show))) == show
    assert messages.decode_status(body_of(messages.encode_status(status))) == status


STATUS = NodeStatus(1, 1, (0, 0), 15, NodeFlag(0), 120, 0, 0, 0, 1)


@pytest.mark.parametrize(
    ("field", "message"),
    [
        ("numerals 100", Show(1, 1, 100, 15, 0, 3)),
        ("numerals -1", Show(1, 1, -1, 15, 0, 3)),
        ("brightness 0", Show(1, 1, 25, 0, 0, 3)),
        ("ask 9", Show(1, 1, 25, 15, 9, 3)),
        ("stamp=65536", Show(1, 65536, 25, 15, 0, 3)),
        ("node_mask=256", Show(1, 1, 25, 15, 0, 256)),
        ("node 0", NodeStatus(0, 1, (0, 0), 15, NodeFlag(0), 120, 0, 0, 0, 1)),
        ("uptime_s=65536", NodeStatus(1, 1, (0, 0), 15, NodeFlag(0), 120, 0, 0, 65536, 1)),
        ("tens_ma 65535: must be", replace(STATUS, tens_ma=0xFFFF)),
        ("units_ma -1: must be", replace(STATUS, units_ma=-1)),
        ("temperature_c -128: must be", replace(STATUS, temperature_c=-128)),
        ("temperature_c 128: must be", replace(STATUS, temperature_c=128)),
        ("light 255: must be", replace(STATUS, light=255)),
    ],
)
def test_encoding_names_the_bad_field(field: str, message: Show | NodeStatus) -> None:
    _, encode = CODECS["show" if isinstance(message, Show) else "status"]
    with pytest.raises(FrameError, match=field):
        encode(message)
