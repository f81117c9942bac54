"""Clocks that step, stop and run late: the count stays right.

The service counts by CLOCK_BOOTTIME, its event loop waits by CLOCK_MONOTONIC, and only the journal
looks at the wall clock.
"""

from __future__ import annotations

import asyncio
import os
import random
import select
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from controller.journal.reader import JournalReader
from tests.scenarios.faults.judge import DARK, Judge
from tests.scenarios.faults.test_ports import counting_40
from tests.shared.board_node import Node
from tests.shared.frames import DARK_NUMERALS, MS_NS, S_NS, SHOW, Unframer, read_show
from tests.shared.program import LATEST_NS, boottime, running
from tests.shared.rig import Rig, play, rigged
from tests.shared.truth import Truth

REFRESH_NS = 100 * MS_NS
HOUR_NS = 3_600 * S_NS
FAKETIME = Path(f"/usr/lib/{os.uname().machine}-linux-gnu/faketime/libfaketime.so.1")


def frames_are_right(rig: Rig, truth: Truth, since_at: int, old_ns: int) -> int:
    """Every numeral was right when it was written, or at most ``old_ns`` earlier; their number."""
    judge = Judge.of(truth, rig.clock())
    unframer, count = Unframer(), 0
    for at, data in rig.written("boards"):
        for body in unframer.feed(data):
            numerals = read_show(body).numerals
            if at >= since_at and body[0] == SHOW and numerals != DARK_NUMERALS:
                count += 1
                assert f"{numerals:2d}" in judge.texts(at - old_ns, at), (numerals, at)
    return count


def lit_at(node: Node, since_at: int) -> int:
    """When a board was first lit after ``since_at``."""
    return next(at for at, _, face in node.spells() if at > since_at and face != DARK)


# Suspend


@pytest.mark.parametrize("asleep_s", [0.05, 0.9, 1.4, 5.0, 19.97])
@pytest.mark.parametrize("awake_s", [0.001, 0.37, 0.999])
@rigged
async def test_after_a_suspend_the_count_is_right_within_a_refresh(
    rig: Rig, asleep_s: float, awake_s: float
) -> None:
    truth = await counting_40(rig)
    await asyncio.sleep(awake_s)
    begun_at = rig.clock()
    rig.suspend(round(asleep_s * S_NS))
    woken_at = rig.clock()
    await asyncio.sleep(0.11)
    right = truth.reads(rig.clock())
    assert rig.read == [right, right]
    if asleep_s >= 1.5:
        late_ns = [lit_at(node, woken_at) - woken_at for node in rig.nodes]
        assert max(late_ns) <= REFRESH_NS + 5 * MS_NS, late_ns
    await asyncio.sleep(4)
    assert frames_are_right(rig, truth, begun_at, 0) > 30
    assert rig.status.boards == "lit" and rig.status.alarms == ()
    assert rig.read[0] == rig.read[1] == truth.reads(rig.clock())


@rigged
async def test_after_an_hour_s_sleep_nobody_is_there_and_the_boards_are_off(rig: Rig) -> None:
    await counting_40(rig)
    rig.suspend(HOUR_NS)
    await asyncio.sleep(0.11)
    assert rig.status.phase == "EXPIRED"
    assert rig.read == [DARK, DARK]
    assert "no handset heard" in rig.status.boards_why


@rigged
async def test_a_press_after_a_suspend_is_taken_once_a_state_was_heard(rig: Rig) -> None:
    await counting_40(rig)
    rig.suspend(10 * S_NS)
    assert (await rig.keeper.press("SNAP")).result == "not heard", "its STATE was of before"
    await asyncio.sleep(1.1)
    assert (await rig.keeper.press("SNAP")).result == "held"
    assert rig.read == ["40", "40"]


# A slow event loop


@pytest.mark.parametrize("seed", range(3))
def test_an_event_loop_that_runs_late_shows_no_numeral_that_is_not_right(
    tmp_path: Path, seed: int
) -> None:
    """Every wait up to 0.9 s late, and once 2 s."""
    chance = random.Random(seed)
    lates = [2 * S_NS] + [chance.randrange(900 * MS_NS) for _ in range(150)]
    chance.shuffle(lates)

    def lateness() -> int:
        return lates.pop() if lates and chance.random() < 0.3 else 0

    async def script(rig: Rig) -> None:
        begun_at = rig.clock()
        truth = Truth(at=begun_at)
        while lates:
            acted: list[int] = []
            watch = _note_change(rig, acted)
            await rig.keeper.press("DEAD_BALL")
            await asyncio.sleep(7)
            rig.service.observers.remove(watch)
            if acted:
                assert rig.status.expires_at is not None
                edge_at = rig.status.expires_at - 40 * S_NS
                assert abs(edge_at - acted[0]) <= S_NS
                truth.press("DEAD_BALL", edge_at, now=acted[0])
        assert frames_are_right(rig, truth, begun_at, 150 * MS_NS) > 50

    play(tmp_path, script, lateness=lateness)


