"""The disk, the record, the runtime folder and the lock of a running service."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from controller.check import storage as check_storage
from controller.check.report import Verdict
from controller.check.storage import (
    ServiceLock,
    disk,
    file_system,
    record,
    runtime,
    space,
    stranger,
    user,
    write_time_s,
)
from controller.journal.head import kept_beside
from controller.recovery.marker import BusyError
from controller.recovery.recovery import Recovery
from tests.controller.journal_rows import row, sql, write, write_version_1


def test_a_good_disk_is_told_with_its_room_and_speed(tmp_path: Path) -> None:
    room, speed = disk(tmp_path, lambda _: 0.012)
    assert room.verdict is speed.verdict is Verdict.OK
    assert "12 ms" in speed.what and str(tmp_path) in room.what
    assert list(tmp_path.iterdir()) == []


def test_the_writes_are_really_made_and_leave_nothing(tmp_path: Path) -> None:
    assert 0 < write_time_s(tmp_path) < 5
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("number", "cure"),
    [
        (errno.EROFS, "writable"),
        (errno.ENOSPC, "make room"),
        (errno.EACCES, "service's user"),
        (errno.EIO, "replace"),
    ],
)
def test_a_disk_that_refuses_is_wrong_and_says_what_to_do(
    tmp_path: Path, number: int, cure: str
) -> None:
    def refused(folder: Path) -> float:
        raise OSError(number, os.strerror(number), str(folder))

    *_, found = disk(tmp_path, refused)
    assert found.verdict is Verdict.WRONG
    assert os.strerror(number) in found.what and cure in found.do


def test_a_short_write_is_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "write", lambda fd, data: len(data) - 1)
    *_, found = disk(tmp_path)
    assert found.verdict is Verdict.WRONG and "make room" in found.do
    assert list(tmp_path.iterdir()) == []


def test_a_slow_disk_wants_a_look(tmp_path: Path) -> None:
    *_, found = disk(tmp_path, lambda _: 0.25)
    assert found.verdict is Verdict.LOOK and "250 ms" in found.what


def test_a_folder_not_there_yet_is_made_by_the_first_start(tmp_path: Path) -> None:
    *_, found = disk(tmp_path / "state" / "deep")
    assert found.verdict is Verdict.OK and "first start" in found.what
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda *_, **__: False)
    *_, found = disk(tmp_path / "state")
    assert found.verdict is Verdict.WRONG and user() in found.what


@pytest.mark.parametrize(
    ("free_mb", "verdict"), [(49, Verdict.WRONG), (50, Verdict.LOOK), (500, Verdict.OK)]
)
def test_little_room_is_told_before_it_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free_mb: int, verdict: Verdict
) -> None:
    real = os.statvfs(tmp_path)
    there = os.statvfs_result((real.f_bsize, 1000, 0, 0, free_mb * 1000, *tuple(real)[5:]))
    monkeypatch.setattr(os, "statvfs", lambda _: there)
    found = space(tmp_path)
    assert found.verdict is verdict and f"{free_mb} MB" in found.what


# The record


def written(path: Path, rows: int = 3) -> Path:
    write(path, [row(number) for number in range(1, rows + 1)])
    return path


def test_a_whole_record_is_told_with_its_rows_and_none_yet_is_right(tmp_path: Path) -> None:
    assert record(tmp_path / "journal").verdict is Verdict.OK
    found = record(written(tmp_path / "journal"))
    assert found.verdict is Verdict.OK and "3 rows" in found.what


def test_a_changed_record_is_wrong(tmp_path: Path) -> None:
    path = written(tmp_path / "journal")
    change = "UPDATE journal SET event = 'b' WHERE seq = 2"
    sql(path, "DROP TRIGGER journal_keeps_cells", change)
    found = record(path)
    assert found.verdict is Verdict.WRONG and "row 2" in found.what


def test_a_record_whose_last_rows_were_cut_off_is_wrong(tmp_path: Path) -> None:
    path = written(tmp_path / "journal")
    ((digest,),) = sql(path, "SELECT hex(digest) FROM journal WHERE seq = 3")
    kept_beside(path).write_text(f"3:{digest}")
    assert record(path).verdict is Verdict.OK
    sql(path, "DROP TRIGGER journal_keeps_rows", "DELETE FROM journal WHERE seq = 3")
    found = record(path)
    assert found.verdict is Verdict.WRONG and "ends at row 2, but row 3 was noted" in found.what


def test_a_record_that_this_program_only_reads_is_wrong(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write_version_1(path, 2)
    found = record(path)
    assert found.verdict is Verdict.WRONG and "version 1" in found.what and "copy" in found.do


def test_a_file_that_is_no_record_is_wrong(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    path.write_text("no database, but long enough to be taken for one" * 50)
    found = record(path)
    assert found.verdict is Verdict.WRONG and str(path) in found.what


def test_a_record_that_another_user_owns_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path / "journal")
    monkeypatch.setattr(os, "access", lambda *_, **__: False)
    assert record(path).verdict is Verdict.WRONG


# The runtime folder


MOUNTS = "/dev/root / ext4 rw 0 0\ntmpfs /run tmpfs rw 0 0\n/dev/sda1 /run/media ext4 rw 0 0\n"


@pytest.mark.parametrize(
    ("path", "kind"),
    [("/run/playclock", "tmpfs"), ("/var/lib", "ext4"), ("/run/media/x", "ext4"), ("/", "ext4")],
)
def test_the_file_system_of_a_path_is_that_of_the_nearest_mount(path: str, kind: str) -> None:
    assert file_system(Path(path), MOUNTS) == kind


def test_a_runtime_folder_on_a_disk_is_wrong(tmp_path: Path) -> None:
    (found,) = runtime(tmp_path, "/dev/root / ext4 rw 0 0\n")
    assert found.verdict is Verdict.WRONG and "ext4" in found.what and "/run" in found.do


def test_a_runtime_folder_in_memory_is_right_there_or_not(tmp_path: Path) -> None:
    mounts = f"/dev/root / ext4 rw 0 0\ntmpfs {tmp_path} tmpfs rw 0 0\n"
    for folder, words in ((tmp_path, "is in memory"), (tmp_path / "new", "when it starts")):
        (found,) = runtime(folder, mounts)
        assert found.verdict is Verdict.OK and words in found.what
    assert list(tmp_path.iterdir()) == []


def test_the_mounts_of_this_machine_can_be_read() -> None:
    assert file_system(Path("/proc"), check_storage._mounts()) == "proc"


# The lock


def continuity(folder: Path) -> Recovery:
    return Recovery(
        folder / "run", folder, boot_id="b", software="test", rules_hash="r", now=1_000_000_000
    )


def test_a_running_service_is_found_by_its_lock(tmp_path: Path) -> None:
    service = continuity(tmp_path)
    lock = ServiceLock(tmp_path / "run")
    assert lock.busy
    (found,) = lock.findings()
    assert found.verdict is Verdict.WRONG and "systemctl stop playclock" in found.do
    lock.release()
    service.close(in_order=True)
    free = ServiceLock(tmp_path / "run")
    assert not free.busy and list(free.findings()) == []
    free.release()


def test_no_service_starts_during_the_check(tmp_path: Path) -> None:
    continuity(tmp_path).close(in_order=True)
    lock = ServiceLock(tmp_path / "run")
    assert not lock.busy and ServiceLock(tmp_path / "run").busy
    with pytest.raises(BusyError):
        continuity(tmp_path)
    lock.release()
    continuity(tmp_path).close(in_order=True)


def test_no_runtime_folder_is_no_service_and_none_is_made(tmp_path: Path) -> None:
    lock = ServiceLock(tmp_path / "run")
    assert not lock.busy and not (tmp_path / "run").exists()
    lock.release()


# Whose files


def test_another_users_folder_is_left_alone_by_root_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert stranger(tmp_path) == stranger(tmp_path / "none") == ""
    real = tmp_path.stat()
    other = os.stat_result((*tuple(real)[:4], 54321, *tuple(real)[5:]))
    monkeypatch.setattr(Path, "stat", lambda _: other)
    assert stranger(tmp_path) == "54321"
    monkeypatch.setattr(os, "geteuid", lambda: 54321)
    assert stranger(tmp_path) == ""


def test_what_may_not_be_looked_at_is_told_and_no_crash(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    exists = Path.exists

    def forbidden(path: Path) -> bool:
        if path.is_relative_to(tmp_path) and path != tmp_path:
            raise PermissionError(errno.EACCES, "Permission denied")
        return exists(path)

    monkeypatch.setattr(Path, "exists", forbidden)
    found = record(tmp_path / "journal")
    assert found.verdict is Verdict.WRONG and "service's user" in found.do
    *_, made = disk(tmp_path / "state")
    assert "not there yet" in made.what
