"""The rules of a node (PROTOCOL.md), each on this computer with sanitizers and on the chip."""

from __future__ import annotations

import dataclasses
import random

import pytest

from drivers import framing
from drivers.board import messages
from drivers.board.messages import NodeFlag
from tests.drivers.board.test_messages import show_of
from tests.drivers.board.test_messages import status_of as status_of_page
from tests.firmware.bench import ANSWERED_MS, OnPC
from tests.firmware.conftest import MakeBench
from tests.shared.frames import Show, framed, lamps_of, make_show, opened, unstuff
from tests.shared.protocol_page import Vector, refused, vectors

pytestmark = [pytest.mark.needs_avr, pytest.mark.needs_gcc]

SHOW = Show(controller=0x1A2B, stamp=1000, numerals=25, brightness=15, ask=0, mask=0xFF)


def show(**fields: int) -> bytes:
    """The frame of a SHOW of 25 by the usual controller, but for ``fields``."""
    return make_show(dataclasses.replace(SHOW, **fields))


def status_of(wire: bytes) -> messages.NodeStatus:
    """An answer, its framing opened twice."""
    body = opened(wire[1:-1])
    assert body == framing.decode(wire[1:-1])
    assert wire == framed(body)
    return messages.decode_status(body)


# Rule 1


def test_power_up_is_dark_until_the_first_show_that_is_obeyed(bench: MakeBench) -> None:
    node = bench()
    assert node.digits == (0, 0)
    node.wait(2000)
    for vector in refused("show"):
        node.hear(vector.wire)
        assert node.digits == (0, 0)
    node.hear(show())
    assert node.digits == lamps_of(25)


# Rule 2


def test_silence_darkens_and_the_next_show_lights_again(bench: MakeBench) -> None:
    node = bench()
    node.hear(show(ask=1))
    node.wait(1490)
    assert node.digits == lamps_of(25)
    node.wait(110)
    assert node.digits == (0, 0)
    node.hear(show(stamp=3, ask=1))
    assert node.digits == lamps_of(25)
    node.wait(ANSWERED_MS)
    node.hear(show(stamp=4, ask=1))
    node.wait(ANSWERED_MS)
    flags = [status_of(wire).flags for wire in node.answers]
    assert flags == [
        NodeFlag.POWER_ON,
        NodeFlag.POWER_ON | NodeFlag.DARK_BY_SILENCE,
        NodeFlag.POWER_ON,
    ]


@pytest.mark.parametrize(
    "wire",
    [
        show(stamp=1000),  # stale
        show(stamp=999),
        show(controller=7, stamp=1001),  # foreign
        show(stamp=1001)[:-2] + b"\xff\0",  # CRC
        framed(b"\x2e" + bytes(8)),  # unknown kind
        framed(b"\x31" + opened(show(stamp=1001)[1:-1])[1:]),
        b"\0",
        b"\x55",
    ],
    ids=["repeated", "older", "foreign", "CRC", "unknown", "version", "00", "55"],
)
def test_what_is_not_obeyed_does_not_feed_the_timer(bench: MakeBench, wire: bytes) -> None:
    node = bench()
    node.hear(show())
    for _ in range(14):
        node.wait(100)
        node.hear(wire)
    assert node.digits == lamps_of(25)
    node.wait(140)
    assert node.digits == (0, 0)


def test_a_dark_order_feeds_the_timer_and_keeps_the_controller(bench: MakeBench) -> None:
    node = bench()
    for stamp in range(1000, 1040):
        node.hear(show(stamp=stamp, numerals=0xFF))
        node.wait(95)
    node.hear(show(controller=9, stamp=1))
    assert (node.digits, node.foreign) == ((0, 0), 1)


# Rule 3


def test_one_controller_is_obeyed_until_it_is_silent(bench: MakeBench) -> None:
    node = bench()
    node.hear(show())
    node.hear(show(controller=7, stamp=1001, numerals=40, ask=1))
    node.hear(show(controller=7, stamp=5, numerals=40, ask=1))
    node.wait(ANSWERED_MS)
    assert (node.digits, node.foreign, node.refused) == (lamps_of(25), 2, 0)
    assert node.answers == []
    node.wait(1600)
    node.hear(show(controller=7, stamp=5, numerals=40))
    node.hear(show(stamp=1001))
    assert (node.digits, node.foreign) == (lamps_of(40), 3)


