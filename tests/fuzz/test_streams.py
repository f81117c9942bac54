"""A million frames each way through the drivers' receive paths: good, damaged, forged and noise.

Cut at random places, as reads of a port cut them. Nothing raises, what is good gets through, and
memory stays as it is: blocks of the interpreter and the process's resident set are read after a
tenth of the stream and at its end.
"""

from __future__ import annotations

import asyncio
import gc
import os
import random
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.base import Answer, Answered, BoardReport, Face, Press, Rejection
from drivers.board.node import NodeBus
from drivers.board.simulated import SimulatedNode
from drivers.framing import stuff
from drivers.handset.keys import Keys
from drivers.handset.radio import RadioHandsets
from drivers.handset.simulated import SimulatedHandset
from tests.fuzz.frames import BROADCAST_KEY, WIRES
from tests.fuzz.handset_receivers import told
from tests.fuzz.steps import StubPort
from tests.shared import frames as independent
from tests.shared.virtual_time import VirtualClock, virtual

FULL, LONG = 500_000, 5_000_000
SEED = 5
MS = 1_000_000
SESSION = bytes(range(0xA0, 0xA8))
BROADCAST_KEY_HERE, HANDSET_KEY_HERE = bytes(range(3, 19)), bytes(range(5, 21))
"""Not those of the page: its vectors, whole ones too, are among the rubbish."""
TURN = 200
"""Frames between two true ones."""
MOST_BLOCKS = 500
MOST_RESIDENT_BYTES = 2 << 20

tiers = pytest.mark.parametrize(
    "frames",
    [pytest.param(FULL, marks=pytest.mark.full), pytest.param(LONG, marks=pytest.mark.long)],
)


class Rubbish:
    """Frames that no receiver may act on, in pieces: noise, damage, and right ones of others."""

    def __init__(self, seed: int) -> None:
        self._dice = dice = random.Random(seed)
        self._pool = [self._one(dice.randrange(7)) for _ in range(20_000)]

    def _one(self, kind: int) -> bytes:
        dice = self._dice
        wire = dice.choice(WIRES)
        if kind == 0:  # right but for the CRC
            return b"\0" + stuff(independent.opened(wire[1:-1]) + dice.randbytes(4)) + b"\0"
        if kind == 1:  # a CRC that is right, content of chance, in half of them of our version
            body = dice.randbytes(dice.randrange(1, 59))
            return independent.framed(dice.choice((body[:1], bytes([0x20 | body[0] & 15]))) + body)
        if kind == 2:  # noise, delimiters and all
            return dice.randbytes(dice.randrange(1, 40)) + b"\0"
        if kind == 3:  # too long
            return bytes(dice.choices(range(1, 256), k=dice.randrange(60, 200))) + b"\0"
        if kind == 4:  # one bit turned
            at = dice.randrange(1, len(wire) - 1)
            return wire[:at] + bytes([wire[at] ^ 1 << dice.randrange(8)]) + wire[at + 1 :] + b"\0"
        if kind == 5:  # cut off, the next frame's 00 ends it
            return wire[: dice.randrange(1, len(wire))] + b"\0"
        said = dice.randbytes(14)  # a press without the key
        return independent.framed(bytes([independent.PRESS]) + said + dice.randbytes(8))

    def turn(self) -> bytes:
        """A turn's worth of them."""
        return b"".join(self._dice.choices(self._pool, k=TURN - 1))

    def cut(self, stream: bytes) -> Iterator[bytes]:
        """``stream`` in pieces of 1 to 400 bytes."""
        at = 0
        while at < len(stream):
            size = self._dice.choice((1, 3, 17, 64, 255, 400))
            yield stream[at : at + size]
            at += size


class Memory:
    """What the process holds, at one moment and later."""

    def __init__(self) -> None:
        self._before: tuple[int, int] | None = None

    @staticmethod
    def _now() -> tuple[int, int]:
        gc.collect()
        pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
        return sys.getallocatedblocks(), pages * os.sysconf("SC_PAGE_SIZE")

    def at(self, turn: int, turns: int) -> None:
        """Take the measure after a tenth."""
        if turn == turns // 10:
            self._before = self._now()

    def check(self, name: str, frames: int, capsys: pytest.CaptureFixture[str]) -> None:
        """Print and hold what came on top since."""
        assert self._before is not None
        blocks, resident = (
            now - before for now, before in zip(self._now(), self._before, strict=True)
        )
        with capsys.disabled():
            print(
                f"\n{name}: {frames} frames, memory {blocks:+} blocks, {resident:+} bytes resident"
            )
        assert blocks <= MOST_BLOCKS
        assert resident <= MOST_RESIDENT_BYTES