def _note_change(rig: Rig, acted: list[int]) -> Callable[[], None]:
    before = rig.status.orders

    def look() -> None:
        changed = rig.status.result in ("running", "held", "assumed")
        if rig.status.orders != before and not acted and changed:
            acted.append(rig.clock())

    rig.service.observers.append(look)
    return look


# The wall clock


def test_a_wall_clock_that_steps_by_hours_moves_nothing_but_the_journal_s_times(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wall = [time.time_ns()]
    kept: list[bool | None] = [False]

    async def script(rig: Rig) -> None:
        monkeypatch.setattr(rig.service._recorder, "_wall_clock", lambda: wall[0])
        monkeypatch.setattr(rig.journal, "_synchronised", lambda: kept[0])
        truth = await counting_40(rig)
        begun_at = rig.clock()
        for key, step_ns, keeps in (
            ("SNAP", 3 * HOUR_NS, True),
            ("DEAD_BALL", -8 * HOUR_NS, False),
            ("SNAP", HOUR_NS, None),
        ):
            await _written(rig)
            wall[0] += step_ns
            kept[0] = keeps
            pressed = await rig.keeper.press(key)
            truth.press(key, pressed.at)
            await asyncio.sleep(3.4)
        await _written(rig)
        assert frames_are_right(rig, truth, begun_at, 0) > 100

    start_ns = wall[0]
    rig = play(tmp_path, script)
    with JournalReader(rig.site.journal) as reader:
        assert reader.verify().problem == ""
        entries = [each for each in reader.entries() if each.row.result]
    hours = [round((_wall_ns(each.wall_time) - start_ns) / HOUR_NS) for each in entries]
    assert hours == [0, 3, -5, -4]
    assert [each.wall_synchronised for each in entries] == [False, True, False, None]
    numbers = [each.row.event_number for each in entries]
    assert numbers == sorted(numbers, key=lambda number: number or 0)


def _wall_ns(wall_time: datetime) -> int:
    return round(wall_time.timestamp()) * S_NS


async def _written(rig: Rig) -> None:
    """Wait, in real time, until the journal's thread has written all."""
    patience_at = time.monotonic() + 5
    while rig.journal.waiting and time.monotonic() < patience_at:
        select.select([], [], [], 0.001)
    assert not rig.journal.waiting


@pytest.mark.waits
@pytest.mark.full
@pytest.mark.needs_libfaketime
async def test_the_program_counts_on_while_the_wall_clock_steps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    offset = tmp_path / "offset"
    offset.write_text("+0\n")
    monkeypatch.setenv("FAKETIME_TIMESTAMP_FILE", str(offset))
    monkeypatch.setenv("FAKETIME_NO_CACHE", "1")
    monkeypatch.setenv("FAKETIME_DONT_FAKE_MONOTONIC", "1")
    # Its remedy for hanging waits makes those of Python's interpreter lock end late instead.
    monkeypatch.setenv("FAKETIME_FORCE_MONOTONIC_FIX", "0")
    monkeypatch.setenv("LD_PRELOAD", str(FAKETIME))
    async with running(tmp_path) as program:
        monkeypatch.delenv("LD_PRELOAD")
        keeper = program.ends.keeper
        assert (await keeper.press("NUMBER_25")).result == "held"
        started = await keeper.press("READY")
        for left, step in ((23, "+3h\n"), (20, "-5h\n"), (17, "+0\n")):
            due_at = started.at + (25 - left) * S_NS
            await program.until(lambda due_at=due_at: boottime() > due_at + LATEST_NS, 5)  # type: ignore[misc]
            offset.write_text(step)
            await asyncio.sleep(0.3)
            assert (await keeper.press("READY")).result == "no change"
        await program.until(lambda: boottime() > started.at + 11 * S_NS + LATEST_NS, 5)
        for node in program.ends.nodes:
            for left in range(24, 13, -1):
                due_at = started.at + (25 - left) * S_NS
                assert node.read_at(due_at - MS_NS) == f"{left + 1:2d}"
                assert node.read_at(due_at + LATEST_NS) == f"{left:2d}"
    with JournalReader(tmp_path / "state" / "journal.sqlite3") as reader:
        assert reader.verify().problem == ""
        entries = [each for each in reader.entries() if each.row.handset]
    first_ns = _wall_ns(entries[0].wall_time)
    hours = [round((_wall_ns(each.wall_time) - first_ns) / HOUR_NS) for each in entries]
    assert hours == [0, 0, 3, -5, 0]
