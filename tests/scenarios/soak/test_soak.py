"""Long runs leave nothing behind and end as they began; short ones show that the checks bite."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pytest

from controller.journal.row import Row
from controller.service.display import Display
from drivers.base import Key
from tests.benchmarks.figures import broken
from tests.benchmarks.lateness import Due
from tests.benchmarks.rig import S
from tests.scenarios.soak import flood, minutes
from tests.scenarios.soak.day import day, findings
from tests.scenarios.soak.minutes import dues, silences, soak
from tests.scenarios.soak.plays import plays


def press(at: int, event: str, after: str, ruling_s: int | None = None) -> Row:
    return Row(
        kind="press",
        game=1,
        play=1,
        event_number=at,
        received_at=at * S,
        edge_at=at * S,
        event=event,
        phase_after=after,
        ruling_seconds=ruling_s,
    )


def fault(at: int, event: str, kind: str = "fault", detail: str = "") -> Row:
    return Row(
        kind=kind, game=1, play=1, event_number=at, received_at=at * S, event=event, detail=detail
    )


def test_plays_are_the_same_for_a_seed_and_every_one_ends_with_the_snap() -> None:
    first, again = (plays(random.Random(1), 2.0) for _ in range(2))
    pressed = [next(first) for _ in range(2000)]
    assert pressed == [next(again) for _ in range(2000)]
    for (_, key), (pause_s, following) in pairwise(pressed):
        assert 2 <= pause_s <= 84
        assert (key is Key.SNAP) <= (following is Key.DEAD_BALL)
    length_s = sum(pause_s for pause_s, _ in pressed)
    assert 30 < length_s / [key for _, key in pressed].count(Key.SNAP) < 45


def test_numerals_are_due_until_half_a_second_before_the_next_press() -> None:
    rows = [press(100, "play ended", "RUNNING", 40), press(103, "snap", "LIVE")]
    assert dues(rows) == [Due(39, 101 * S), Due(38, 102 * S)]
    assert dues([*rows, press(104, "undo", "RUNNING", 40), press(110, "snap", "LIVE")]) == dues(
        rows
    )


def test_nothing_is_due_while_a_fault_keeps_the_boards_dark() -> None:
    rows = [press(100, "play ended", "RUNNING", 40), press(110, "snap", "LIVE")]
    dark = [fault(102, "boards"), fault(104, "boards", "healed")]
    assert [due.numerals for due in dues([*rows, *dark])] == [39, 35, 34, 33, 32, 31]
    assert [due.numerals for due in dues([*rows, dark[0]])] == [39]


def test_a_silence_is_explained_by_a_late_answer_only() -> None:
    silent = "north: silent"
    late = [fault(n, silent, detail=f"answers that came too late: {n}") for n in range(1, 4)]
    assert silences([fault(0, silent), *late]) == (4, 0)
    assert silences([fault(n, silent) for n in range(4)]) == (4, 3)


@pytest.mark.full
def test_an_hour_of_plays_leaves_nothing_behind(tmp_path: Path) -> None:
    found = day(tmp_path, 1.0)
    assert broken(findings(found)) == []
    assert found.plays > 70 and found.faults.total() >= 3


@pytest.mark.full
def test_what_is_kept_of_every_refresh_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[list[int]] = []
    put_up = Display.put_up

    def leaking(display: Display, numerals: int | None, now: int) -> None:
        kept.append([now])
        put_up(display, numerals, now)

    monkeypatch.setattr(Display, "put_up", leaking)
    lines = broken(findings(day(tmp_path, 0.5)))
    assert any("objects grown" in line for line in lines), lines


@pytest.mark.waits
@pytest.mark.full
def test_half_a_minute_on_ptys_ends_as_it_began(tmp_path: Path) -> None:
    found = soak(tmp_path, 0.5)
    assert broken(minutes.findings(found)) == []
    assert found.presses > 2


@pytest.mark.waits
@pytest.mark.full
def test_a_flood_is_counted_to_its_last_frame_and_costs_no_press(tmp_path: Path) -> None:
    found = flood.flood(tmp_path, 0.07, settle_s=6)
    assert broken(flood.findings(found)) == []
    assert found.frames > 5_000 and found.presses > 0


@pytest.mark.long
def test_ten_minutes_of_flood_leave_a_row_a_minute_and_memory_at_rest(tmp_path: Path) -> None:
    found = flood.flood(tmp_path, 10.0)
    assert broken(flood.findings(found)) == []
    assert found.frames > 1_000_000


@pytest.mark.long
def test_a_day_of_plays_leaves_nothing_behind(tmp_path: Path) -> None:
    found = day(tmp_path, 24.0)
    assert broken(findings(found)) == []
    assert found.plays > 2000 and found.faults.total() > 80
    assert found.feeds > 24 * 7000


@pytest.mark.long
def test_twenty_minutes_on_ptys_end_as_they_began(tmp_path: Path) -> None:
    found = soak(tmp_path, 20.0)
    assert broken(minutes.findings(found)) == []
    assert found.presses > 150
