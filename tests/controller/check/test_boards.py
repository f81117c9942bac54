"""The walk over the boards, on simulated nodes in virtual time."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any

import pytest

from controller.assembly.devices import SIMULATED_BOARDS, Built, board_drivers
from controller.check.boards import (
    NUMERALS,
    BoardAnswer,
    check_boards,
    display_findings,
    lamp_findings,
)
from controller.check.ports import SniffingPort
from controller.check.report import Report, Verdict
from drivers import framing
from drivers.base import DARK, Answered, Board, BoardReport, Face
from drivers.board.kinds import BoardConfig
from drivers.board.messages import NodeFlag, NodeStatus, Show, encode_show
from drivers.board.node import NodeBus
from drivers.board.segments import LAMP_TEST_SEGMENTS, segments
from drivers.board.simulated import SimulatedPair
from drivers.board.verification import Query, judge, silence
from drivers.kind import Site
from drivers.port.serial_port import SerialPort
from tests.controller.fakes import FakeBoard, report
from tests.shared.virtual_time import VirtualClock, virtual

OURS, THEIRS = 7, 8


class Checked:
    """Two simulated boards and the report of a check of them."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.lines: list[str] = []
        self.report = Report(self.lines.append)
        self.site = Site(clock, OURS, listen=SniffingPort)
        self.boards: list[Built[Board]] = board_drivers(SIMULATED_BOARDS, self.site)
        pair: SimulatedPair = self.site.pairs[0]
        self.north, self.south = pair.nodes

    @property
    def port(self) -> SniffingPort:
        [bus, *_] = [each.driver for each in self.boards if isinstance(each.driver, NodeBus)]
        assert isinstance(bus.port, SniffingPort)
        return bus.port

    async def check(
        self, brightness: int = 15, beside: Coroutine[Any, Any, None] | None = None
    ) -> None:
        """Check while something else goes on, if anything does."""
        other = asyncio.create_task(asyncio.sleep(0) if beside is None else beside)
        try:
            await check_boards(self.boards, self.site, brightness, self.report)
        finally:
            other.cancel()

    def said(self, word: str) -> list[str]:
        return [line for line in self.lines if line.startswith(word)]

    @property
    def dark(self) -> bool:
        at = self.clock()
        return all(node.shown(at).numerals is None for node in (self.north, self.south)) and not (
            self.north.shown(at).lamp_test or self.south.shown(at).lamp_test
        )


@virtual
async def test_two_good_boards_are_all_right_and_told_in_detail(clock: VirtualClock) -> None:
    site = Checked(clock)
    await site.check(brightness=9)
    assert site.said("WRONG") == site.said("LOOK") == []
    good = "\n".join(site.said("OK"))
    for board in ("north", "south"):
        assert f"{board} showed all that it was told, at brightness 9 of 15" in good
        assert f"{board}: supply 12.0 V, 12.0 V with all lamps lit" in good
        assert f"{board}: up for" in good
    assert "firmware 1" in good and "boards answer in 1" in good
    assert site.dark


@virtual
async def test_people_see_all_lamps_the_numerals_and_dark(clock: VirtualClock) -> None:
    site = Checked(clock)
    faces = [site.north.shown(clock())]

    async def watch() -> None:
        while True:
            if faces[-1] != site.north.shown(clock()):
                faces.append(site.north.shown(clock()))
            await asyncio.sleep(0.01)

    await site.check(beside=watch())
    lit = [Face(None, lamp_test=True), *(Face(numerals) for numerals in NUMERALS)]
    assert faces == [DARK, *lit, DARK]


@virtual
async def test_the_lamp_test_stands_long_enough_to_be_looked_at(clock: VirtualClock) -> None:
    site = Checked(clock)
    lit_s = 0.0

    async def watch() -> None:
        nonlocal lit_s
        while True:
            await asyncio.sleep(0.05)
            lit_s += 0.05 * site.south.shown(clock()).lamp_test

    await site.check(beside=watch())
    assert lit_s >= 2.9


