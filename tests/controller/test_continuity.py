"""Going on after a crash, a stop, a power cut: what a new service begins with, and why."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.continuity import (
    CRASH_WINDOW_NS,
    GAME_OVER_NS,
    OUTAGE_NS,
    Beginning,
    BusyError,
    Continuity,
    judge,
)
from controller.journal_file import Dated
from controller.recorder import Numbers
from controller.rules.events import Event, HoldNumber, NoCount, Number, Order, PlayEnded, Undo
from controller.rules.phases import Idle, Off, Running
from controller.rules.play_clock import PlayClock, State
from controller.snapshot_text import Moment, Snapshot, Standing, row_text
from drivers.base import Acknowledgement, Result
from tests.controller.fakes import EMPTY, RULES, FakeJournal, S
from tests.controller.journal_rows import row

AT = 1_000 * S
STANDING = Standing("/state", "boot-a", "0.1.0", "rules-1", (AT,))


def state_after(*events: Event, at: int = AT) -> State:
    play_clock = PlayClock(RULES)
    for event in events:
        play_clock.handle(Order(event, at, 1), at)
    return play_clock.state


RUNS = state_after(PlayEnded("incomplete_pass"))
STANDS = state_after(HoldNumber(Number.ADMINISTRATIVE))


def kept(state: State, standing: Standing = STANDING, **changes: Any) -> Snapshot:
    usual: dict[str, Any] = {
        "saved_at": AT,
        "game": 3,
        "event_number": 20,
        "numbered": True,
        "state": state,
        "counters": {1: 9},
    }
    return Snapshot(standing, Moment(**(usual | changes)), ())


def begun(snapshot: Snapshot | None, later_ns: int, *, cut: bool = True, **now: Any) -> Beginning:
    standing = STANDING._replace(starts=(AT, AT + later_ns))._replace(**now)
    return judge(snapshot, standing, AT + later_ns, cut=cut)


def test_the_first_start_of_all_is_a_plain_one() -> None:
    assert begun(None, 0, cut=False) == Beginning()


def test_after_a_power_cut_the_boards_are_off_and_the_status_says_why() -> None:
    beginning = begun(None, 0)
    assert beginning.state == State(off=Off.FAULT)
    assert "power failed" in beginning.off_why
    assert beginning.numbers is None, "the next game, as the journal counts"


@pytest.mark.parametrize("in_order", [True, False])
@pytest.mark.parametrize("later_ns", [S // 2, OUTAGE_NS - 1])
def test_within_half_a_minute_it_goes_on_exactly(in_order: bool, later_ns: int) -> None:
    told = Acknowledgement(1, 9, Result.RUNNING)
    beginning = begun(kept(RUNS, in_order=in_order, acknowledged=told), later_ns)
    assert beginning.state == RUNS
    assert (beginning.counters, beginning.acknowledged) == ({1: 9}, told)
    assert beginning.numbers == Numbers(3, 20, settled=True)
    assert beginning.off_why == ""
    assert f"away for {later_ns / S:.1f} s" in beginning.story
    assert ("died" in beginning.story) is not in_order


def test_a_longer_outage_leaves_the_count_and_darkens_the_boards() -> None:
    beginning = begun(kept(STANDS), OUTAGE_NS)
    assert beginning.state == STANDS._replace(off=Off.FAULT)
    assert beginning.off_why == "the service was away for 30 s"


def test_with_no_count_there_is_nothing_to_darken() -> None:
    blank = state_after(PlayEnded("incomplete_pass"), NoCount())
    assert isinstance(blank.down.phase, Idle)
    assert begun(kept(blank), OUTAGE_NS * 2).state == blank


@pytest.mark.parametrize(("in_order", "off"), [(True, None), (False, Off.FAULT)])
def test_after_half_an_hour_it_is_another_game(in_order: bool, off: Off | None) -> None:
    beginning = begun(kept(STANDS, in_order=in_order), GAME_OVER_NS + 1)
    assert beginning.state == State(off=off)
    assert beginning.numbers == Numbers(4, 20, settled=True), "event numbers never go back"
    assert beginning.counters == {1: 9}


def test_boards_off_by_order_stay_so() -> None:
    off = STANDS._replace(off=Off.ORDERED)
    beginning = begun(kept(off), OUTAGE_NS * 2)
    assert beginning.state == off
    assert beginning.off_why == ""


def test_the_fault_that_put_the_boards_off_is_still_named() -> None:
    beginning = begun(kept(STANDS._replace(off=Off.FAULT), off_why="north does not answer"), S)
    assert beginning.off_why == "north does not answer"


def test_boards_dark_by_a_fault_when_it_died_stay_off() -> None:
    beginning = begun(kept(RUNS, dark_why="north shows a wrong numeral"), S)
    assert beginning.state == RUNS._replace(off=Off.FAULT)
    assert beginning.off_why == "north shows a wrong numeral"


def test_another_rule_set_gives_no_old_state_back() -> None:
    beginning = begun(kept(RUNS), S, rules_hash="rules-2")
    assert beginning.state == State(off=Off.FAULT)
    assert "rule set" in beginning.off_why
    assert beginning.numbers == Numbers(3, 20, settled=True)


@pytest.mark.parametrize(("starts", "dark"), [(2, False), (3, True)])
def test_a_crash_loop_comes_up_dark(starts: int, dark: bool) -> None:
    every_ns = CRASH_WINDOW_NS // 4
    instants = tuple(AT + n * every_ns for n in range(starts + 1))
    beginning = judge(kept(RUNS), STANDING._replace(starts=instants), instants[-1], cut=True)
    assert (beginning.state.off is Off.FAULT) is dark
    assert beginning.state.down == RUNS.down, "the count in the hand goes on"
    assert ("died 3 times" in beginning.off_why) is dark


# With real folders


@pytest.fixture
def start(tmp_path: Path) -> Callable[..., Continuity]:
    def begin(now: int = AT, **changes: Any) -> Continuity:
        about = {"boot_id": "boot-a", "software": "0.1.0", "rules_hash": "rules-1"} | changes
        made = Continuity(tmp_path / "run", tmp_path / "state", now=now, **about)
        made.begin(now)
        return made

    return begin


Start = Callable[..., Continuity]


def moment(state: State, saved_at: int = AT, **changes: Any) -> Moment:
    return kept(state, saved_at=saved_at, **changes).moment


def test_what_was_saved_last_is_gone_on_with(start: Start) -> None:
    first = start()
    assert first.save(moment(STANDS))
    assert first.save(moment(RUNS, rows=[row_text(Dated(row(20), 7))]))
    first.release()
    second = start(AT + S)
    assert second.beginning.state == RUNS
    assert second.beginning.rows == (Dated(row(20), 7),)
    second.release()


def test_a_crash_right_after_a_start_still_goes_on_and_counts(start: Start) -> None:
    first = start()
    first.save(moment(RUNS))
    first.release()
    for n in (1, 2):
        start(AT + n * S).release()
    last = start(AT + 3 * S)
    assert last.beginning.state == RUNS._replace(off=Off.FAULT)
    assert "died 3 times" in last.beginning.off_why
    last.release()


def test_stops_in_order_are_no_crashes(start: Start) -> None:
    for n in range(6):
        made = start(AT + n * S)
        assert made.beginning.state.off is None
        made.save(moment(RUNS, AT + n * S, in_order=True))
        made.close(in_order=True)


def test_power_cut_and_orderly_end_are_told_apart(start: Start, tmp_path: Path) -> None:
    made = start()
    made.save(moment(RUNS))
    made.release()
    (tmp_path / "run" / "snapshot").unlink()  # tmpfs after a power cut
    made = start(boot_id="boot-b")
    assert made.beginning.state == State(off=Off.FAULT)
    made.close(in_order=True)
    (tmp_path / "run" / "snapshot").unlink()
    made = start(boot_id="boot-c")
    assert made.beginning == Beginning()
    made.release()


def test_a_snapshot_of_another_boot_is_a_power_cut_whatever_holds_it(start: Start) -> None:
    made = start()
    made.save(moment(RUNS))
    made.release()
    made = start(boot_id="boot-b")
    assert made.beginning.state == State(off=Off.FAULT)
    assert "power" in made.beginning.off_why
    made.release()


def test_a_snapshot_of_another_installation_is_none_of_ours(start: Start, tmp_path: Path) -> None:
    made = start()
    made.save(moment(RUNS))
    made.release()
    other = Continuity(
        tmp_path / "run",
        tmp_path / "another",
        boot_id="boot-a",
        software="0.1.0",
        rules_hash="rules-1",
        now=AT + S,
    )
    assert other.beginning == Beginning()
    other.release()


def test_a_snapshot_that_nobody_can_read_leaves_the_boards_off(
    start: Start, tmp_path: Path
) -> None:
    made = start()
    made.save(moment(RUNS))
    made._file.save(b"{}")
    made._file.save(b"[1]")
    made.release()
    made = start(AT + S)
    assert made.beginning.state == State(off=Off.FAULT)
    assert "cannot be read" in made.beginning.off_why
    made.release()


def test_two_services_never_share_a_folder(start: Start) -> None:
    first = start()
    with pytest.raises(BusyError, match=r"run: another play clock service"):
        start()
    first.release()
    start().release()


def test_a_full_tmpfs_is_said_and_heals(start: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    made = start()

    def full(text: bytes) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(made._file, "save", full)
        assert not made.save(moment(RUNS))
        assert made.fault == "No space left on device"
    assert made.save(moment(RUNS))
    assert made.fault == ""
    made.release()


# The recorder that goes on


def journal() -> FakeJournal:
    return FakeJournal(lambda: AT, EMPTY, None)


def test_rows_not_on_disk_come_again_with_their_numbers_then_the_story() -> None:
    book = journal()
    beginning = judge(
        kept(RUNS)._replace(rows=(Dated(row(19), 1), Dated(row(20), 2))), STANDING, AT + S, cut=True
    )
    recorder = beginning.recorder(book, AT + S)
    recorder.hand_over()
    assert [each.event_number for each in book.rows] == [19, 20, 21]
    assert book.rows[-1].event == "service started"
    assert {each.game for each in book.rows[2:]} == {3}


def test_a_zero_reached_while_nobody_counted_is_recorded() -> None:
    book = journal()
    phase = RUNS.down.phase
    assert isinstance(phase, Running)
    beginning = judge(kept(RUNS, saved_at=AT + 39 * S), STANDING, AT + 41 * S, cut=True)
    recorder = beginning.recorder(book, AT + 41 * S)
    recorder.hand_over()
    zero = book.rows[0]
    assert (zero.kind, zero.phase_after) == ("deadline", "EXPIRED")
    assert zero.detail == "1000.0 ms after it was due"


def test_numbers_that_were_provisional_stay_so() -> None:
    book = journal()
    early = kept(RUNS, numbered=False, game=1, event_number=2)._replace(
        rows=(Dated(row(1), 1), Dated(row(2), 2))
    )
    recorder = judge(early, STANDING, AT + S, cut=True).recorder(book, AT + S)
    recorder.hand_over()
    assert book.rows == []
    assert recorder.settle(AT + S)
    recorder.hand_over()
    assert [(each.game, each.event_number) for each in book.rows] == [(1, 1), (1, 2), (1, 3)]


def test_undo_reaches_across() -> None:
    state = state_after(HoldNumber(Number.ADMINISTRATIVE), PlayEnded("incomplete_pass"))
    beginning = judge(kept(state), STANDING, AT + S, cut=True)
    play_clock = PlayClock(RULES, None, beginning.state, AT + S)
    play_clock.handle(Order(Undo(), AT + 2 * S, 1), AT + 2 * S)
    assert play_clock.state.down.phase == STANDS.down.phase