# Rule 4


@pytest.mark.parametrize(
    ("first", "second", "newer"),
    [
        (1000, 1001, True),
        (1000, 1000, False),
        (1000, 999, False),
        (0xFFFF, 0, True),
        (0xFF00, 0x0100, True),
        (0, 0xFFFF, False),
        (0, 0x7FFF, True),
        (0, 0x8000, False),  # -32,768 as a signed number
        (0x8000, 0, False),
        (0x8001, 0, True),
    ],
)
def test_a_stamp_that_is_not_newer_is_stale(
    bench: MakeBench, first: int, second: int, newer: bool
) -> None:
    node = bench()
    node.hear(show(stamp=first))
    node.hear(show(stamp=second, numerals=24, ask=1))
    node.wait(ANSWERED_MS)
    assert node.digits == lamps_of(24 if newer else 25)
    assert node.refused == (0 if newer else 1)
    assert len(node.answers) == (1 if newer else 0)


# Rule 5


@pytest.mark.parametrize("number", range(1, 9))
def test_the_mask_darkens_each_node_by_its_number(bench: MakeBench, number: int) -> None:
    node = bench(number)
    for stamp, mask in enumerate((0xFF, 0xFF ^ 1 << (number - 1), 1 << (number - 1), 0), 1):
        node.hear(show(stamp=stamp, mask=mask))
        assert node.digits == (lamps_of(25) if mask >> (number - 1) & 1 else (0, 0))


# Rule 6


def test_only_a_show_that_asks_for_this_node_is_answered(bench: MakeBench) -> None:
    node = bench(3)
    for ask in range(9):
        node.hear(show(stamp=1001 + ask, ask=ask, mask=0))  # masked or not
        node.wait(ANSWERED_MS)
    (wire,) = node.answers
    status = status_of(wire)
    assert (status.node, status.stamp, status.segments) == (3, 1004, (0, 0))
    assert (status.brightness, status.flags) == (15, NodeFlag.POWER_ON)
    node.hear(show(stamp=1001, ask=3))
    node.wait(ANSWERED_MS)
    assert len(node.answers) == 1, "a stale SHOW is not answered"


# Rule 7


def test_a_node_never_counts_by_itself(bench: MakeBench) -> None:
    node = bench()
    node.hear(show(numerals=13))
    for _ in range(14):
        node.wait(100)
        assert node.digits == lamps_of(13)


# Vectors and bad frames

NODE = 1


@pytest.mark.parametrize("vector", vectors("show"), ids=str)
def test_show_vectors(bench: MakeBench, vector: Vector) -> None:
    said = show_of(vector)
    number = said.ask or NODE
    node = bench(number)
    node.hear(vector.wire)
    lamps = lamps_of(said.numerals) if said.node_mask >> (number - 1) & 1 else (0, 0)
    assert node.digits == lamps
    node.wait(ANSWERED_MS)
    statuses = [status_of(wire) for wire in node.answers]
    assert [(each.stamp, each.segments, each.brightness) for each in statuses] == (
        [(said.stamp, lamps, said.brightness)] if said.ask else []
    )


NUMERALS_OF = {"5B6D": 25, "0007": 7, "6F6F": 99, "0000": 0xFF, "FFFF": 0xFE, "5B7F": 25}
"""What orders the segments of the STATUS vectors; of the last, two lamps are a fault."""


READINGS = ("tens_ma", "units_ma", "temperature_c", "light")
"""What STATUS may be without."""


