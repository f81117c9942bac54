from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import random
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from drivers import framing
from drivers.base import DARK, Answered, BoardReport, Face, PortError
from drivers.board import messages
from drivers.board.messages import NodeFlag, NodeStatus, Show
from drivers.board.node import NodeBus
from drivers.board.poll_schedule import ASK_PERIOD_NS, OVERDUE_NS, QUICK_RETRIES
from drivers.board.segments import segments
from drivers.board.simulated import SimulatedNode, SimulatedPair
from drivers.framing import Deframer
from drivers.port.memory_port import MemoryPort, memory_pair
from drivers.port.serial_port import FdPort, SerialPort
from tests.shared.virtual_time import VirtualClock, run, sleep_until, virtual, virtual_with

MS = 1_000_000
S = 1_000_000_000
SHOW_NS = 16 * (10 * S // 38400)
OURS = 0x1A2B


class Tape(SimulatedPair):
    """The boards' end of the line, which keeps every SHOW and when it ended."""

    def __init__(self, port: MemoryPort, nodes: list[SimulatedNode], clock: VirtualClock) -> None:
        super().__init__(port, nodes, clock)
        self.shows: list[tuple[int, Show]] = []
        self._cut = Deframer()

    def bytes_received(self, data: bytes, at: int) -> None:
        super().bytes_received(data, at)
        self.shows += [(at, messages.decode_show(body)) for body in self._cut.feed(data)]


class Field:
    """Two boards on a line, the bus that drives them, and what it reports."""

    def __init__(self, clock: VirtualClock, count: int = 2) -> None:
        self.clock = clock
        self.host, far = memory_pair(clock)
        self.nodes = [SimulatedNode(number, clock) for number in range(1, count + 1)]
        self.tape = Tape(far, self.nodes, clock)
        names = {node.node: f"board {node.node}" for node in self.nodes}
        self.bus = NodeBus("boards", self.host, names, OURS, clock)
        self.reports: list[BoardReport] = []
        self.on_report: Callable[[BoardReport], None] = self.reports.append

    def board_answered(self, report: BoardReport) -> None:
        self.on_report(report)

    @property
    def numerals(self) -> list[int]:
        return [show.numerals for _, show in self.tape.shows]

    @property
    def faces(self) -> list[int | None]:
        return [node.shown(self.clock()).numerals for node in self.nodes]

    async def started(self) -> asyncio.Task[None]:
        """The bus at work, with ports that have just been opened."""
        self.tape.open()
        task = asyncio.create_task(self.bus.run(self))
        await asyncio.sleep(0)
        return task

    @contextlib.asynccontextmanager
    async def driven(self) -> AsyncIterator[Field]:
        task = await self.started()
        self.bus._spoil = b""  # nothing was ever on this line
        try:
            yield self
        finally:
            task.cancel()
            await asyncio.wait([task])

    async def until(self, at: int) -> None:
        await sleep_until(self.clock, at)

    async def refresh(self, face: Face, duration_ns: int) -> None:
        """Show a face as the service does: at once, 25 ms later, and ten times a second."""
        began_at = self.clock()
        self.bus.show(face)
        await self.until(began_at + 25 * MS)
        self.bus.show(face)
        for offset_ns in range(100 * MS, duration_ns, 100 * MS):
            await self.until(began_at + offset_ns)
            self.bus.show(face)
        await self.until(began_at + duration_ns)

    def asks(self) -> list[tuple[int, int]]:
        return [(at - SHOW_NS, show.ask) for at, show in self.tape.shows if show.ask]


def one_board(clock: VirtualClock) -> contextlib.AbstractAsyncContextManager[Field]:
    return Field(clock, 1).driven()


def two_boards(clock: VirtualClock) -> contextlib.AbstractAsyncContextManager[Field]:
    return Field(clock, 2).driven()


@virtual_with(two_boards)
async def test_a_change_is_on_both_boards_with_the_same_byte(field: Field) -> None:
    began_at = field.clock()
    field.bus.show(Face(40))
    await field.until(began_at + SHOW_NS - 1)
    assert field.faces == [None, None]
    await field.until(began_at + SHOW_NS)
    assert field.faces == [40, 40]


@virtual_with(two_boards)
async def test_frames_carry_id_mask_brightness_and_rising_stamps(field: Field) -> None:
    field.bus.show(Face(40, 3))
    field.bus.show(Face(None, 4, lamp_test=True))
    await asyncio.sleep(0.1)
    field.bus.node_mask = 2
    field.bus.show(Face(None))
    await asyncio.sleep(0.1)
    first = field.clock() // (10 * MS) & 0xFFFF
    shows = [show for _, show in field.tape.shows]
    assert [(s.numerals, s.brightness, s.node_mask) for s in shows] == [
        (40, 3, 3),
        (messages.LAMP_TEST, 4, 3),
        (messages.DARK, 15, 2),
    ]
    assert [(s.stamp - first) & 0xFFFF for s in shows] == [0xFFEC, 0xFFED, 0xFFF6]
    assert {s.controller_id for s in shows} == {OURS}


@virtual_with(two_boards)
async def test_each_board_is_asked_about_once_a_second_in_calm_moments(field: Field) -> None:
    began_at = field.clock()
    for numerals in range(40, 20, -1):
        await field.refresh(Face(numerals), S)
    asks = field.asks()
    for number in (1, 2):
        times = [at for at, ask in asks if ask == number]
        assert 19 <= len(times) <= 20
        assert all(300 * MS <= (at - began_at) % S <= 800 * MS for at in times)
    assert {r.answered for r in field.reports} == {Answered.RIGHT}
    assert {r.board for r in field.reports} == {"board 1", "board 2"}
    report = field.reports[0]
    assert (report.expected, report.seen, report.supply_v) == ("40", "40", 12.0)
    assert report.shown_at == asks[0][0]


@virtual_with(two_boards)
async def test_a_face_held_for_minutes_is_asked_about_all_the_time(field: Field) -> None:
    await field.refresh(Face(25), 60 * S)
    times = [at for at, ask in field.asks() if ask == 1]
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert max(gaps) <= 1_500 * MS
    assert min(gaps) >= 950 * MS


@pytest.mark.parametrize(("count", "longest_ms"), [(1, 1500), (2, 1500), (3, 1550), (8, 4300)])
@virtual
async def test_quick_changes_keep_the_questions_coming_and_their_share_small(
    clock: VirtualClock, count: int, longest_ms: int
) -> None:
    field = Field(clock, count)
    chance = random.Random(count)
    numerals = 25
    async with field.driven():
        began_at = clock()
        while clock() - began_at < 30 * S:
            numerals = 65 - numerals
            field.bus.show(Face(numerals))
            gap_ns = chance.randrange(20 * MS, 120 * MS)
            if gap_ns > 25 * MS:
                await asyncio.sleep(0.025)
                field.bus.show(Face(numerals))
                gap_ns -= 25 * MS
            await asyncio.sleep(gap_ns / 1e9)
        duration_ns = clock() - began_at
    asks = field.asks()
    assert len(asks) * 13_700_000 / duration_ns <= 0.03
    for number in range(1, count + 1):
        times = [began_at, *(at for at, ask in asks if ask == number)]
        assert max(b - a for a, b in itertools.pairwise(times)) <= longest_ms * MS
    assert {r.answered for r in field.reports} == {Answered.RIGHT}


async def _ask(field: Field) -> int:
    """Refresh until the bus asks; the instant of that SHOW."""
    field.bus.show(Face(40))
    for _ in range(20):
        await asyncio.sleep(0.1)
        field.bus.show(Face(40))
        if field.host.unsent() and field.bus._query is not None:
            return field.clock()
    raise AssertionError("never asked")


@virtual_with(two_boards)
async def test_a_change_in_a_reply_window_goes_out_with_the_answer(field: Field) -> None:
    asked_at = await _ask(field)
    await field.until(asked_at + 6 * MS)
    field.bus.show(Face(26))
    await field.until(asked_at + 7 * MS)
    field.bus.show(Face(25))
    await asyncio.sleep(0.1)
    at, show = field.tape.shows[-1]
    assert (show.numerals, show.ask) == (25, 0)
    assert 26 not in field.numerals
    assert at - SHOW_NS - asked_at <= 14_200_000
    assert [r.answered for r in field.reports] == [Answered.RIGHT]
    assert field.reports[0].seen == "40"


@virtual_with(two_boards)
async def test_a_change_waits_twenty_ms_at_most_for_a_board_that_is_silent(field: Field) -> None:
    for node in field.nodes:
        node.mute = True
    asked_at = await _ask(field)
    await field.until(asked_at + 1)
    field.bus.show(Face(25))
    await asyncio.sleep(0.05)
    at, show = field.tape.shows[-1]
    assert show.numerals == 25
    assert 19 * MS < at - SHOW_NS - asked_at <= 20 * MS
    assert [r.answered for r in field.reports] == [Answered.SILENT]
    assert (field.reports[0].expected, field.reports[0].seen) == ("40", "")


@virtual_with(two_boards)
async def test_a_silent_board_is_asked_again_at_once_then_seldom_and_comes_back(
    field: Field,
) -> None:
    field.nodes[1].deaf = True
    await field.refresh(Face(25), 2 * S)
    times = [at for at, ask in field.asks() if ask == 2]
    assert [b - a for a, b in itertools.pairwise(times[:4])] == [100 * MS] * 3
    await field.refresh(Face(25), 20 * S)
    asks = field.asks()[-10:]
    assert sum(ask == 1 for _, ask in asks) >= 5
    field.nodes[1].deaf = False
    field.reports.clear()
    await field.refresh(Face(25), 2 * S)
    assert {r.board for r in field.reports if r.answered is Answered.RIGHT} == {
        "board 1",
        "board 2",
    }


@virtual_with(two_boards)
async def test_wrong_lamps_and_brightness_are_reported_in_plain_words(field: Field) -> None:
    field.nodes[0].stuck_segments = segments(23)
    await field.refresh(Face(25), S)
    wrong = [r for r in field.reports if r.answered is Answered.WRONG]
    assert {r.board for r in wrong} == {"board 1"}
    assert len(wrong) >= 2
    assert (wrong[0].expected, wrong[0].seen) == ("25", "23")
    assert wrong[0].notes == (
        "shows 23, not 25",
        "chain of lamp drivers faulty",
        "last reset by power-up",
    )


@virtual_with(two_boards)
async def test_a_board_darkened_by_the_mask_is_right_when_dark(field: Field) -> None:
    field.bus.node_mask = 1
    await field.refresh(Face(25), S)
    assert field.faces == [25, None]
    seen = {r.board: (r.answered, r.expected) for r in field.reports}
    assert seen == {
        "board 1": (Answered.RIGHT, "25"),
        "board 2": (Answered.RIGHT, "dark"),
    }


def status(node: int, stamp: int, brightness: int = 15) -> bytes:
    return messages.encode_status(
        NodeStatus(node, stamp, segments(40), brightness, NodeFlag(0), 120, 0, 0, 1, 1)
    )


@virtual_with(two_boards)
async def test_only_the_asked_node_with_the_stamp_that_asked_is_an_answer(field: Field) -> None:
    for node in field.nodes:
        node.mute = True
    asked_at = await _ask(field)
    await field.until(asked_at + SHOW_NS)
    stamp = field.tape.shows[-1][1].stamp
    other = 3 - field.tape.shows[-1][1].ask
    for frame in (status(other, stamp), status(3 - other, stamp - 1), b"\0\x05ab\0"):
        field.bus.bytes_received(frame, field.clock())
    assert field.reports == []
    assert (field.bus.stray_frames, field.bus.bad_frames) == (2, 1)
    field.bus.bytes_received(status(3 - other, stamp, brightness=3), field.clock())
    assert [r.answered for r in field.reports] == [Answered.WRONG]
    assert field.reports[0].notes == ("brightness 3, not 15",)


@virtual_with(one_board)
async def test_an_answer_after_the_window_is_noted_with_the_next_silence(field: Field) -> None:
    field.nodes[0].mute = True
    asked_at = await _ask(field)
    await field.until(asked_at + 30 * MS)
    field.bus.bytes_received(status(1, field.tape.shows[-1][1].stamp), field.clock())
    await field.refresh(Face(40), 200 * MS)
    assert [r.notes for r in field.reports[:2]] == [(), ("answers that came too late: 1",)]


@virtual_with(two_boards)
async def test_changes_in_a_rush_put_at_most_two_frames_in_front_of_the_newest(
    field: Field,
) -> None:
    began_at = field.clock()
    for numerals in range(50, 20, -1):
        field.bus.show(Face(numerals))
    assert field.host.unsent() == 32
    await asyncio.sleep(0.1)
    assert field.numerals == [50, 49, 21]
    assert field.tape.shows[-1][0] <= began_at + 3 * SHOW_NS + MS


@virtual_with(two_boards)
async def test_a_third_change_follows_the_second_on_the_wire_without_a_gap(field: Field) -> None:
    began_at = field.clock()
    field.bus.show(Face(40))
    field.bus.show(Face(39))
    await field.until(began_at + 4_000_000)
    field.bus.show(Face(38))
    await asyncio.sleep(0.1)
    assert [at - began_at for at, _ in field.tape.shows] == [
        SHOW_NS,
        2 * SHOW_NS,
        3 * SHOW_NS,
    ]


@virtual
async def test_a_port_that_cannot_tell_what_is_unsent_gets_no_more_than_the_line_carries(
    clock: VirtualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(MemoryPort, "unsent", lambda _port: 0)
    field = Field(clock)
    async with field.driven():
        for numerals in range(50, 20, -1):
            field.bus.show(Face(numerals))
        await asyncio.sleep(0.1)
        assert field.numerals == [50, 49, 21]


@virtual_with(one_board)
async def test_a_show_that_must_wait_for_the_line_does_not_ask(field: Field) -> None:
    began_at = field.clock()
    await field.until(began_at + OVERDUE_NS - ASK_PERIOD_NS - MS)
    field.bus.show(Face(40))
    await field.until(began_at + OVERDUE_NS - ASK_PERIOD_NS + MS)
    field.bus.show(Face(40))
    await asyncio.sleep(0.05)
    assert [show.ask for _, show in field.tape.shows] == [0, 0]
    field.bus.show(Face(40))
    await asyncio.sleep(0.05)
    assert field.tape.shows[-1][1].ask == 1


@virtual_with(two_boards)
async def test_a_short_stall_ends_with_the_newest_face_and_no_burst(field: Field) -> None:
    await field.refresh(Face(40), 200 * MS)
    before = len(field.tape.shows)
    field.host.stall()
    for numerals in range(39, 29, -1):
        field.bus.show(Face(numerals))
        await asyncio.sleep(0.025)
    field.host.resume()
    await asyncio.sleep(0.1)
    assert field.numerals[before:] == [39, 38, 30]
    assert field.faces == [30, 30]
    await field.refresh(Face(29), S)
    assert field.faces == [29, 29]


@virtual
async def test_a_port_that_does_not_drain_is_a_fault_and_its_bytes_are_gone(
    clock: VirtualClock,
) -> None:
    field = Field(clock)
    task = await field.started()
    await field.refresh(Face(40), 200 * MS)
    before = len(field.tape.shows)
    field.host.stall()
    stalled_at = clock()
    with contextlib.suppress(asyncio.CancelledError):
        while not task.done():
            field.bus.show(Face(39))
            await asyncio.sleep(0.1)
    assert isinstance(task.exception(), PortError)
    assert "not drained in 300 ms" in str(task.exception())
    assert clock() - stalled_at <= 400 * MS
    field.host.resume()
    await asyncio.sleep(0.1)
    assert field.numerals[before:] == []
    async with field.driven():
        await field.refresh(Face(31), 200 * MS)
        assert field.faces == [31, 31]
    assert 39 not in field.numerals


@virtual
async def test_a_port_found_stuck_when_the_loop_was_held_up_gets_no_more_and_sends_no_more(
    clock: VirtualClock,
) -> None:
    field = Field(clock)
    task = await field.started()
    await field.refresh(Face(40), 200 * MS)
    before = len(field.tape.shows)
    field.host.stall()
    field.bus.show(Face(39))
    clock.jump(700 * MS)
    field.bus.show(Face(38))
    field.host.resume()
    await asyncio.sleep(0.1)
    assert "not drained in 300 ms" in str(task.exception())
    assert field.numerals[before:] == [], "39 was right 0.7 s ago"


@virtual
async def test_a_port_that_takes_nothing_is_a_fault_too(clock: VirtualClock) -> None:
    field = Field(clock)
    task = await field.started()
    field.host.capacity = 0
    began_at = clock()
    while not task.done():
        field.bus.show(Face(40))
        await asyncio.wait({task}, timeout=0.1)
    with pytest.raises(PortError, match="not drained"):
        await task
    assert 300 * MS <= clock() - began_at <= 310 * MS


@virtual_with(two_boards)
async def test_frames_count_as_sent_once_the_port_was_seen_empty_behind_them(field: Field) -> None:
    counts = []
    for _ in range(3):
        field.bus.show(Face(40))
        counts.append(field.bus.sent)
        await asyncio.sleep(0.1)
    assert counts == [0, 1, 2]
    field.host.capacity = 7
    field.bus.show(Face(39))
    field.bus.show(Face(38))
    assert field.bus.sent == 3
    await asyncio.sleep(0.1)
    field.bus.show(Face(38))
    assert field.bus.sent == len(field.tape.shows) == 5
    field.host.stall()
    for _ in range(3):
        field.bus.show(Face(37))
        await asyncio.sleep(0.05)
    assert field.bus.sent == 5


@virtual
async def test_what_a_stalled_port_threw_away_never_counts_as_sent(clock: VirtualClock) -> None:
    field = Field(clock)
    field.host.stall()
    task = await field.started()
    while not task.done():
        field.bus.show(Face(40))
        await asyncio.sleep(0.1)
    assert isinstance(task.exception(), PortError)
    field.host.resume()
    async with field.driven():
        field.bus.show(Face(39))
        assert field.bus.sent == 0
        await asyncio.sleep(0.1)
        field.bus.show(Face(39))
        assert field.bus.sent == 1


@virtual_with(two_boards)
async def test_a_face_that_waited_while_the_loop_was_held_up_is_not_shown(field: Field) -> None:
    await _ask(field)
    field.bus.show(Face(26))
    field.clock.jump(900 * MS)
    await asyncio.sleep(0.04)
    assert 26 not in field.numerals
    field.bus.show(Face(25))
    await asyncio.sleep(0.01)
    assert field.faces == [25, 25]


@virtual_with(two_boards)
async def test_half_a_frame_from_before_the_loop_was_held_up_is_not_finished(field: Field) -> None:
    field.host.capacity = 7
    field.bus.show(Face(40))
    field.clock.jump(900 * MS)
    field.host.capacity = 4096
    await asyncio.sleep(0.01)
    assert field.numerals == []
    field.bus.show(Face(39))
    await asyncio.sleep(0.01)
    assert field.faces == [39, 39]
    assert [node.frame_errors for node in field.nodes] == [1, 1]


@pytest.mark.parametrize("taken", range(1, 16))
@virtual
async def test_the_first_frame_never_makes_one_of_the_service_before_whole(
    clock: VirtualClock, taken: int
) -> None:
    """It died within a write: of its frame so many of 16 bytes are out."""
    field = Field(clock)
    field.tape.open()
    seen: list[int | None] = []
    old = messages.encode_show(Show(OURS, 7, 8, 15, 0, 0b11))
    field.host.open(field.bus)
    field.host.write(old[:taken])
    await asyncio.sleep(2)
    field.host.close()
    task = await field.started()
    field.bus.show(DARK)
    for _ in range(100):
        await asyncio.sleep(0.0005)
        seen += field.faces
    assert set(seen) == {None}
    assert field.numerals == [messages.DARK]
    task.cancel()
    await asyncio.wait([task])


@virtual_with(two_boards)
async def test_an_adapter_that_echoes_is_no_stranger_and_another_controller_is(
    field: Field,
) -> None:
    for number in range(40):
        field.bus.show(Face(number))
        await asyncio.sleep(0.1)
        show = field.tape.shows[-1][1]
        field.bus.bytes_received(messages.encode_show(show), field.clock())
    assert (field.bus.strangers, field.bus.stray_frames) == (0, 0)
    field.bus.bytes_received(framing.encode(b"\x29\x01"), field.clock())
    assert (field.bus.strangers, field.bus.stray_frames, field.bus.bad_frames) == (0, 1, 0)
    twin = show._replace(stamp=(show.stamp + 7) & 0xFFFF)
    field.bus.bytes_received(messages.encode_show(twin), field.clock())
    other = show._replace(controller_id=OURS + 1)
    field.bus.bytes_received(messages.encode_show(other), field.clock())
    await field.refresh(Face(40), 2 * S)
    assert {r.answered for r in field.reports} == {Answered.RIGHT}
    assert [field.reports[0].strangers, field.reports[-1].strangers] == [0, 2]


@virtual_with(two_boards)
async def test_a_frame_of_another_version_is_another_controllers_and_named(field: Field) -> None:
    await field.refresh(Face(40), S)
    assert (field.reports[-1].strangers, field.reports[-1].other_version) == (0, "")
    for _ in range(2):
        field.bus.bytes_received(framing.encode(b"\x31\x1a\x2b"), field.clock())
    assert (field.bus.strangers, field.bus.stray_frames, field.bus.bad_frames) == (2, 0, 0)
    await field.refresh(Face(40), S)
    report = field.reports[-1]
    assert (report.answered, report.strangers) == (Answered.RIGHT, 2)
    assert report.other_version == ("a frame of protocol version 3; this program speaks version 2")


@virtual_with(two_boards)
async def test_a_frame_taken_in_parts_is_finished_first_and_then_the_newest(field: Field) -> None:
    field.host.capacity = 7
    field.bus.show(Face(40))
    field.bus.show(Face(39))
    field.bus.show(Face(38))
    await asyncio.sleep(0.05)
    assert field.numerals == [40, 38]
    assert all(node.frame_errors == 0 for node in field.nodes)


@virtual_with(one_board)
async def test_a_question_taken_in_parts_still_gets_its_answer(field: Field) -> None:
    field.host.capacity = 8
    await field.refresh(Face(40), 3 * S)
    assert len(field.reports) >= 2
    assert {r.answered for r in field.reports} == {Answered.RIGHT}


@virtual_with(one_board)
async def test_a_question_taken_in_parts_has_its_window_too(field: Field) -> None:
    field.nodes[0].mute = True
    field.host.capacity = 8
    await field.refresh(Face(40), S)
    assert field.numerals.count(40) == 11
    assert {r.answered for r in field.reports} == {Answered.SILENT}
    assert len(field.reports) == QUICK_RETRIES + 1


@virtual
async def test_a_lost_port_ends_run_and_a_second_run_serves_again(clock: VirtualClock) -> None:
    field = Field(clock)
    task = await field.started()
    field.bus.show(Face(40))
    field.host.unplug()
    with pytest.raises(PortError, match="unplugged"):
        await task
    field.bus.show(Face(39))
    with pytest.raises(PortError, match="cannot open"):
        await field.bus.run(field)
    field.host.replug()
    async with field.driven():
        await asyncio.sleep(0.1)
        assert field.numerals == []
        field.bus.show(Face(38))
        await asyncio.sleep(0.1)
        assert field.numerals == [38]


@virtual
async def test_cancelled_it_darkens_the_boards_twice_even_in_a_reply_window(
    clock: VirtualClock,
) -> None:
    field = Field(clock)
    async with field.driven():
        await _ask(field)
        field.bus.show(Face(25))
    await asyncio.sleep(0.1)
    assert field.numerals[-4:] == [messages.DARK] * 4
    assert 25 not in field.numerals
    assert field.faces == [None, None]


@virtual
async def test_cancelled_twice_it_is_dark_all_the_same(clock: VirtualClock) -> None:
    field = Field(clock)
    task = await field.started()
    field.bus.show(Face(25))
    await asyncio.sleep(0.1)
    task.cancel()
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait([task])
    await asyncio.sleep(0.1)
    assert task.cancelled()
    assert field.numerals == [25] + [messages.DARK] * 4


@virtual
async def test_cancelled_while_stalled_it_leaves_nothing_behind_that_could_light_up(
    clock: VirtualClock,
) -> None:
    field = Field(clock)
    async with field.driven():
        field.host.stall()
        field.bus.show(Face(25))
    field.host.resume()
    await asyncio.sleep(0.1)
    assert field.numerals == []


@virtual_with(two_boards)
async def test_no_more_show_and_the_boards_darken_themselves(field: Field) -> None:
    await field.refresh(Face(25), 500 * MS)
    await asyncio.sleep(1.3)
    assert field.faces == [25, 25]
    await asyncio.sleep(0.2)
    assert field.faces == [None, None]
    await field.refresh(Face(25), 2 * S)
    assert any("went dark by silence" in r.notes for r in field.reports)


@virtual_with(two_boards)
async def test_what_the_listener_makes_of_an_answer_waits_for_no_other_answer(
    field: Field,
) -> None:
    """Boards that may be lit again are lit then, not when a late loop has read one answer more."""

    def light_on_right(report: BoardReport) -> None:
        field.reports.append(report)
        if report.answered is Answered.RIGHT:
            field.bus.show(Face(40))

    for node in field.nodes:
        node.mute = True
    for _ in range(2):
        await _ask(field)
        await asyncio.sleep(0.1)
    field.nodes[0].mute = False
    field.on_report = light_on_right
    while field.reports[-1].answered is not Answered.RIGHT:
        field.bus.show(DARK)
        await asyncio.sleep(0.005)
    assert [report.answered for report in field.reports].count(Answered.RIGHT) == 1
    answered_at = field.clock()
    await field.until(answered_at + 2 * SHOW_NS)
    assert field.numerals[-2:] == [messages.DARK, 40], "the one that waited, and what it came to"


@virtual_with(two_boards)
async def test_the_listener_may_show_another_face_from_inside_a_report(field: Field) -> None:
    field.nodes[0].deaf = True

    def darken_on_silence(report: BoardReport) -> None:
        field.reports.append(report)
        if report.answered is Answered.SILENT:
            field.bus.show(DARK)

    field.on_report = darken_on_silence
    await _ask(field)
    await asyncio.sleep(0.1)
    assert field.numerals[-1] == messages.DARK


def test_a_late_loop_is_not_taken_for_a_silent_board() -> None:
    chance = random.Random(1)

    async def main(clock: VirtualClock) -> list[Answered]:
        field = Field(clock)
        async with field.driven():
            for numerals in range(40, 0, -1):
                await field.refresh(Face(numerals), S)
        return [report.answered for report in field.reports]

    answers = run(main, lateness=lambda: chance.choice((0, chance.randrange(100, 900))) * MS)
    assert len(answers) > 20
    assert set(answers) == {Answered.RIGHT}


@pytest.mark.parametrize(
    ("nodes", "controller", "words"),
    [
        ({}, 1, "needs at least one node"),
        ({9: "south"}, 1, "node 9: must be 1-8"),
        ({1: "south"}, 65536, "controller id 65536"),
    ],
)
def test_a_bus_that_cannot_be_is_refused(
    nodes: dict[int, str], controller: int, words: str
) -> None:
    port, _ = memory_pair(lambda: 0)
    with pytest.raises(ValueError, match=f"boards: {words}"):
        NodeBus("boards", port, nodes, controller, lambda: 0)


def test_a_bus_names_itself_and_its_boards() -> None:
    port, _ = memory_pair(lambda: 0)
    bus = NodeBus("boards", port, {2: "south", 1: "north"}, 1, lambda: 0)
    assert (bus.name, bus.boards, bus.sent) == ("boards", ("north", "south"), 0)
    bus.show(Face(40))


async def test_on_a_tty_both_boards_are_lit_asked_and_darkened(tmp_path: Path) -> None:
    """Real bytes in real time, 0.1 s: the codecs, both ports and the two-way traffic."""
    clock = time.monotonic_ns
    master, slave = os.openpty()
    link = tmp_path / "boards"
    link.symlink_to(os.ttyname(slave))
    nodes = [SimulatedNode(1, clock), SimulatedNode(2, clock)]
    dark = asyncio.Event()

    class Watched(SimulatedPair):
        def bytes_received(self, data: bytes, at: int) -> None:
            super().bytes_received(data, at)
            if all(node.shown(at) == DARK for node in nodes):
                dark.set()

    pair = Watched(FdPort("boards' end", master, clock=clock), nodes, clock)
    pair.open()
    bus = NodeBus("boards", SerialPort(str(link), clock=clock), {1: "n", 2: "s"}, OURS, clock)
    answered: asyncio.Future[BoardReport] = asyncio.get_running_loop().create_future()

    class Listener:
        def board_answered(self, report: BoardReport) -> None:
            if not answered.done():
                answered.set_result(report)

    task = asyncio.create_task(bus.run(Listener()))
    await asyncio.sleep(0)
    bus._spoil = b""
    bus._schedule._asked_at[2] -= 2 * S  # overdue, so that the first SHOW asks
    bus.show(Face(25))
    async with asyncio.timeout(2):
        report = await answered
    assert (report.board, report.answered, report.seen) == ("s", Answered.RIGHT, "25")
    assert [node.shown(clock()).numerals for node in nodes] == [25, 25]
    dark.clear()
    task.cancel()
    await asyncio.wait([task])
    async with asyncio.timeout(2):
        await dark.wait()
    assert all(node.frame_errors == 0 for node in nodes)
    pair.close()
    os.close(slave)


@pytest.mark.parametrize("seed", range(12))
@virtual
async def test_whatever_the_line_does_nothing_old_follows_and_the_newest_gets_through(
    clock: VirtualClock, seed: int
) -> None:
    chance = random.Random(seed)
    field = Field(clock)
    order: list[int] = []
    async with field.driven():
        for _ in range(60):
            field.host.capacity = chance.choice((4096, 4096, 17, 7))
            if chance.random() < 0.2:
                field.host.stall()
            for _ in range(chance.randrange(1, 5)):
                order.append(chance.randrange(100))
                field.bus.show(Face(order[-1]))
                await asyncio.sleep(chance.randrange(60) / 1000)
            field.host.resume()
            seen = len(field.tape.shows)
            await asyncio.sleep(0.06)
            assert field.faces == [order[-1]] * 2
            assert len(field.tape.shows) - seen <= 3
    ordered = iter(order)
    lit = [n for n in field.numerals if n != messages.DARK]
    assert all(numerals in ordered for numerals in lit), "not a subsequence of what was ordered"
    stamps = [show.stamp for _, show in field.tape.shows]
    assert all(0 < (b - a) & 0xFFFF < 0x8000 for a, b in itertools.pairwise(stamps))
    assert all(node.frame_errors == 0 for node in field.nodes)
