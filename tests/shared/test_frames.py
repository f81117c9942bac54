"""The second implementation against the vectors of the page, so that it is a fair judge."""

from __future__ import annotations

import pytest

from tests.shared import frames
from tests.shared.protocol_page import Vector, refused, unhex, vectors

FLAGS = {"POWER_ON": 1, "EXTERNAL_RESET": 2, "BROWN_OUT": 4, "WATCHDOG": 8}
FLAGS |= {"DARK_BY_SILENCE": 16, "CHAIN_FAULT": 32, "LAMP_TEST": 64, "0": 0}
NUMERALS = {"dark": frames.DARK_NUMERALS, "lamp_test": frames.LAMP_TEST_NUMERALS}


def opened(vector: Vector) -> bytes:
    (body,) = frames.Unframer().feed(vector.wire)
    return body


def test_the_published_check_value_of_the_crc() -> None:
    assert frames.crc(b"123456789") == 0xCBF43926  # CRC-32 of IEEE 802.3


@pytest.mark.parametrize("vector", vectors("crc", "cobs"), ids=str)
def test_crc_and_cobs(vector: Vector) -> None:
    data = unhex(vector.fields["data"])
    if vector.what == "crc":
        assert frames.crc(data) == int(vector.result, 16)
    else:
        assert frames.stuff(data) == vector.wire
        assert frames.unstuff(vector.wire) == data


@pytest.mark.parametrize("vector", vectors("show"), ids=str)
def test_show(vector: Vector) -> None:
    word = vector.fields["numerals"]
    show = frames.Show(
        vector.hexadecimal("controller"),
        vector.hexadecimal("stamp"),
        NUMERALS[word] if word in NUMERALS else int(word),
        vector.number("brightness"),
        vector.number("ask"),
        vector.hexadecimal("mask"),
    )
    assert frames.read_show(opened(vector)) == show
    assert frames.make_show(show) == vector.wire


@pytest.mark.parametrize(
    "vector",
    # The nodes of the rig have 12.0 V and revision 1.
    [v for v in vectors("status") if (v.fields["supply_dv"], v.fields["revision"]) == ("120", "1")],
    ids=str,
)
def test_status(vector: Vector) -> None:
    tens, units = unhex(vector.fields["segments"])
    flags = sum(FLAGS[word] for word in vector.fields["flags"].split("|"))
    status = frames.Status(
        vector.number("node"),
        vector.hexadecimal("stamp"),
        (tens, units),
        vector.number("brightness"),
        flags,
        vector.number("frame_errors"),
        vector.number("foreign_frames"),
        vector.number("uptime_s"),
    )
    assert frames.make_status(status) == vector.wire


@pytest.mark.parametrize(
    "vector",
    # The handsets of the rig have 20 hours left and do not measure.
    [v for v in vectors("press") if (v.fields["battery"], v.fields["margin_db"]) == ("20", "none")],
    ids=str,
)
def test_press(vector: Vector) -> None:
    press = frames.Press(
        vector.number("handset"),
        vector.hexadecimal("counter"),
        vector.hexadecimal("keys"),
        vector.number("age_10ms"),
        vector.hexadecimal("beat"),
    )
    handset_key, session = vector.given_bytes("handset_key"), vector.given_bytes("session")
    assert frames.make_press(press, handset_key, session) == vector.wire


@pytest.mark.parametrize(
    "vector", [v for v in vectors("hello") if v.fields["revision"] == "1"], ids=str
)
def test_hello(vector: Vector) -> None:
    said = vector.number("handset"), vector.hexadecimal("counter")
    key = vector.given_bytes("handset_key")
    assert frames.make_hello(*said, key, vector.number("layout")) == vector.wire


@pytest.mark.parametrize("vector", vectors("welcome"), ids=str)
def test_welcome(vector: Vector) -> None:
    assert frames.read_welcome(opened(vector), vector.given_bytes("handset_key")) == frames.Welcome(
        vector.number("handset"),
        vector.hexadecimal("counter"),
        unhex(vector.fields["session"]),
        vector.hexadecimal("beat"),
    )


@pytest.mark.parametrize("vector", vectors("state"), ids=str)
def test_state(vector: Vector) -> None:
    keys = vector.given_bytes("broadcast_key"), vector.given_bytes("session")
    state = frames.read_state(opened(vector), *keys)
    numerals = vector.fields["numerals"]
    words = {word.replace(" ", "_").upper() for word in state.flags}
    said = {word.removeprefix("BOARDS_") for word in vector.fields["flags"].split("|")} - {"0"}
    assert words == said
    assert state.beat == vector.hexadecimal("beat")
    assert (state.mark, state.cue) == (vector.number("mark"), vector.hexadecimal("cue"))
    assert state.phase == vector.fields["phase"]
    assert state.numerals == (None if numerals == "none" else int(numerals))
    assert state.remaining_10ms == vector.number("remaining_10ms")
    answered = (vector.number("ack_handset"), vector.hexadecimal("ack_counter"))
    assert (state.handset, state.counter) == answered
    assert state.result.replace(" ", "_").upper() == vector.fields["ack_result"]


@pytest.mark.parametrize(
    "vector",
    refused("frame") + refused("show") + refused("state") + refused("welcome"),
    ids=str,
)
def test_what_the_page_refuses_is_refused(vector: Vector) -> None:
    unframer = frames.Unframer()
    bodies = unframer.feed(vector.wire)
    if not bodies:
        assert unframer.bad == 1
        return
    with pytest.raises(frames.BadFrameError):
        if vector.fields["as"] == "show":
            frames.read_show(bodies[0])
        elif vector.fields["as"] == "welcome":
            frames.read_welcome(bodies[0], vector.given_bytes("handset_key"))
        else:
            keys = vector.given_bytes("broadcast_key"), vector.given_bytes("session")
            frames.read_state(bodies[0], *keys)
