"""Frames that are right but for the CRC, which chance has made: one in 65,536 is accepted.

By counting, a 16-bit check lets 2^-16 of all chance values through. More accepted would be a check
that does not check; fewer, a parser that refuses what is right, and then no other test with damaged
frames would mean anything. Three standard deviations are allowed. The dice are seeded.
"""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Iterator, Sequence

import pytest

from drivers.base import Face
from drivers.board.messages import NodeFlag, NodeStatus, Show, encode_show, encode_status
from drivers.board.node import NodeBus
from drivers.board.simulated import SimulatedNode
from drivers.framing import Deframer, decode, stuff
from drivers.handset.keys import Keys
from drivers.handset.radio import RadioHandsets
from tests.fuzz.frames import BROADCAST_KEY, HANDSET_KEY, bodies
from tests.fuzz.handset_receivers import Crew
from tests.fuzz.steps import StubPort
from tests.shared.virtual_time import START_AT, VirtualClock, virtual

SEED = 16
PER_BODY = 250_000
MS = 1_000_000
FULL, LONG = 500_000, 12_000_000

tiers = pytest.mark.parametrize(
    "frames",
    [pytest.param(FULL, marks=pytest.mark.full), pytest.param(LONG, marks=pytest.mark.long)],
)


def drawn(body: bytes, frames: int, dice: random.Random) -> Iterator[tuple[bytes, int]]:
    """``frames`` frames of ``body``, each with a CRC of chance: pieces of a stream, and how many
    in each have the right one."""
    every = [b"\0" + stuff(body + crc.to_bytes(2, "big")) + b"\0" for crc in range(0x10000)]
    right = [frame for frame in every if is_right(frame)]
    assert len(right) == 1  # of all CRCs
    while frames > 0:
        piece = dice.choices(every, k=min(frames, 5_000))
        frames -= len(piece)
        yield b"".join(piece), piece.count(right[0])


def is_right(frame: bytes) -> bool:
    """Whether a deframer takes ``frame``."""
    deframer = Deframer()
    return bool(deframer.feed(frame))


