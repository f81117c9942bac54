"""The board node's image on a simulated chip: pins, times in cycles, resets, memory."""

from __future__ import annotations

import itertools
import shutil
from pathlib import Path

import pytest

from drivers.board import messages
from drivers.board.messages import NodeFlag
from tests.firmware import building, figures
from tests.firmware.board import DIGITS, BoardNode
from tests.firmware.chip import BROWN_OUT, EXTERNAL, symbols
from tests.firmware.figures import ANSWER_MS, APART_MS, DARK_MS, LATCH_MS, show
from tests.shared.frames import opened

pytestmark = pytest.mark.needs_avr

MS = 16_000  # cycles
JUMP_ON_THE_SPOT = b"\xff\xcf"  # rjmp .-2


@pytest.fixture
def node(image: Path) -> BoardNode:
    """Node 1, powered up and running."""
    made = BoardNode(image)
    made.run_ms(5)
    return made


def asked(node: BoardNode, stamp: int, numerals: int = 40) -> messages.NodeStatus:
    """What node 1 answers to a SHOW."""
    node.hear(show(stamp, numerals, ask=1))
    node.run_ms(12)
    return last_status(node)


def last_status(node: BoardNode) -> messages.NodeStatus:
    return messages.decode_status(opened(node.answers[-1].wire[1:-1]))


# Lamps


def test_every_numeral_on_the_pins(node: BoardNode) -> None:
    assert len(DIGITS) == 11
    for numerals in range(100):
        node.hear(show(numerals + 1, numerals))
        node.run_ms(LATCH_MS)
        assert node.text == f"{numerals:2d}"
    node.hear(show(101, 0xFE))
    node.run_ms(LATCH_MS)
    assert node.text == "**"
    node.hear(show(102, 0xFF))
    node.run_ms(LATCH_MS)
    assert node.text == "  "
    assert node.blank[-1][1] == 1, "dark is dark by the blanking pin as well"


def test_both_digits_change_on_one_edge(node: BoardNode) -> None:
    """From 99 to 00 and back through all: no face in between."""
    order = [99, 0, 88, 11, 77, 22, 40, 25, 10, 9, 8]
    for stamp, numerals in enumerate(order, 1):
        node.hear(show(stamp, numerals))
        node.run_ms(1)
    assert [face.text for face in node.faces[2:]] == [f"{numerals:2d}" for numerals in order]


def test_brightness_by_the_share_of_time_that_the_pin_is_low(node: BoardNode) -> None:
    shares = []
    for brightness in range(1, 16):
        end = node.hear(show(brightness, 88, brightness=brightness))
        node.run_ms(14)  # a whole number of periods of 128 us is 12.8 ms
        shares.append(node.lit_share(end + MS, end + MS + 204_800))
        assert node.text == "88"
    ratios = [second / first for first, second in itertools.pairwise(shares)]
    assert shares[0] == pytest.approx(1 / 32, abs=0.001)
    assert shares[-1] == 1
    assert all(1.2 < ratio < 1.37 for ratio in ratios), shares
    low = [at for at, level in node.blank if level == 0][2:12]
    periods = {second - first for first, second in itertools.pairwise(low)}
    assert max(abs(period - 2048) for period in periods) <= 8  # 128 us


def test_dark_at_power_up_and_in_every_reset(image: Path) -> None:
    """Before the first SHOW the pin is never low, whatever the registers hold."""
    node = BoardNode(image)
    node.run_ms(1000)
    assert node.blank == [(0, 1)]
    assert node.faces[0].text == "??"
    for stamp, causes in enumerate((EXTERNAL, BROWN_OUT), 1):
        asked(node, stamp)
        assert node.text == "40"
        node.chip.reset(causes)
        reset_at = node.chip.cycle
        node.run_ms(100)
        assert node.blank[-1] == (reset_at, 1)
    assert asked(node, 1).flags == NodeFlag.BROWN_OUT
    assert node.text == "40"


def test_a_chain_that_gives_back_other_lamps_is_told(node: BoardNode) -> None:
    right = asked(node, 1, 25)
    assert right.segments == (0x5B, 0x6D)
    assert not right.flags & NodeFlag.CHAIN_FAULT
    for level, segments in ((0, (0, 0)), (1, (0xFF, 0xFF))):
        node.registers.stuck = level
        wrong = asked(node, 2 + level, 25)
        assert wrong.segments == segments
        assert wrong.flags & NodeFlag.CHAIN_FAULT
    node.registers.stuck = None
    asked(node, 8, 25)
    assert not asked(node, 9, 25).flags & NodeFlag.CHAIN_FAULT


# Times


def test_times_are_within_their_bounds(image: Path) -> None:
    times = figures.latencies(image, 30)
    assert times.latch[1] <= LATCH_MS * MS
    assert ANSWER_MS[0] * MS <= times.answer[0] <= times.answer[1] <= ANSWER_MS[1] * MS
    assert DARK_MS[0] * MS <= times.dark[0] <= times.dark[1] <= DARK_MS[1] * MS
    assert 0 < times.driver[0] <= times.driver[1] <= 10 * 16  # us
    assert 0 <= times.release[0] <= times.release[1] <= 10 * 16
    assert max(map(abs, times.gap)) <= 10 * 16


def test_two_nodes_on_one_pair_change_together(image: Path) -> None:
    assert figures.apart(image, 30) <= APART_MS * MS


