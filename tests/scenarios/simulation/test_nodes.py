"""The simulation's nodes and the product's simulated ones were written apart: they must agree."""

from __future__ import annotations

import random

import pytest

from drivers.board import messages
from drivers.board.messages import Show as ShowFrame
from drivers.board.simulated import SimulatedNode
from tests.scenarios.simulation.nodes import DARK, Node, body_of, framed, read_show
from tests.shared.truth import MS, S

GAPS_NS = (100 * MS, 25 * MS, 1_499 * MS, 1_500 * MS, 1_501 * MS, 4 * S)


@pytest.mark.parametrize("seed", range(20))
def test_both_kinds_of_nodes_agree(seed: int) -> None:
    rng = random.Random(seed)
    ours, products = Node(1, 0), SimulatedNode(1, lambda: 0)
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
        body = body_of(frame[1:-1])
        read = read_show(body) if body else None
        assert read is not None
        owed = ours.hear(read, at)
        products.receive(frame, at)
        at += 3 * MS
        face = products.shown(at)
        assert ours.faces[-1].shown == (DARK if face.numerals is None else face.numerals)
        answer = products.take_answer(at)
        assert (answer is not None) is owed
        if owed:
            status = ours.answer(at)
            assert status == (answer, True)


def test_silence_darkens_to_the_nanosecond() -> None:
    node = Node(1, 0)
    body = body_of(messages.encode_show(ShowFrame(1, 5, 25, 15, 0, 1))[1:-1])
    show = read_show(body) if body else None
    assert show is not None
    node.hear(show, 7 * S)
    node.settle(7 * S + 1_500 * MS - 1)
    assert [face.shown for face in node.faces] == [DARK, 25]
    node.settle(20 * S)
    assert node.faces[-1] == (7 * S + 1_500 * MS, DARK, DARK)


def test_a_body_with_zeros_is_framed_as_the_page_says() -> None:
    body = bytes((0x11, 0, 1, 0, 0, 25, 25 ^ 0xFF, 15, 0, 3))
    assert body_of(framed(body)[1:-1]) == body
    assert body_of(framed(body)[1:-2]) is None
