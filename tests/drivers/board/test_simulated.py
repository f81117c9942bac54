from __future__ import annotations

from drivers import framing
from drivers.base import DARK, Face
from drivers.board import messages
from drivers.board.messages import NodeFlag, NodeStatus, Show
from drivers.board.segments import LAMP_TEST_SEGMENTS, segments
from drivers.board.simulated import ANSWER_DELAY_NS, SILENCE_NS, SimulatedNode, SimulatedPair
from drivers.framing import Deframer
from drivers.port.memory_port import memory_pair
from tests.drivers.port.listeners import Ear
from tests.shared.virtual_time import START_AT, VirtualClock, sleep_until, virtual

MS = 1_000_000
S = 1_000_000_000
OURS, THEIRS = 0x1A2B, 0x7777


def show(
    numerals: int, stamp: int, *, controller: int = OURS, ask: int = 0, mask: int = 3
) -> bytes:
    return messages.encode_show(Show(controller, stamp, numerals, 9, ask, mask))


def node(number: int = 1) -> SimulatedNode:
    return SimulatedNode(number, lambda: 0)


def answer(asked: SimulatedNode) -> NodeStatus:
    assert asked.answer_due_at is not None
    frame = asked.take_answer(asked.answer_due_at)
    assert frame is not None
    (body,) = Deframer().feed(frame)
    return messages.decode_status(body)


def test_power_up_is_dark_until_a_good_frame() -> None:
    board = node()
    assert board.shown(5 * S) == DARK
    assert board.lamps(5 * S) == (0, 0)
    damaged = bytearray(show(40, 1))
    damaged[7] ^= 4
    board.receive(bytes(damaged), 5 * S)
    assert board.shown(5 * S) == DARK
    assert board.frame_errors == 1
    board.receive(show(40, 1), 6 * S)
    assert board.shown(6 * S) == Face(40, 9)
    assert board.lamps(6 * S) == segments(40)


def test_a_frame_is_obeyed_at_its_last_byte() -> None:
    board = node()
    frame = show(25, 1)
    board.receive(frame[:-1], 10)
    assert board.shown(10) == DARK
    board.receive(frame[-1:], 11)
    assert board.shown(11) == Face(25, 9)


def test_silence_darkens_after_a_second_and_a_half_and_other_frames_do_not_feed_it() -> None:
    board = node()
    board.receive(show(25, 10), 0)
    board.receive(show(24, 9), 1 * S)
    board.receive(show(24, 11, controller=THEIRS), 1 * S)
    board.receive(b"\0\x02\x55\x55\0", 1 * S)
    assert board.shown(SILENCE_NS - 1) == Face(25, 9)
    assert board.shown(SILENCE_NS) == DARK
    assert (board.stale_frames, board.foreign_frames, board.frame_errors) == (1, 1, 2)
    board.receive(show(23, 12, ask=1), 2 * S)
    assert answer(board).flags == NodeFlag.POWER_ON | NodeFlag.DARK_BY_SILENCE
    board.receive(show(23, 13, ask=1), 2 * S + 1)
    assert answer(board).flags == NodeFlag.POWER_ON


def test_a_frame_of_another_version_is_counted_and_not_obeyed() -> None:
    board = node()
    body = framing.decode(show(40, 1)[1:-1])
    board.receive(framing.encode(bytes([0x31]) + body[1:]), 1)
    assert (board.shown(1), board.frame_errors) == (DARK, 1)


def test_stale_stamps_are_dropped_across_the_wrap_until_silence() -> None:
    board = node()
    board.receive(show(40, 0xFFFF), 0)
    board.receive(show(39, 0x0002), 1)
    assert board.shown(1).numerals == 39
    for stamp in (0x0002, 0x0001, 0xFFFF, 0x8002):
        board.receive(show(17, stamp, ask=1), 2)
    assert board.shown(2).numerals == 39
    assert board.stale_frames == 4
    assert board.answer_due_at is None
    board.receive(show(17, 0x0001), 1 + SILENCE_NS)
    assert board.shown(1 + SILENCE_NS).numerals == 17