@virtual
async def test_a_silent_board_is_named_with_node_and_port(clock: VirtualClock) -> None:
    site = Checked(clock)
    site.south.mute = True
    await site.check()
    (bad,) = site.said("WRONG")
    assert "south (node 2 on simulated pair) does not answer" in bad and "supply" in bad
    assert any("north showed all" in line for line in site.said("OK"))


@virtual
async def test_an_answer_missing_now_and_then_wants_a_look(clock: VirtualClock) -> None:
    site = Checked(clock)
    answer, calls = site.south.take_answer, 0

    def sometimes(at: int) -> bytes | None:
        nonlocal calls
        calls += 1
        taken = answer(at)
        return None if calls == 3 else taken

    site.south.take_answer = sometimes  # type: ignore[method-assign]
    await site.check()
    assert site.said("WRONG") == []
    assert any("south: 1 of" in line and "missing" in line for line in site.said("LOOK"))


@pytest.mark.parametrize(
    ("stuck", "words"),
    [
        ((0xFF, 0xFF), "every lamp never dark"),
        ((0x00, 0x00), "every lamp never lit"),
        ((0x5B, 0x6D), "tens: upper right bar never dark"),
    ],
)
@virtual
async def test_a_lying_board_is_wrong_and_its_lamps_are_named(
    clock: VirtualClock, stuck: tuple[int, int], words: str
) -> None:
    site = Checked(clock)
    site.north.stuck_segments = stuck
    await site.check()
    bad = site.said("WRONG")
    assert any(line.startswith("WRONG  north showed") and words in line for line in bad)
    assert any("the boards disagreed" in line for line in bad)
    assert any("chain of lamp drivers is faulty" in line for line in bad)
    assert not any("south showed" in line for line in bad)


async def another_controller(site: Checked) -> None:
    """A spare controller that was left on the pair: the boards and we hear it."""
    stamp = 100
    while True:
        stamp += 10
        frame = encode_show(Show(THEIRS, stamp & 0xFFFF, 33, 15, 0, 0xFF))
        for node in (site.north, site.south):
            node.receive(frame, site.clock())
        site.port.bytes_received(frame, site.clock())
        await asyncio.sleep(0.1)


@virtual
async def test_another_controller_is_heard_before_a_word_is_spoken(clock: VirtualClock) -> None:
    site = Checked(clock)
    await site.check(beside=another_controller(site))
    bad = "\n".join(site.said("WRONG"))
    assert "another controller speaks on the boards' pair" in bad
    assert "does not answer" in bad  # they obey the other


@virtual
async def test_a_controller_of_another_version_is_named_by_it(clock: VirtualClock) -> None:
    site = Checked(clock)

    async def later() -> None:
        await asyncio.sleep(4)
        site.port.bytes_received(framing.encode(b"\x31\x77\x77"), clock())

    await site.check(beside=later())
    (bad,) = site.said("WRONG")
    assert "another controller speaks on the boards' pair: a frame of protocol version 3" in bad
    assert site.said("LOOK") == []


@virtual
async def test_a_controller_that_comes_later_is_told_by_the_boards(clock: VirtualClock) -> None:
    site = Checked(clock)

    async def later() -> None:
        await asyncio.sleep(4)
        for stamp in range(5):
            frame = encode_show(Show(THEIRS, stamp, 33, 15, 0, 0xFF))
            site.south.receive(frame, clock())
            await asyncio.sleep(0.1)

    await site.check(beside=later())
    assert any("south hears another controller" in line for line in site.said("WRONG"))


@virtual
async def test_a_controller_that_has_gone_wants_a_look(clock: VirtualClock) -> None:
    site = Checked(clock)
    site.north.foreign_frames = 12
    await site.check()
    assert any("north has heard another controller" in line for line in site.said("LOOK"))


@virtual
async def test_a_supply_that_sags_under_load_wants_a_look(clock: VirtualClock) -> None:
    site = Checked(clock)
    shown = site.south.shown

    def sagging(at: int) -> Face:
        face = shown(at)
        site.south.supply_dv = 104 if face.lamp_test else 120
        return face

    site.south.shown = sagging  # type: ignore[method-assign]
    await site.check()
    (found,) = site.said("LOOK")
    assert "south: supply 12.0 V, but 10.4 V with all lamps lit" in found