def test_the_driver_is_on_only_for_the_answer(node: BoardNode) -> None:
    for stamp in range(1, 30):
        node.hear(show(stamp, 40, ask=stamp % 9))
        node.run_ms(12)
    node.run_ms(2000)
    edges = [(answer.driver_on_at, answer.driver_off_at) for answer in node.answers]
    assert len(edges) == 4
    assert [at for at, _ in node.drive] == [at for pair in edges for at in pair]
    assert len(node.sent) == sum(len(answer.wire) for answer in node.answers) == 4 * 27


def test_bytes_at_the_edges_of_the_baud_rate(image: Path) -> None:
    """A controller at +-1 % sends: no byte is lost, every frame is obeyed."""
    for error in (0.99, 1.01):
        node = BoardNode(image)
        at = 100_000
        for stamp in range(1, 60):
            wire = show(stamp, stamp)
            at = node.chip.send(wire, at, byte_cycles=node.chip.byte_cycles * error)
            node.run(at)
            at += 10
            node.run_ms(0)
        node.run_ms(1)
        assert node.text == "59"
        assert len(node.faces) == 61  # what was latched at power-up, dark, 1 to 59


def test_a_loop_that_falls_behind_loses_the_newest_bytes_alone(node: BoardNode) -> None:
    """Three SHOWs come while the program stands where it takes a byte; two have room."""
    takes = symbols(node.image)["node_hear"][0]
    before = node.chip.write_flash(takes, JUMP_ON_THE_SPOT)
    for stamp, numerals in enumerate((25, 40, 7), 1):
        node.hear(show(stamp, numerals))
    assert node.text != "25"
    node.chip.write_flash(takes, before)
    node.run_ms(1)
    assert [face.text for face in node.faces[-2:]] == ["25", "40"]
    status = asked(node, 4, 13)
    assert (node.text, status.frame_errors, node.resets[1:]) == ("13", 0, [])


def test_interrupts_are_never_off_for_two_bytes(image: Path) -> None:
    stack = figures.stack_under_fuzz(image, 200)
    assert stack.unread_most == 0
    assert stack.interrupts_off < 200  # cycles; two bytes take 8,333


# Status


def test_supply_uptime_and_counts(image: Path) -> None:
    node = BoardNode(image, number=5, supply_v=11.7)
    node.run_ms(3100)
    node.hear(show(10, 40))
    node.hear(show(10, 40))  # stale
    node.hear(show(9, 40))
    node.hear(b"\x01\x02\0")
    node.hear(show(11, 40, ask=5))
    node.run_ms(12)
    status = last_status(node)
    assert (status.node, status.supply_dv, status.uptime_s) == (5, 117, 3)
    assert (status.frame_errors, status.foreign_frames) == (3, 0)
    revision = (image.parent / "revision").read_text()
    assert f"{status.revision:02x}" == revision.strip()


@pytest.mark.parametrize(
    ("volts", "supply_dv"), [(0, 0), (9.6, 96), (12.05, 120), (24, 240), (25.5, 255), (30, 255)]
)
def test_supply_in_tenths_of_a_volt(image: Path, volts: float, supply_dv: int) -> None:
    node = BoardNode(image, supply_v=volts)
    node.run_ms(5)
    assert abs(asked(node, 1).supply_dv - supply_dv) <= 1


# Watchdog


def test_a_loop_that_hangs_is_reset_and_the_lamps_are_dark(image: Path, node: BoardNode) -> None:
    """The program is made to jump on the spot where it takes a byte; interrupts stay on."""
    node.hear(show(1, 40))
    node.run_ms(1)
    assert node.text == "40"
    taken = node.chip.cycle
    node.chip.write_flash(symbols(image)["node_hear"][0], JUMP_ON_THE_SPOT)
    node.hear(b"\0")
    node.run_ms(200)
    assert len(node.resets) == 2  # power-up, and the watchdog
    assert 100 * MS < node.resets[-1] - taken < 150 * MS
    assert node.text == "  "
    assert node.blank[-1] == (node.resets[-1], 1)


def test_the_watchdog_is_not_fed_when_time_stands_still(node: BoardNode) -> None:
    """Without ticks the silence could not be seen: bytes alone keep nothing alive."""
    timsk2 = 0x70
    node.chip.write(timsk2, b"\0")
    for stamp in range(1, 60):
        node.hear(show(stamp, 40))
        if len(node.resets) == 2:
            break
    assert len(node.resets) == 2
    node.run_ms(5)
    assert asked(node, 1, 25).flags == NodeFlag.WATCHDOG
    assert node.text == "25"


# Image


def test_memory_is_far_from_full(image: Path) -> None:
    flash, ram = figures.sizes(image)
    summed, path = figures.stack_summed(image)
    stack = figures.stack_under_fuzz(image, 100)
    assert path[0] == "main" and path[-1].startswith("__vector_")
    assert stack.painted <= summed
    assert flash <= figures.FLASH // 2
    assert ram + summed <= figures.RAM // 2


@pytest.mark.full
def test_the_image_is_the_same_bytes_wherever_it_is_built(image: Path, tmp_path: Path) -> None:
    copy = tmp_path / "another place"
    shutil.copytree(building.FIRMWARE, copy)
    building.run("make", "--quiet", "-C", copy / "board", "BUILD=here")
    made = copy / "board" / "here" / "board.bin"
    assert made.read_bytes() == (image.parent / "board.bin").read_bytes()