class Counts:
    """Counts what gets through, and keeps nothing."""

    def __init__(self) -> None:
        self.presses = self.heard = self.rejected = 0
        self.answers = dict.fromkeys(Answered, 0)

    def key_pressed(self, press: Press) -> Answer:
        self.presses += 1
        return Answer.RUNNING

    def handset_heard(
        self, handset: int, at: int, battery_hours: int | None, margin_db: int | None
    ) -> None:
        self.heard += 1

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        self.rejected += 1

    def board_answered(self, report: BoardReport) -> None:
        self.answers[report.answered] += 1


@tiers
def test_to_a_node(frames: int, capsys: pytest.CaptureFixture[str]) -> None:
    rubbish, memory, node = Rubbish(SEED), Memory(), SimulatedNode(1, lambda: 1)
    at = 1
    for turn in range(frames // TURN):
        at += 100 * MS
        show = independent.Show(7, turn % 65_536, turn % 100, 15, 0, 1)
        for piece in rubbish.cut(independent.make_show(show) + rubbish.turn()):
            node.receive(piece, at)
        assert node.shown(at) == Face(turn % 100)
        memory.at(turn, frames // TURN)
    memory.check("to a node", frames, capsys)


@tiers
@virtual
async def test_from_the_nodes(
    clock: VirtualClock, frames: int, capsys: pytest.CaptureFixture[str]
) -> None:
    rubbish, memory, port, counts = Rubbish(SEED + 1), Memory(), StubPort(), Counts()
    bus = NodeBus("pair", port, {1: "home", 2: "away"}, 7, clock)
    task = asyncio.create_task(bus.run(counts))
    await asyncio.sleep(0)
    for turn in range(frames // TURN):
        bus.show(Face(40))
        wire = port.written[-1]
        show = independent.read_show(independent.opened(wire[wire.index(0) + 1 : -1]))
        port.written.clear()
        answer = b""
        if show.ask:
            said = (show.ask, show.stamp, independent.lamps_of(40), 15, 1, 0, 0, turn)
            answer = independent.make_status(independent.Status(*said))
        for piece in rubbish.cut(rubbish.turn() + answer):
            bus.bytes_received(piece, clock())
        await asyncio.sleep(0.1)
        memory.at(turn, frames // TURN)
    assert not task.done(), task.exception()
    assert counts.answers[Answered.WRONG] == counts.answers[Answered.SILENT] == 0
    assert counts.answers[Answered.RIGHT] > frames // TURN // 10
    memory.check(f"from the nodes ({counts.answers[Answered.RIGHT]} answers)", frames, capsys)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


@tiers
@virtual
async def test_from_the_handsets(
    clock: VirtualClock, frames: int, capsys: pytest.CaptureFixture[str]
) -> None:
    rubbish, memory, port, counts = Rubbish(SEED + 2), Memory(), StubPort(), Counts()
    keys = Keys(BROADCAST_KEY, {1: HANDSET_KEY_HERE})
    radio = RadioHandsets("receiver", port, keys, clock, lambda _: SESSION)
    task = asyncio.create_task(radio.run(counts))
    await asyncio.sleep(0)
    for turn in range(frames // TURN):
        radio.tell(told())
        [body] = independent.Unframer().feed(port.written[-1])
        state = independent.read_state(body, BROADCAST_KEY, SESSION)
        port.written.clear()
        press = independent.Press(1, turn + 1, 1 << turn % 12, 0, state.beat)
        stream = rubbish.turn() + independent.make_press(press, HANDSET_KEY_HERE, SESSION)
        for piece in rubbish.cut(stream):
            radio.bytes_received(piece, clock())
        assert counts.presses == turn + 1
        await asyncio.sleep(0.1)
        memory.at(turn, frames // TURN)
    assert not task.done(), task.exception()
    assert counts.rejected > frames // 10
    memory.check(f"from the handsets ({counts.presses} presses)", frames, capsys)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


@tiers
def test_to_a_handset(frames: int, capsys: pytest.CaptureFixture[str]) -> None:
    rubbish, memory = Rubbish(SEED + 3), Memory()
    handset = SimulatedHandset(1, HANDSET_KEY_HERE, BROADCAST_KEY_HERE)
    handset.session = SESSION
    at = 1
    for turn in range(frames // TURN):
        at += 100 * MS
        said = bytes([independent.STATE]) + (turn + 1).to_bytes(4, "big")
        said += bytes([1, turn % 100, 0, 0, 1, 0, 0, 0, 0, 0, 0])
        tag = independent.tag(BROADCAST_KEY_HERE, said + SESSION)
        stream = rubbish.turn() + independent.framed(said + tag)
        for piece in rubbish.cut(stream):
            handset.receive(piece, at)
        assert handset.state is not None
        assert (handset.state.beat, handset.state.numerals) == (turn + 1, turn % 100)
        handset.due(at)
        memory.at(turn, frames // TURN)
    memory.check("to a handset", frames, capsys)