@pytest.mark.parametrize("vector", vectors("status"), ids=str)
def test_status_vectors(bench: MakeBench, vector: Vector) -> None:
    """The node is brought into the state of the vector, and asked.

    The logic sends all that it is given; the image measures the supply alone.
    """
    said = status_of_page(vector)
    numerals = NUMERALS_OF[vector.fields["segments"]]
    lamps = lamps_of(numerals)
    node = bench(said.node, said.flags & 0x0F, said.revision)
    node.put(supply_dv=said.supply_dv)
    node.put(
        uptime_s=said.uptime_s,
        frame_errors=said.frame_errors,
        foreign_frames=said.foreign_frames,
        flags=said.flags & 0x1F,
        upset=int.from_bytes(said.segments) & ~int.from_bytes(lamps),
    )
    expected = vector.wire
    if isinstance(node, OnPC):
        given = {field: vector.optional(field) for field in READINGS}
        node.put(**{field: value for field, value in given.items() if value is not None})
    else:
        without = dataclasses.replace(
            said, tens_ma=None, units_ma=None, temperature_c=None, light=None
        )
        expected = messages.encode_status(without)
    order = {"stamp": said.stamp, "numerals": numerals, "brightness": said.brightness}
    node.hear(show(**order, ask=said.node))
    node.wait(ANSWERED_MS)
    assert [wire.hex(" ") for wire in node.answers] == [expected.hex(" ")]


@pytest.mark.parametrize(
    "vector", refused("frame") + refused("show"), ids=lambda vector: vector.result[:40]
)
def test_refused_vectors(bench: MakeBench, vector: Vector) -> None:
    node = bench()
    node.hear(show(stamp=0))
    node.hear(vector.wire)
    assert (node.digits, node.refused, node.foreign) == (lamps_of(25), 1, 0)
    assert node.answers == []


@pytest.mark.parametrize(
    "reader", ["status", "press", "state", "hello", "welcome", "who", "here", "keys"]
)
def test_what_is_not_for_a_node_is_counted_but_for_other_nodes_answers(
    bench: MakeBench, reader: str
) -> None:
    node = bench()
    node.hear(show(stamp=0))
    counted = 0
    for vector in refused(reader):
        node.hear(vector.wire)
        body = unstuff(vector.content)[:-4]
        counted += not (body[0] == messages.STATUS and len(body) == 20)
        assert (node.digits, node.refused, node.foreign) == (lamps_of(25), counted, 0)
    assert (reader == "status") == (counted < len(refused(reader)))


@pytest.mark.parametrize("length", [3, 5, 6, 63, 64, 65, 66, 200, 1000])
def test_one_run_is_one_bad_frame_however_long(bench: MakeBench, length: int) -> None:
    node = bench()
    node.hear(b"\0" + b"\x55" * length + b"\0")
    assert node.refused == 1
    node.hear(show())
    assert (node.digits, node.refused) == (lamps_of(25), 1)


def test_noise_and_dropped_bytes_cost_frames_but_never_a_wrong_numeral(bench: MakeBench) -> None:
    """Seeded. Each SHOW has other numerals; some lose a byte, some get one, some are flipped."""
    dice = random.Random(38400)
    node = bench()
    whole, expected = 0, (0, 0)
    for stamp in range(300):
        numerals = dice.randrange(100)
        wire = bytearray(show(stamp=stamp, numerals=numerals))
        harm = dice.randrange(6)
        at = dice.randrange(1, len(wire) - 1)
        if harm == 0:
            del wire[at]
        elif harm == 1:
            wire.insert(at, dice.randrange(1, 256))
        elif harm == 2:
            wire[at] ^= 1 << dice.randrange(8)
        else:
            whole, expected = whole + 1, lamps_of(numerals)
        node.hear(bytes(wire))
        assert node.digits == expected, (stamp, harm, bytes(wire).hex(" "))
    assert whole > 100


@pytest.mark.parametrize("maker", ["drivers", "independent"])
def test_show_made_by_either_writer_and_status_read_back(bench: MakeBench, maker: str) -> None:
    """Every numeral and brightness, by the controller's own code and by the tests' second one."""
    node = bench(2)
    for stamp, numerals in enumerate([*range(100), 0xFE, 0xFF], 1):
        brightness, ask = 1 + stamp % 15, 2 if numerals % 9 == 0 else 0
        fields = (0xC0DE, stamp, numerals, brightness, ask, 0x02)
        wire = (
            messages.encode_show(messages.Show(*fields))
            if maker == "drivers"
            else make_show(Show(*fields))
        )
        node.hear(wire)
        assert node.digits == lamps_of(numerals)
        if ask:
            node.wait(ANSWERED_MS)
            status = status_of(node.answers[-1])
            assert (status.stamp, status.segments) == (stamp, lamps_of(numerals))
            assert status.brightness == brightness
            assert bool(status.flags & NodeFlag.LAMP_TEST) == (numerals == 0xFE)