def test_one_controller_is_obeyed_until_silence() -> None:
    board = node()
    board.receive(show(40, 100), 0)
    board.receive(show(11, 200, controller=THEIRS, ask=1), 1)
    assert board.shown(1).numerals == 40
    assert board.answer_due_at is None
    board.receive(show(11, 1, controller=THEIRS), SILENCE_NS)
    assert board.shown(SILENCE_NS).numerals == 11
    assert board.foreign_frames == 1


def test_mask_lamp_test_and_dark() -> None:
    board = node(2)
    board.receive(show(40, 1, mask=1), 1)
    assert board.shown(1) == DARK
    board.receive(show(messages.LAMP_TEST, 2), 2)
    assert board.shown(2) == Face(None, 9, lamp_test=True)
    assert board.lamps(2) == LAMP_TEST_SEGMENTS
    board.receive(show(messages.DARK, 3), 3)
    assert board.lamps(3) == (0, 0)


def test_the_answer_tells_what_was_obeyed_in_its_time_and_once() -> None:
    board = node(2)
    board.receive(show(7, 0x1C84, ask=1), 60 * S)
    assert board.answer_due_at is None
    board.receive(show(7, 0x1C85, ask=2), 60 * S)
    assert board.answer_due_at == 60 * S + ANSWER_DELAY_NS
    assert board.take_answer(60 * S) is None
    assert answer(board) == NodeStatus(
        2, 0x1C85, segments(7), 9, NodeFlag.POWER_ON, 120, 0, 0, 60, board.revision
    )
    assert board.take_answer(61 * S) is None


def test_faults_mute_deaf_and_stuck() -> None:
    mute, deaf, stuck = node(), node(), node()
    mute.mute, deaf.deaf, stuck.stuck_segments = True, True, (0x5B, 0x7F)
    for board in (mute, deaf, stuck):
        board.receive(show(25, 1, ask=1), 0)
    assert mute.answer_due_at is not None
    assert mute.take_answer(mute.answer_due_at) is None
    assert mute.shown(1).numerals == 25
    assert deaf.answer_due_at is None
    assert deaf.shown(1) == DARK
    status = answer(stuck)
    assert status.segments == (0x5B, 0x7F)
    assert status.flags == NodeFlag.POWER_ON | NodeFlag.CHAIN_FAULT


def test_a_power_cycle_forgets_everything() -> None:
    board = node()
    board.receive(show(25, 500), 0)
    board.receive(show(25, 500), 1)
    board.power_cycle(10 * MS)
    assert board.shown(10 * MS) == DARK
    assert board.frame_errors == 0
    board.receive(show(24, 3, controller=THEIRS, ask=1), 2 * S)
    assert board.shown(2 * S).numerals == 24
    assert answer(board).uptime_s == 1


@virtual
async def test_nodes_on_a_pair_change_together_and_answer_in_time(clock: VirtualClock) -> None:
    host, boards = memory_pair(clock)
    nodes = SimulatedNode(1, clock), SimulatedNode(2, clock)
    pair, ear = SimulatedPair(boards, nodes, clock), Ear()
    pair.open()
    host.open(ear)
    host.write(show(40, 1, ask=2))
    await sleep_until(clock, START_AT + 4_166_000 - 1)
    assert [n.shown(clock()) for n in nodes] == [DARK, DARK]
    await sleep_until(clock, START_AT + 4_167_000)
    assert [n.shown(clock()) for n in nodes] == [Face(40, 9), Face(40, 9)]
    await sleep_until(clock, START_AT + 20 * MS)
    ((data, at),) = ear.heard
    (body,) = Deframer().feed(data)
    assert messages.decode_status(body).node == 2
    assert at - START_AT < 14_200_000
    assert nodes[0].frame_errors == 0
    pair.close()
    host.write(show(39, 2))
    await sleep_until(clock, START_AT + 40 * MS)
    assert nodes[0].shown(clock()) == Face(40, 9)
