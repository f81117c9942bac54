"""Going on after a crash, a stop, a power cut: what a new service begins with, and why."""

from __future__ import annotations

import errno
import fcntl
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.journal.recorder import Numbers, Recent
from controller.journal.row import Dated, row_text
from controller.recovery import marker
from controller.recovery.marker import MARKER, BusyError, FolderError
from controller.recovery.recovery import (
    CRASH_WINDOW_NS,
    GAME_OVER_NS,
    LOCK,
    OUTAGE_NS,
    SNAPSHOT,
    Recovery,
    RestartPlan,
    plan_restart,
)
from controller.recovery.snapshot_codec import Checkpoint, Identity, PendingOrder, Snapshot
from controller.rules.events import (
    Event,
    HoldNumber,
    Number,
    Order,
    PlayEnded,
    Ready,
    Snap,
    ToggleBoards,
)
from controller.rules.phases import Off
from controller.rules.play_clock import PlayClock, State
from tests.controller.fakes import RULES, S, clock_after
from tests.controller.journal_rows import row

AT = 1_000 * S
IDENTITY = Identity("/state", "boot-a", "0.1.0", "rules-1")
RUNS = clock_after(PlayEnded("incomplete_pass"), at=AT).state
STANDS = clock_after(HoldNumber(Number.ADMINISTRATIVE), at=AT).state


def kept(state: State, **changes: Any) -> Snapshot:
    usual: dict[str, Any] = {
        "saved_at": AT,
        "game": 3,
        "event_number": 20,
        "numbered": True,
        "state": state,
    }
    return Snapshot(IDENTITY, Checkpoint(**(usual | changes)), ())


def planned(snapshot: Snapshot | None, later_ns: int, **more: Any) -> RestartPlan:
    rules_hash = more.pop("rules_hash", "rules-1")
    return plan_restart(snapshot, rules_hash, AT + later_ns, **({"cut": True} | more))


def test_the_first_start_of_all_is_a_plain_one() -> None:
    assert planned(None, 0, cut=False) == RestartPlan(state_at=AT)


def test_after_a_power_cut_the_boards_are_off_and_the_status_says_why() -> None:
    plan = planned(None, 0)
    assert plan.state == State()
    assert "power failed" in plan.doubt
    assert not plan.numbers.settled, "the next game, as the journal counts"