class Tally:
    """Counts frames sent and, of these, those whose CRC chance made right."""

    def __init__(self, name: str, frames: int) -> None:
        self.name = name
        self.frames = frames
        self.right = 0

    def pieces(self, every_body: Sequence[bytes]) -> Iterator[tuple[bytes, bytes, int]]:
        """The body, a piece of the stream, and how many in it are right."""
        dice = random.Random(f"{self.name} {SEED}")
        for body in every_body:
            for piece, right in drawn(body, self.frames // len(every_body), dice):
                self.right += right
                yield body, piece, right

    def check(self, accepted: int, capsys: pytest.CaptureFixture[str]) -> None:
        """Print the figures and hold the accepted against them."""
        expected = self.frames / 65_536
        sigma = math.sqrt(expected * (1 - 1 / 65_536))
        with capsys.disabled():
            print(
                f"\n{self.name}: {self.frames} frames with a CRC of chance, {accepted} accepted, "
                f"expected {expected:.1f}, sigma {sigma:.1f}, seed {SEED}"
            )
        assert accepted == self.right
        assert abs(accepted - expected) <= 3 * sigma


def parts(frames: int) -> int:
    return frames // PER_BODY


def body_of(wire: bytes) -> bytes:
    return decode(wire[1:-1])


@tiers
def test_show_at_a_node(frames: int, capsys: pytest.CaptureFixture[str]) -> None:
    shows = [
        body_of(encode_show(Show(0x1A2B, 100 * i, i % 100, 15, 0, 1))) for i in range(parts(frames))
    ]
    node, at, obeyed = SimulatedNode(1, lambda: START_AT), START_AT, set[bytes]()
    tally = Tally("SHOW at a node", frames)
    for body, piece, right in tally.pieces(shows):
        at += 100 * MS if right else 0  # else silence would forget the stamp, and dark be right
        node.receive(piece, at)
        obeyed |= {body} if right else set()
        newest = max(obeyed, default=None)  # the stamps rise with the bodies
        assert node.shown(at) == (Face(newest[5]) if newest else Face(None))
    accepted = frames - (node.frame_errors - node.stale_frames)
    tally.check(accepted, capsys)
    assert accepted == len(obeyed) + node.stale_frames
    assert node.foreign_frames == 0


@tiers
def test_status_at_the_controller(frames: int, capsys: pytest.CaptureFixture[str]) -> None:
    dice = random.Random(SEED)
    answers = [
        NodeStatus(
            1 + i % 8, dice.randrange(65_536), (0x5B, 0x6D), 15, NodeFlag(1), 120, 0, 0, i, 1
        )
        for i in range(parts(frames))
    ]
    bus = NodeBus("pair", StubPort(), {1: "home", 2: "away"}, 7, lambda: START_AT)
    tally = Tally("STATUS at the controller", frames)
    for _, piece, _ in tally.pieces([body_of(encode_status(answer)) for answer in answers]):
        bus.bytes_received(piece, START_AT)
    tally.check(bus.stray_frames, capsys)
    assert bus.bad_frames == frames - bus.stray_frames


@tiers
@virtual
async def test_press_at_the_receiver(
    clock: VirtualClock, frames: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Behind the CRC stands the tag: of chance too, it lets nothing through at all."""
    dice = random.Random(SEED)
    presses = [
        bodies("press")[0][:2] + dice.randbytes(4) + b"\0\1\0\0\1\x14" + dice.randbytes(8)
        for _ in range(parts(frames))
    ]
    crew, keys = Crew(), Keys(BROADCAST_KEY, {1: HANDSET_KEY})
    radio = RadioHandsets("receiver", StubPort(), keys, 0x2A, clock)
    radio._listener = crew
    tally = Tally("PRESS at the receiver", frames)
    for _, piece, _ in tally.pieces(presses):
        radio.bytes_received(piece, clock())
    tally.check(crew.rejected, capsys)
    assert radio.bad_frames == frames - crew.rejected
    assert (crew.presses, crew.heard) == ([], 0)


LENGTHS = (12, 16, 22, 26)
"""SHOW, STATUS, PRESS and STATE with their CRC."""


def noise(frames: int) -> Iterator[bytes]:
    """Frames of chance content; in half of them the first byte is a kind of the protocol."""
    dice = random.Random(SEED)
    for _ in range(frames):
        content = bytearray(dice.randbytes(dice.choice(LENGTHS)))
        if dice.random() < 0.5:
            content[0] = dice.choice((0x11, 0x12, 0x21, 0x22))
        yield b"\0" + stuff(bytes(content)) + b"\0"


@tiers
@virtual
async def test_content_of_chance_lights_no_board_and_makes_no_press(
    clock: VirtualClock, frames: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """What passes the CRC here must still fit in kind, length, complement, ranges or tag."""
    node, crew = SimulatedNode(1, clock), Crew()
    radio = RadioHandsets(
        "receiver", StubPort(), Keys(BROADCAST_KEY, {1: HANDSET_KEY}), 0x2A, clock
    )
    task = asyncio.create_task(radio.run(crew))
    await asyncio.sleep(0)
    at = clock()
    for frame in noise(frames):
        at += 4 * MS
        node.receive(frame, at)
        radio.bytes_received(frame, at)
        assert node.shown(at).numerals is None
    assert (crew.presses, crew.heard) == ([], 0)
    passed = frames - radio._deframer.bad
    assert passed == frames - node._deframer.bad
    expected = frames / 65_536
    with capsys.disabled():
        print(f"\ncontent of chance: {frames} frames, {passed} passed, expected {expected:.1f}")
    assert abs(passed - expected) <= 3 * math.sqrt(expected)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