@pytest.mark.parametrize(
    ("flag", "words"),
    [(NodeFlag.WATCHDOG, "its watchdog"), (NodeFlag.BROWN_OUT, "a drop of its supply")],
)
@virtual
async def test_a_reset_by_a_fault_wants_a_look_however_long_ago(
    clock: VirtualClock, flag: NodeFlag, words: str
) -> None:
    site = Checked(clock)
    flags = site.north._flags
    site.north._flags = lambda at: flags(at) | flag  # type: ignore[method-assign]
    site.north._powered_at -= 3600 * 1_000_000_000
    await site.check()
    (found,) = site.said("LOOK")
    assert "north" in found and words in found


@virtual
async def test_damaged_frames_and_different_firmware_want_a_look(clock: VirtualClock) -> None:
    site = Checked(clock)
    site.south.revision = 3

    async def noise() -> None:
        await asyncio.sleep(5)
        site.south.receive(b"\x00\x01\x02\x03\x00", clock())
        site.port.bytes_received(b"\x00\x01\x02\x03\x00", clock())

    await site.check(beside=noise())
    looks = "\n".join(site.said("LOOK"))
    assert "south received 1 damaged frames" in looks
    assert "simulated pair: 1 damaged answers" in looks
    assert "different firmware: north 1, south 3" in looks


@virtual
async def test_a_slow_adapter_wants_a_look_with_its_cure(clock: VirtualClock) -> None:
    site = Checked(clock)
    port = SerialPort("/dev/nothing", clock=clock)
    port.low_latency = False
    heard = site.port.bytes_received

    def late(data: bytes, at: int) -> None:
        asyncio.get_running_loop().call_later(0.005, heard, data, at)

    site.port.bytes_received = late  # type: ignore[method-assign]
    checking = asyncio.create_task(site.check())
    await asyncio.sleep(3)
    wire, site.port.port = site.port.port, port  # only its answer to this question
    site.port.write = wire.write  # type: ignore[method-assign]
    site.port.unsent = wire.unsent  # type: ignore[method-assign]
    site.port.close = wire.close  # type: ignore[method-assign]
    await checking
    looks = "\n".join(site.said("LOOK"))
    assert "the adapter holds back what it hears" in looks and "udev rule" in looks
    assert "at worst" in looks


# Ports and ways out


@virtual
async def test_a_port_that_is_not_there_is_wrong_and_the_others_are_checked(
    clock: VirtualClock,
) -> None:
    site = Checked(clock)
    east = BoardConfig("east", "node", "/dev/not-there", node=3)
    site.boards += board_drivers([east], site.site)
    began_at = clock()
    await site.check()
    (bad,) = site.said("WRONG")
    assert "east: /dev/not-there: cannot open" in bad and "plug the adapter in" in bad
    assert any("south showed all" in line for line in site.said("OK"))
    assert (clock() - began_at) / 1e9 < 15  # nobody waits for a board that cannot answer


@virtual
async def test_a_port_lost_on_the_way_is_wrong(clock: VirtualClock) -> None:
    site = Checked(clock)
    checking = asyncio.create_task(site.check())
    await asyncio.sleep(4)
    site.port.port.unplug()  # type: ignore[attr-defined]
    await checking
    (bad,) = site.said("WRONG")
    assert "north, south: " in bad and "unplugged" in bad
    await asyncio.sleep(1.6)
    assert site.dark  # by the nodes' own silence rule


@pytest.mark.parametrize("after_s", [0.5, 2.5, 4.0, 7.3, 9.0])
@virtual
async def test_ended_at_any_moment_the_boards_are_dark_at_once(
    clock: VirtualClock, after_s: float
) -> None:
    site = Checked(clock)
    checking = asyncio.create_task(site.check())
    await asyncio.sleep(after_s)
    checking.cancel()
    await asyncio.wait({checking})
    assert checking.cancelled()
    await asyncio.sleep(0.02)
    assert site.dark


