"""Damage of every vector of the protocol page: does the framing let a frame with it through?

Exhaustive, over all bits on the wire: those of codes and delimiters too. The CRC finds every error
of up to seven bits and every burst of up to 32 over the body alone; damage on the wire can also
fall on a code of the stuffing, which moves zeros inside the body, or on a delimiter, which moves
the frame's ends. There the damage is longer in the body than on the wire, and the CRC is as good
as against noise: one in 4,294,967,296, which no number of tries in a test would show.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from drivers.framing import Deframer
from tests.shared.protocol_page import Vector, vectors

BOARD, HANDSET = ("show", "status"), ("press", "state", "hello", "welcome")
PAIRING = ("who", "here", "keys")
VECTORS = vectors(*BOARD, *HANDSET, *PAIRING)
ONE_OF_EACH_LINK = [vectors(link[0])[0] for link in (BOARD, HANDSET, PAIRING)]
ONE_OF_EACH_KIND = [vectors(kind)[0] for kind in (*BOARD, *HANDSET, *PAIRING)]
BURST = 16
BATCH = 4_096


@dataclass
class Survey:
    """How often a frame was damaged, and what got through the framing."""

    tried: int = 0
    through: list[bytes] = field(default_factory=list)


def survey(wire: bytes, damages: Iterator[int]) -> Survey:
    """Try each damage of ``wire``; a 00 follows, as the next frame would bring it."""
    number, length = int.from_bytes(wire, "big"), len(wire)
    deframer, found = Deframer(), Survey()
    while batch := list(itertools.islice(damages, BATCH)):
        stream = [(number ^ damage).to_bytes(length, "big") for damage in batch]
        found.through += deframer.feed(b"\0".join(stream) + b"\0")
        found.tried += len(batch)
    assert deframer.bad >= found.tried - len(found.through), "each is counted"
    return found


def bursts(bits: int, one_in: int = 1) -> Iterator[int]:
    """Every pattern, or one in so many, whose first and last wrong bit are at most 16 bits apart,
    at every place."""
    next_rest = 0
    for first in range(bits):
        room = min(BURST, first + 1) - 1
        for rest in range(next_rest, 1 << room, one_in):
            yield (1 << room | rest) << (first - room)
        next_rest = (next_rest - (1 << room)) % one_in


def codes(wire: bytes) -> Iterator[int]:
    """The places of the codes of the stuffing in ``wire``."""
    at = 1
    while at < len(wire) - 1:
        yield at
        at += wire[at]


def test_bursts_are_all_there_are() -> None:
    every = {d for d in range(1, 1 << 17) if len(f"{d:b}".rstrip("0")) <= BURST}
    assert set(bursts(17)) == every
    assert len(list(bursts(17))) == len(every)
    assert list(bursts(17, 7)) == list(itertools.islice(bursts(17), 0, None, 7))


@pytest.mark.parametrize("vector", VECTORS, ids=str)
def test_undamaged_each_vector_gets_through(vector: Vector) -> None:
    found = survey(vector.wire, iter([0, 0]))
    assert len(found.through) == found.tried == 2


@pytest.mark.parametrize("vector", VECTORS, ids=str)
def test_no_error_of_one_bit_gets_through(vector: Vector) -> None:
    found = survey(vector.wire, (1 << bit for bit in range(8 * len(vector.wire))))
    assert (found.tried, found.through) == (8 * len(vector.wire), [])


@pytest.mark.parametrize(
    "vector",
    [
        *(pytest.param(each, marks=pytest.mark.full) for each in ONE_OF_EACH_KIND),
        *(pytest.param(v, marks=pytest.mark.long) for v in VECTORS if v not in ONE_OF_EACH_KIND),
    ],
    ids=str,
)
def test_no_error_of_two_bits_gets_through(vector: Vector) -> None:
    bits = 8 * len(vector.wire)
    pairs = itertools.combinations([1 << bit for bit in range(bits)], 2)
    found = survey(vector.wire, (one | other for one, other in pairs))
    assert (found.tried, found.through) == (bits * (bits - 1) // 2, [])


@pytest.mark.parametrize("vector", VECTORS, ids=str)
def test_no_other_value_of_a_code_gets_through(vector: Vector) -> None:
    """A code that has become another moves the zeros behind it."""
    last = len(vector.wire) - 1
    places = list(codes(vector.wire))
    found = survey(
        vector.wire, (wrong << 8 * (last - at) for at in places for wrong in range(1, 256))
    )
    assert (found.tried, found.through) == (255 * len(places), [])


SHORT, WHOLE = 40, 1
"""The shorter check tries one burst in so many, on one vector of each link."""


@pytest.mark.parametrize(
    ("vector", "one_in"),
    [
        *(pytest.param(each, SHORT, marks=pytest.mark.full) for each in ONE_OF_EACH_LINK),
        *(pytest.param(each, WHOLE, marks=pytest.mark.long) for each in ONE_OF_EACH_KIND),
    ],
    ids=str,
)
def test_no_burst_of_up_to_16_bits_gets_through(vector: Vector, one_in: int) -> None:
    bits = 8 * len(vector.wire)
    found = survey(vector.wire, bursts(bits, one_in))
    every = (bits - BURST + 1) * 2 ** (BURST - 1) + 2 ** (BURST - 1) - 1
    assert (found.tried, found.through) == (-(-every // one_in), [])
