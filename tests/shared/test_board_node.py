"""The tests' nodes and the product's simulated ones were written apart: they must agree."""

from __future__ import annotations

import random

import pytest

from drivers.board import messages
from drivers.board.messages import Show as ShowFrame
from drivers.board.simulated import SimulatedNode
from tests.shared.board_node import DARK, ODD, Boards, Face, Lamps, Node
from tests.shared.frames import (
    BYTE_NS,
    MS_NS,
    S_NS,
    SHOW_BYTES,
    Show,
    lamps_of,
    make_show,
    opened,
    read_show,
    segment_bits,
)
from tests.shared.virtual_time import VirtualClock, sleep_until, virtual

GAPS_NS = (100 * MS_NS, 25 * MS_NS, 1_499 * MS_NS, 1_500 * MS_NS, 1_501 * MS_NS, 4 * S_NS)
SHOW_25 = Show(controller=1, stamp=5, numerals=25, brightness=15, ask=1, mask=0b11)


def node_at_0() -> Node:
    return Node(1, lambda: 0)


@pytest.mark.parametrize("seed", range(20))
def test_both_kinds_of_nodes_agree(seed: int) -> None:
    rng = random.Random(seed)
    ours, products = node_at_0(), SimulatedNode(1, lambda: 0)
    at = stamp = 0
    for _ in range(200):
        at += rng.choice(GAPS_NS)
        stamp += rng.choice((1, 10, 0, -5, 40_000))
        numerals = rng.choice((*range(100), messages.DARK))
        controller = rng.choice((1, 1, 1, 2))
        show = ShowFrame(
            controller, stamp & 0xFFFF, numerals, 15, rng.randrange(3), rng.randrange(4)
        )
        frame = messages.encode_show(show)
        owed = ours.hear(read_show(opened(frame[1:-1])), at)
        products.receive(frame, at)
        at += 3 * MS_NS
        face = products.shown(at)
        assert ours.history[-1].shown == (DARK if face.numerals is None else face.numerals)
        answer = products.take_answer(at)
        assert (answer is not None) is owed
        if owed:
            assert ours.answer(at) == answer
            assert not ours.lies


def test_silence_darkens_to_the_nanosecond() -> None:
    node = node_at_0()
    node.hear(SHOW_25, 7 * S_NS)
    node.settle(7 * S_NS + 1_500 * MS_NS - 1)
    assert [face.shown for face in node.history] == [DARK, 25]
    assert node.obeys == SHOW_25
    node.settle(20 * S_NS)
    assert node.history[-1] == (7 * S_NS + 1_500 * MS_NS, DARK, DARK)
    assert node.silences == 1


def test_lamps_that_stick_are_what_is_read_and_told() -> None:
    node = node_at_0()
    node.hear(SHOW_25, S_NS)
    node.stick(Lamps(), Lamps(units=segment_bits("g")), 2 * S_NS)
    assert node.history[-1] == Face(2 * S_NS, ODD, 25)
    assert node.faces == ["  ", "25", "2?"]
    told = node.answer(2 * S_NS)
    assert node.lies and told is not None
    tens, units = lamps_of(25)
    assert opened(told[1:-1])[4:6] == bytes([tens, units & ~segment_bits("g")])
    node.stick(Lamps(), Lamps(), 2 * S_NS)
    assert not node.lies and node.faces[-1] == "25"


def test_a_reset_forgets_the_question_and_whom_it_obeyed() -> None:
    node = node_at_0()
    assert node.hear(SHOW_25, S_NS)
    node.reset(S_NS + MS_NS)
    assert node.answer(S_NS + 2 * MS_NS) is None
    assert node.obeys is None and node.reads == "  "


class Wire:
    def __init__(self) -> None:
        self.sent: list[bytes] = []

    def send(self, data: bytes) -> None:
        self.sent.append(data)


@virtual
async def test_the_pair_adds_the_line_time_that_a_pty_lacks(clock: VirtualClock) -> None:
    boards, wire = Boards([Node(1, clock), Node(2, clock)], clock), Wire()
    boards.wire = wire
    begun_at = clock()
    boards.received(make_show(SHOW_25))
    await sleep_until(clock, begun_at + S_NS)
    heard_at = begun_at + SHOW_BYTES * BYTE_NS
    assert [heard.at for heard in boards.log] == [heard_at]
    assert [node.changed_at(clock()) for node in boards.nodes] == [heard_at] * 2
    assert boards.answered_at == [heard_at + 2_500_000 + 27 * BYTE_NS]
    assert len(wire.sent) == 1