@virtual
async def test_an_output_that_breaks_darkens_the_boards_and_is_raised(clock: VirtualClock) -> None:
    site = Checked(clock)

    def broken(line: str) -> None:
        if "showing 25" in line:
            raise BrokenPipeError

    site.report = Report(broken)
    with pytest.raises(BrokenPipeError):
        await site.check()
    await asyncio.sleep(0.02)
    assert site.dark


# What nodes, and other displays, tell


FACES = (Face(None), Face(None, lamp_test=True), Face(40), Face(25), Face(7), Face(0))


def answers(
    lit: tuple[int, int] = (0, 0), dead: tuple[int, int] = (0, 0), brightness: int = 15
) -> list[BoardAnswer]:
    """A board with lamps that are always lit, or dead."""
    made = [BoardAnswer(silence("north", Query(1, 0, FACES[0], True, 0), 0), None, None)]
    for stamp, face in enumerate(FACES):
        question = Query(1, stamp, face, True, 0)
        tens, units = LAMP_TEST_SEGMENTS if face.lamp_test else segments(face.numerals)
        lamps = (tens | lit[0]) & ~dead[0], (units | lit[1]) & ~dead[1]
        status = NodeStatus(1, stamp, lamps, brightness, NodeFlag(0), 120, 0, 0, 9, 1)
        made.append(BoardAnswer(judge("north", question, status), 11.0, status))
    return made


@pytest.mark.parametrize(
    ("lit", "dead", "words"),
    [
        ((0, 0), (0x40, 0), ["tens: middle bar never lit"]),
        ((0, 0), (0, 0x81), ["units: top bar never lit", "units: point never lit"]),
        ((0x10, 0), (0, 0), ["tens: lower left bar never dark"]),
        ((0, 0x02), (0x20, 0), ["tens: upper left bar never lit", "units: upper right bar never"]),
        ((0, 0), (0, 0xFF), ["units: every lamp never lit"]),
    ],
)
def test_stuck_lamps_are_named_with_their_digit(
    lit: tuple[int, int], dead: tuple[int, int], words: list[str]
) -> None:
    (found,) = lamp_findings("north", answers(lit, dead))
    assert found.verdict is Verdict.WRONG
    for each in words:
        assert each in found.what
    assert found.what.count("never") == len(words)


def test_a_lie_names_what_was_told_and_another_brightness_wants_a_look() -> None:
    (found,) = lamp_findings("north", answers(dead=(0x6D ^ 0x06, 0)))
    assert "when told 25" in found.what and "when told 7" not in found.what
    (found,) = lamp_findings("north", answers(brightness=3))
    assert found.verdict is Verdict.LOOK and "brightness 3, not 15" in found.what


RIGHT = report("north", Answered.RIGHT, "25")
WRONG = report("north", Answered.WRONG, "28")
SILENT = report("north", Answered.SILENT)


@pytest.mark.parametrize(
    ("reports", "verdict", "words"),
    [
        ([RIGHT, RIGHT], Verdict.OK, "north showed all that it was told"),
        ([RIGHT, WRONG], Verdict.WRONG, "north showed 28 when told 28"),
        ([RIGHT, SILENT], Verdict.LOOK, "north: 1 of 2 answers missing"),
        ([SILENT] * 3, Verdict.WRONG, "north does not answer: asked 3 times"),
        ([], Verdict.WRONG, "north does not answer: asked 0 times"),
    ],
)
def test_a_display_that_can_answer_is_judged_by_its_answers(
    reports: list[BoardReport], verdict: Verdict, words: str
) -> None:
    board = FakeBoard(VirtualClock(), "north")
    first, switch = display_findings(board, {"north": reports})
    assert (first.verdict, first.what) == (verdict, words)
    assert switch.verdict is Verdict.LOOK and "supply switch" in switch.do


def test_one_that_cannot_is_never_ok_and_its_switch_is_named() -> None:
    (found,) = display_findings(FakeBoard(VirtualClock(), "north", mute=True), {})
    assert found.verdict is Verdict.LOOK and "cannot say what it shows" in found.what
    assert "only its supply switch darkens it" in found.do
