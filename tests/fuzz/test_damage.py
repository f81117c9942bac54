"""Damage of every vector of the protocol page: is a frame with it taken, as itself or another?

Exhaustive, over all bits on the wire: those of codes and delimiters too. A CRC of 16 bits finds all
errors of two bits at our lengths and every burst of up to 16 (Peterson and Brown, "Cyclic codes for
error detection", Proceedings of the IRE 49(1), 1961: from memory), but damage can move the frame's
ends as well. So a 00 behind a frame that has become 01 puts a zero behind body and CRC, which this
CRC does not see: such frames pass it, and only the fixed length of each kind refuses them.

A burst that falls on codes of the stuffing moves zeros, and so is longer in the body than on the
wire: there the CRC is as good as against noise, 2^-16, and no better. Of all bursts on all vectors
a few in a hundred million are taken for it, all on the board link: the tag stops any on the other.
What then stands in a SHOW is the numerals that stood there, by their complement.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from drivers.base import FrameError
from drivers.board.messages import decode_show, decode_status
from drivers.framing import Deframer
from drivers.handset.messages import decode_state, parse_press, press_is_authentic
from tests.fuzz.frames import BROADCAST_KEY, HANDSET_KEY, SESSION
from tests.shared.protocol_page import Vector, vectors

KINDS = ("show", "status", "press", "state")
VECTORS = vectors(*KINDS)
ONE_OF_EACH_LINK = [vectors("show")[0], vectors("press")[0]]
BURST = 16
BATCH = 4_096


def taken(body: bytes) -> bool:
    """Whether any receiver of either link takes ``body`` as a message of its own."""
    for parse in (decode_show, decode_status, lambda body: decode_state(body, BROADCAST_KEY)):
        try:
            parse(body)
        except FrameError:
            continue
        return True
    try:
        parse_press(body)
    except FrameError:
        return False
    return press_is_authentic(body, SESSION, HANDSET_KEY)


@dataclass
class Survey:
    """How often a frame was damaged, what got through the framing, and what of it was taken."""

    tried: int = 0
    through: int = 0
    taken: list[bytes] = field(default_factory=list)


def survey(wire: bytes, damages: Iterator[int]) -> Survey:
    """Try each damage of ``wire``; a 00 follows, as the next frame would bring it."""
    number, length = int.from_bytes(wire, "big"), len(wire)
    deframer, found = Deframer(), Survey()
    while batch := list(itertools.islice(damages, BATCH)):
        stream = [(number ^ damage).to_bytes(length, "big") for damage in batch]
        bodies = deframer.feed(b"\0".join(stream) + b"\0")
        found.tried += len(batch)
        found.through += len(bodies)
        found.taken += [body for body in bodies if taken(body)]
    return found


def bursts(bits: int) -> Iterator[int]:
    """Every pattern whose first and last wrong bit are at most 16 bits apart, at every place."""
    for first in range(bits):
        room = min(BURST, first + 1) - 1
        for rest in range(1 << room):
            yield (1 << room | rest) << (first - room)


def test_bursts_are_all_there_are() -> None:
    every = {d for d in range(1, 1 << 18) if len(f"{d:b}".rstrip("0")) <= BURST}
    assert set(bursts(18)) == every
    assert len(list(bursts(18))) == len(every)


@pytest.mark.parametrize("vector", VECTORS, ids=str)
def test_undamaged_each_vector_is_taken(vector: Vector) -> None:
    (body,) = Deframer().feed(vector.wire)
    assert vector.what != "press" or body[1] == int(vector.fields["handset"])
    assert taken(body)


@pytest.mark.parametrize("vector", VECTORS, ids=str)
def test_no_error_of_one_or_two_bits_is_taken(vector: Vector) -> None:
    bits = [1 << bit for bit in range(8 * len(vector.wire))]
    pairs = (one | other for one, other in itertools.combinations(bits, 2))
    found = survey(vector.wire, itertools.chain(bits, pairs))
    assert found.tried == len(bits) * (len(bits) + 1) // 2
    assert found.taken == []
    assert found.through >= 1, "a 01 behind the frame is a zero that this CRC does not see"


SHORT, WHOLE = 10, 1
"""The shorter check tries one burst in so many, on one vector of each link."""


MOST_TAKEN = 1
"""Of the millions of bursts on one vector of the board link. Measured: on two vectors one."""


@pytest.mark.parametrize(
    ("vector", "one_in"),
    [
        *(pytest.param(each, SHORT, marks=pytest.mark.full) for each in ONE_OF_EACH_LINK),
        *(pytest.param(each, WHOLE, marks=pytest.mark.long) for each in VECTORS),
    ],
    ids=str,
)
def test_bursts_of_up_to_16_bits(
    vector: Vector, one_in: int, capsys: pytest.CaptureFixture[str]
) -> None:
    bits = 8 * len(vector.wire)
    found = survey(vector.wire, itertools.islice(bursts(bits), 0, None, one_in))
    taken_as = [body.hex() for body in found.taken]
    figures = f"{found.tried} bursts, {found.through} passed the CRC, taken: {taken_as}"
    with capsys.disabled():
        print(f"\n{vector.what}: {figures}")
    every = (bits - BURST + 1) * 2 ** (BURST - 1) + 2 ** (BURST - 1) - 1
    assert found.tried == -(-every // one_in)
    assert len(found.taken) <= (MOST_TAKEN if vector.what in ("show", "status") else 0)
    (body,) = Deframer().feed(vector.wire)
    for taken_body in found.taken:
        assert taken_body[0] == body[0], "never a message of the other direction"
        if vector.what == "show":
            assert taken_body[5] == body[5], "never another numeral"