@pytest.mark.parametrize("in_order", [True, False])
@pytest.mark.parametrize("later_ns", [S // 2, OUTAGE_NS - 1])
def test_within_half_a_minute_it_goes_on_exactly(in_order: bool, later_ns: int) -> None:
    plan = planned(kept(RUNS, in_order=in_order), later_ns)
    assert (plan.state, plan.state_at) == (RUNS, AT)
    assert plan.numbers == Numbers(3, 20, settled=True), "what only grows is gone on with"
    assert (plan.doubt, plan.outage) == ("", "")
    assert f"away for {later_ns / S:.1f} s" in plan.story
    assert ("died" in plan.story) is not in_order


def test_a_longer_outage_leaves_the_count_and_darkens_the_boards() -> None:
    plan = planned(kept(STANDS), OUTAGE_NS)
    assert plan.state == STANDS
    assert plan.outage == "the service was away for 30 s"


@pytest.mark.parametrize(("in_order", "dark"), [(True, False), (False, True)])
def test_after_half_an_hour_it_is_another_game(in_order: bool, dark: bool) -> None:
    plan = planned(kept(STANDS, in_order=in_order, keeper=17), GAME_OVER_NS + 1)
    assert plan.state == State()
    assert plan.state_at == AT + GAME_OVER_NS + 1
    assert bool(plan.doubt) is dark
    assert plan.numbers == Numbers(4, 20, settled=True), "event numbers never go back"
    assert plan.keeper is None, "nobody said who keeps the clock of another game"


def test_the_keeper_and_what_may_be_taken_back_are_known_after_a_restart() -> None:
    plan = planned(kept(STANDS, keeper=17, recent=(Recent(5, 1, 3),)), S)
    assert (plan.keeper, plan.recent) == (17, (Recent(5, 1, 3),))


def test_the_fault_that_put_the_boards_off_is_still_named() -> None:
    plan = planned(kept(STANDS._replace(off=Off.FAULT), off_why="north does not answer"), S)
    assert plan.off_why == "north does not answer"


def test_boards_dark_by_a_fault_when_it_died_must_be_off() -> None:
    assert planned(kept(RUNS, dark_why="north lies"), S).doubt == "north lies"


def test_a_relight_that_was_being_carried_out_ends_that() -> None:
    off = RUNS._replace(off=Off.FAULT)
    relight = PendingOrder(Order(ToggleBoards(), AT, 1), AT, AT, 5)
    assert planned(kept(off, dark_why="north lies")._replace(pending=relight), S).doubt == ""
    darken = kept(RUNS, dark_why="north lies")._replace(pending=relight)
    assert planned(darken, S).doubt == "north lies"


def test_another_rule_set_gives_no_old_state_back() -> None:
    plan = planned(kept(RUNS), S, rules_hash="rules-2")
    assert plan.state == State()
    assert "rule set" in plan.doubt
    assert plan.numbers == Numbers(3, 20, settled=True), "what only grows is gone on with"


@pytest.mark.parametrize(("crashes", "dark"), [(2, False), (3, True)])
def test_a_crash_loop_comes_up_dark(crashes: int, dark: bool) -> None:
    plan = planned(kept(RUNS), S, crashes=crashes)
    assert plan.state == RUNS, "the count in the hand goes on"
    assert ("died 3 times" in plan.doubt) is dark


def test_a_state_that_kills_every_start_is_given_up() -> None:
    pending = PendingOrder(Order(Ready(), AT, 1), AT, AT, 5)
    plan = planned(kept(RUNS)._replace(pending=pending), S, crashes=6)
    assert (plan.state, plan.pending) == (State(), None)
    assert plan.given_up == pending, "it was answered, so it has to be in the record"
    assert "died 6 times" in plan.doubt
    assert plan.numbers == Numbers(3, 20, settled=True), "what only grows is gone on with"


@pytest.mark.parametrize("lost", [{"crashes": 6}, {"rules_hash": "rules-2"}])
@pytest.mark.parametrize(("orders", "shown"), [((), 25), ((Recent(5, 1, 3),), 40)])
def test_a_game_that_goes_on_without_its_state_is_not_opened_again(
    lost: dict[str, Any], orders: tuple[Recent, ...], shown: int
) -> None:
    """25 and READY promise an opening kickoff only as the first orders of a game."""
    plan = planned(kept(RUNS, recent=orders), S, **lost)
    play_clock = PlayClock(RULES, state=plan.state)
    told: list[Event] = [HoldNumber(Number.ADMINISTRATIVE), Ready(), Snap(), PlayEnded("routine")]
    for n, event in enumerate(told):
        at = AT + n * 10 * S
        play_clock.handle(Order(event, at, 1), at)
    assert play_clock.numerals(AT + 30 * S) == shown


# With real folders


class Start:
    """Starts services in the same folders; each takes the place of the one before, that died."""

    def __init__(self, folder: Path, run: str = "run") -> None:
        self.running: Recovery | None = None
        self._folder, self._run = folder, folder / run

    def __call__(self, now: int = AT, **changes: Any) -> Recovery:
        self.die()
        self.running = self.beside(now, **changes)
        self.running.begin()
        return self.running

    def beside(self, now: int = AT, state: str = "state", **changes: Any) -> Recovery:
        about = {"boot_id": "boot-a", "software": "0.1.0", "rules_hash": "rules-1"} | changes
        return Recovery(self._run, self._folder / state, now=now, **about)

    def die(self) -> None:
        if self.running is not None:
            self.running.release()
        self.running = None

    def end(self) -> None:
        assert self.running is not None
        self.running.close(in_order=True)
        self.running = None


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    starts = Start(tmp_path)
    yield starts
    starts.die()


def checkpoint(state: State, saved_at: int = AT, **changes: Any) -> Checkpoint:
    return kept(state, saved_at=saved_at, **changes).checkpoint


def test_what_was_saved_last_is_gone_on_with(start: Start) -> None:
    first = start()
    first.save(checkpoint(STANDS))
    first.save(checkpoint(RUNS, rows=[row_text(Dated(row(20), 7))]))
    plan = start(AT + S).plan
    assert plan.state == RUNS
    assert plan.rows == (Dated(row(20), 7),)


def test_an_order_that_was_being_carried_out_is_handed_on(start: Start) -> None:
    first = start()
    first.save(checkpoint(STANDS))
    pending = PendingOrder(Order(Ready(), AT, 1), AT, AT, 5)
    first.save_order(pending)
    second = start(AT + S)
    assert (second.plan.state, second.plan.pending) == (STANDS, pending)
    second.save(checkpoint(RUNS))
    plan = start(AT + 2 * S).plan
    assert (plan.state, plan.pending) == (RUNS, None)


def test_starts_that_die_at_once_count_as_crashes(start: Start) -> None:
    start().save(checkpoint(RUNS))
    for n in (1, 2):
        assert start(AT + n * S).plan.doubt == ""
    last = start(AT + 3 * S)
    assert last.plan.state == RUNS
    assert "died 3 times" in last.plan.doubt
    assert start(AT + 3 * S + CRASH_WINDOW_NS).plan.doubt == ""


def test_stops_in_order_are_no_crashes(start: Start) -> None:
    for n in range(6):
        made = start(AT + n * S)
        assert made.plan.doubt == ""
        made.save(checkpoint(RUNS, AT + n * S, in_order=True))
        start.end()


def test_power_cut_and_orderly_end_are_told_apart(start: Start, tmp_path: Path) -> None:
    start().save(checkpoint(RUNS))
    start.die()
    (tmp_path / "run" / "snapshot").unlink()  # tmpfs after a power cut
    assert "power failed" in start(boot_id="boot-b").plan.doubt
    start.end()
    (tmp_path / "run" / "snapshot").unlink()
    assert start(boot_id="boot-c").plan == RestartPlan(state_at=AT)


def test_a_snapshot_of_another_boot_is_a_power_cut_whatever_holds_it(start: Start) -> None:
    start().save(checkpoint(RUNS))
    plan = start(boot_id="boot-b").plan
    assert plan.state == State()
    assert "power" in plan.doubt


def test_a_snapshot_of_another_installation_is_none_of_ours(start: Start) -> None:
    start().save(checkpoint(RUNS))
    start.die()
    other = start.beside(AT + S, "another")
    assert other.plan == RestartPlan(state_at=AT + S)
    other.release()


def test_a_snapshot_that_nobody_can_read_leaves_the_boards_off(start: Start) -> None:
    made = start()
    made.save(checkpoint(RUNS))
    assert made._file is not None
    made._file.save(b"{}")
    made._file.save(b"[1]")
    plan = start(AT + S).plan
    assert plan.state == State()
    assert "cannot be read" in plan.doubt


def test_damage_to_the_newest_state_is_not_made_good_by_the_older_one(
    start: Start, tmp_path: Path
) -> None:
    """Once 40 stood where 39 was true."""
    made = start()
    made.save(checkpoint(RUNS, AT))
    made.save(checkpoint(STANDS, AT + S, event_number=21))
    start.die()
    with (tmp_path / "run" / "snapshot").open("r+b") as file:
        file.seek(40)  # the second text is in slot 0
        file.write(b"#")
    plan = start(AT + 2 * S).plan
    assert "damaged" in plan.doubt, "boards off"
    assert plan.state == State(), "and nothing wrong for a relight to show"
    assert "state dropped" in plan.story
    assert plan.numbers == Numbers(3, 20, settled=True), "what only grows is gone on with"


def test_a_newest_state_that_is_no_snapshot_is_not_made_good_by_the_older_one(start: Start) -> None:
    made = start()
    made.save(checkpoint(RUNS))
    assert made._file is not None
    made._file.save(b"{}")
    plan = start(AT + S).plan
    assert (plan.state, bool(plan.doubt)) == (State(), True)


@pytest.mark.parametrize("pending_at", [None, AT + 5 * S])
def test_a_state_saved_in_the_future_is_not_believed(pending_at: int | None) -> None:
    """Its count would have run out: 0 stood on the boards."""
    snapshot = kept(RUNS, saved_at=AT + 5 * S if pending_at is None else AT)
    if pending_at is not None:
        ready = PendingOrder(Order(Ready(), AT, 1), AT, pending_at, 10)
        snapshot = snapshot._replace(pending=ready)
    plan = planned(snapshot, 0)
    assert plan.state == State()
    assert "5.0 s from now" in plan.doubt
    assert plan.numbers == Numbers(3, 20, settled=True), "what only grows is gone on with"


def test_a_snapshot_that_was_lost_needs_no_marker_to_leave_the_boards_off(
    start: Start, tmp_path: Path
) -> None:
    start().save(checkpoint(RUNS))
    start.die()
    (tmp_path / "state" / MARKER).unlink()
    os.truncate(tmp_path / "run" / "snapshot", 100)
    assert "100 bytes" in start(AT + S).plan.doubt


def test_a_service_goes_on_when_its_snapshot_can_no_longer_be_kept(
    start: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = start()
    made.save(checkpoint(RUNS))
    assert made.troubles() == {}
    with monkeypatch.context() as full:
        full.setattr(os, "pwrite", failing(errno.ENOSPC))
        made.save(checkpoint(STANDS, AT + S))
        made.save_order(PendingOrder(Order(Ready(), AT, 1), AT, AT, 10))
        said = made.troubles()
    assert list(said) == ["a restart would not go on"]
    assert said["a restart would not go on"] == f"{tmp_path}/run: No space left on device"
    with (tmp_path / "run" / "snapshot").open("rb") as file:
        assert len(file.read()) == 1, "the state before it is no longer the last one"
    made.save(checkpoint(STANDS, AT + 2 * S))
    assert made.troubles() == {}
    assert start(AT + 3 * S).plan.state == STANDS


def failing(number: int) -> Callable[..., int]:
    def fails(*_: object, **__: object) -> int:
        raise OSError(number, os.strerror(number))

    return fails


def test_without_room_in_the_runtime_folder_it_starts_and_says_so(
    start: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "posix_fallocate", failing(errno.ENOSPC))
    made = start()
    assert made.plan == RestartPlan(state_at=AT)
    assert made.troubles() == {
        "a restart would not go on": f"{tmp_path}/run: No space left on device"
    }
    made.save(checkpoint(RUNS))
    made.save_order(PendingOrder(Order(Ready(), AT, 1), AT, AT, 10))
    assert "power failed" in start(AT + S).plan.doubt, "the marker is there, the state is not"


@pytest.mark.parametrize("mode", [0o777, 0o720, 0o702, 0o1777])
def test_a_runtime_folder_that_others_may_write_is_refused(
    start: Start, tmp_path: Path, mode: int
) -> None:
    (tmp_path / "run").mkdir()
    (tmp_path / "run").chmod(mode)
    with pytest.raises(FolderError, match=f"run: mode {mode:04o} lets others write there"):
        start()
    assert list((tmp_path / "run").iterdir()) == []


def test_a_runtime_folder_of_somebody_else_is_refused(
    start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 12345)
    with pytest.raises(FolderError, match=r"run: belongs to user .* 12345"):
        start()


@pytest.mark.parametrize("name", [LOCK, SNAPSHOT])
def test_a_link_in_the_runtime_folder_is_not_followed(
    start: Start, tmp_path: Path, name: str
) -> None:
    victim = tmp_path / "victim"
    victim.write_text("precious")
    (tmp_path / "run").mkdir(mode=0o700)
    (tmp_path / "run" / name).symlink_to(victim)
    with pytest.raises(OSError, match="symbolic link"):
        start()
    assert victim.read_text() == "precious"


def test_another_runtime_folder_on_the_same_state_folder_disturbs_nothing(
    start: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(marker, "LOCKED_S", 0)
    start()
    second = Start(tmp_path, "run2")
    with pytest.raises(BusyError, match=r"state: another play clock service"):
        second()
    second.end()
    assert (tmp_path / "state" / MARKER).exists(), "it is the first one's"


def test_a_lock_held_for_an_instant_is_waited_for(start: Start, tmp_path: Path) -> None:
    start()
    start.die()
    for folder, name in (("run", LOCK), ("state", "")):
        held = os.open(tmp_path / folder / name, os.O_RDONLY)
        fcntl.flock(held, fcntl.LOCK_EX)
        letting_go = threading.Timer(0.1, os.close, [held])
        letting_go.start()
        start(AT + S)
        letting_go.join()
        start.die()


def test_two_services_never_share_a_folder(start: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(marker, "LOCKED_S", 0)
    start()
    with pytest.raises(BusyError, match=r"run: another play clock service"):
        start.beside()
    start()


def test_more_rows_than_fit_are_left_out_and_counted(start: Start) -> None:
    long = row_text(Dated(row(20, detail="x" * 4000), 7))
    start().save(checkpoint(RUNS, rows=[long] * 100, rows_left_out=2))
    plan = start(AT + S).plan
    assert (plan.rows, plan.rows_lost) == ((), 102)
    assert plan.state == RUNS
