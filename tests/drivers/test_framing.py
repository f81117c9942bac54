"""Framing: the vectors of the page, a naive COBS, and streams cut in every way."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import framing
from drivers.base import FrameError
from drivers.framing import LONGEST_CONTENT, Deframer
from tests.shared import frames as independent
from tests.shared.protocol_page import Vector, refused, unhex, vectors

LONGEST_BODY = LONGEST_CONTENT - 5
bodies = st.binary(min_size=1, max_size=LONGEST_BODY)
zeroful = st.lists(st.sampled_from([b"\0", b"\x01", b"\xff" * 253, b"\x07" * 254])).map(b"".join)


@pytest.mark.parametrize("vector", vectors("cobs"), ids=str)
def test_cobs_vectors_both_ways(vector: Vector) -> None:
    data = unhex(vector.fields["data"])
    assert framing.stuff(data) == independent.stuff(data) == vector.wire
    assert framing.unstuff(vector.wire) == data


@pytest.mark.parametrize("vector", vectors("uncobs"), ids=str)
def test_cobs_vectors_for_the_receiver_alone(vector: Vector) -> None:
    assert framing.unstuff(unhex(vector.fields["content"])) == vector.wire


@given(st.one_of(st.binary(max_size=600), zeroful))
def test_stuffing_equals_the_naive_one_and_comes_back(data: bytes) -> None:
    stuffed = framing.stuff(data)
    assert stuffed == independent.stuff(data)
    assert 0 not in stuffed
    assert framing.unstuff(stuffed) == data


@given(bodies)
def test_a_frame_comes_back_and_costs_seven_bytes(body: bytes) -> None:
    wire = framing.encode(body)
    assert len(wire) == len(body) + 7
    assert wire[0] == wire[-1] == 0
    assert 0 not in wire[1:-1]
    assert wire == independent.framed(body)
    assert framing.decode(wire[1:-1]) == body


@pytest.mark.parametrize("vector", vectors("crc"), ids=str)
def test_crc_vectors_stand_behind_the_body_most_significant_byte_first(vector: Vector) -> None:
    data = unhex(vector.fields["data"])
    if data:
        checked = framing.unstuff(framing.encode(data)[1:-1])
        assert checked == data + unhex(vector.result)


@pytest.mark.parametrize("length", [0, LONGEST_BODY + 1])
def test_encode_refuses_what_no_receiver_takes(length: int) -> None:
    with pytest.raises(FrameError, match=f"body of {length} bytes"):
        framing.encode(bytes(length))


@pytest.mark.parametrize("vector", refused("frame"), ids=str)
def test_refused_vectors(vector: Vector) -> None:
    reasons = {"CRC": "CRC", "COBS": "COBS", "length": r"frame of \d+ bytes"}
    with pytest.raises(FrameError, match=reasons[vector.fields["reason"]]):
        framing.decode(vector.content)
    deframer = Deframer()
    assert deframer.feed(vector.wire) == []
    assert deframer.bad == 1


def test_a_zero_among_the_codes_is_told_apart_from_a_code_that_leads_too_far() -> None:
    with pytest.raises(FrameError, match="code 00 at byte 2 of 4: 00 is a delimiter and no code"):
        framing.unstuff(b"\x02\x11\x00\x01")
    with pytest.raises(FrameError, match="code 05 at byte 2 of 4 leads past the end"):
        framing.unstuff(b"\x02\x11\x05\x01")


OTHERS = [vector for vector in vectors("refused") if vector.fields["reason"] == "version"]


@pytest.mark.parametrize("vector", OTHERS, ids=lambda vector: vector.result)
def test_a_whole_frame_of_another_version_is_dropped_counted_and_named(vector: Vector) -> None:
    body = framing.decode(vector.content)
    named = f"a frame of protocol version {body[0] >> 4}; this program speaks version 2"
    with pytest.raises(framing.VersionError, match=f"^{named}$"):
        framing.check_version(body)
    with pytest.raises(FrameError, match=f"^{named}$"):
        framing.check_kind("SHOW", 0x21, len(body), body)
    assert Deframer().other_version is None
    deframer = Deframer()
    assert deframer.feed(vector.wire + framing.encode(b"\x21ours")) == [b"\x21ours"]
    assert (deframer.bad, deframer.of_other_version) == (1, 1)
    assert deframer.other_version == body[0] >> 4
    assert framing.other_version_words(body[0] >> 4) == named


def test_kind_and_length_are_those_that_are_known_or_nothing_is_read() -> None:
    framing.check_kind("SHOW", 0x21, 2, b"\x21\x00")
    for body, words in (
        (b"\x22\x00", "SHOW kind 22: must be 21"),
        (b"", "SHOW kind : must be 21"),
        (b"\x21", "SHOW length 1: must be 2 bytes"),
        (b"\x21\x00\x00", "SHOW length 3: must be 2 bytes"),
    ):
        with pytest.raises(FrameError, match=f"^{words}$"):
            framing.check_kind("SHOW", 0x21, 2, body)


def test_frames_back_to_back_and_noise_between() -> None:
    deframer = Deframer()
    first, second = framing.encode(b"\x21first"), framing.encode(b"\x22second\0")
    assert deframer.feed(first + second) == [b"\x21first", b"\x22second\0"]
    assert deframer.bad == 0
    assert deframer.feed(b"noise" + first) == [b"\x21first"]
    assert deframer.bad == 1


def test_joining_in_the_middle_of_a_frame_costs_that_frame_alone() -> None:
    deframer = Deframer()
    frame = framing.encode(b"\x21whole")
    assert deframer.feed(frame[4:] + frame) == [b"\x21whole"]
    assert deframer.bad == 1


def test_an_overlong_run_is_dropped_to_the_next_zero_and_counted_once() -> None:
    deframer = Deframer()
    for _ in range(1000):
        assert deframer.feed(b"\x55" * 100) == []
    assert deframer.bad == 1
    assert deframer.feed(b"\x55" + framing.encode(b"\x21after")) == [b"\x21after"]
    assert deframer.bad == 1


def test_a_run_of_the_longest_length_is_still_taken() -> None:
    body = b"\x25" * LONGEST_BODY
    wire = framing.encode(body)
    deframer = Deframer()
    assert deframer.feed(wire[:-1]) == []
    assert deframer.feed(wire[-1:]) == [body]
    assert deframer.bad == 0


pieces = st.one_of(
    bodies.map(framing.encode),
    bodies.map(lambda body: framing.encode(b"\x21" + body[1:])),
    st.binary(max_size=20),
    st.integers(0, 150).map(lambda length: b"\x55" * length),
    st.just(b"\0"),
)


@given(st.lists(pieces, max_size=6).map(b"".join), st.data())
def test_any_cutting_gives_the_same_frames_and_the_same_count(
    stream: bytes, data: st.DataObject
) -> None:
    whole = Deframer()
    expected = whole.feed(stream)
    cuts = data.draw(st.lists(st.integers(0, len(stream)), max_size=12).map(sorted))
    cut = Deframer()
    got: list[bytes] = []
    for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        got += cut.feed(stream[start:end])
    assert (got, cut.bad) == (expected, whole.bad)
    byte_by_byte = Deframer()
    singles = [body for byte in stream for body in byte_by_byte.feed(bytes([byte]))]
    assert (singles, byte_by_byte.bad) == (expected, whole.bad)
