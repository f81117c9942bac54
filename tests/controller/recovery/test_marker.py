"""The marker on the disk, and a disk that does not take it: the clock waits a moment at most."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.recovery import marker
from controller.recovery.marker import MARKER, TOO_SLOW, BusyError, FolderError, OpenMarker
from drivers.whole_file import replace_file


@pytest.fixture
def put(tmp_path: Path) -> Iterator[OpenMarker]:
    """A marker that was put into a folder that was not there."""
    made = OpenMarker(tmp_path / "a" / "state", "boot-a")
    made.put()
    yield made
    made.release()


def test_it_is_there_from_the_start_to_the_orderly_end(tmp_path: Path, put: OpenMarker) -> None:
    path = tmp_path / "a" / "state" / MARKER
    assert put.fault == ""
    assert path.read_text() == "boot-a\n"
    assert path.parent.stat().st_mode & 0o777 == 0o700
    assert put.left_behind() == (True, "")
    put.take_away()
    assert not path.exists()
    assert put.left_behind() == (False, "")


def test_it_outlives_any_other_end(tmp_path: Path, put: OpenMarker) -> None:
    put.release()
    assert (tmp_path / "a" / "state" / MARKER).exists()


@pytest.mark.parametrize("below", ["", "state"])
def test_a_file_in_the_folders_place_is_a_mistake(tmp_path: Path, below: str) -> None:
    (tmp_path / "file").touch()
    made = OpenMarker(tmp_path / "file" / below, "boot-a")
    with pytest.raises(FolderError, match=r"state_folder = .*: is not a folder"):
        made.put()
    made.release()


def test_a_folder_that_is_not_there_holds_none(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for folder in (tmp_path / "none", tmp_path / "file"):
        assert OpenMarker(folder, "boot-a").left_behind() == (False, "")


def test_a_second_service_is_refused_and_takes_nothing_away(
    put: OpenMarker, tmp_path: Path
) -> None:
    second = OpenMarker(tmp_path / "a" / "state", "boot-a")
    with pytest.raises(BusyError, match="state: another play clock service is running here"):
        second.put()
    second.take_away()
    second.release()
    assert (tmp_path / "a" / "state" / MARKER).exists()


def test_after_a_death_in_the_same_boot_nothing_is_written(
    put: OpenMarker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put.release()
    monkeypatch.setattr(marker, "replace_file", lambda *_, **__: pytest.fail("written again"))
    again = OpenMarker(tmp_path / "a" / "state", "boot-a")
    again.put()
    assert again.fault == ""
    again.release()


def test_a_disk_that_refuses_it_is_told_tried_again_and_its_healing_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    healed, ill = threading.Event(), threading.Event()

    def replaced(path: Path, content: bytes, mode: int) -> None:
        if not ill.is_set():
            ill.set()
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        replace_file(path, content, mode)
        healed.set()

    monkeypatch.setattr(marker, "replace_file", replaced)
    monkeypatch.setattr(marker, "RETRY_S", 0.001)
    made = OpenMarker(tmp_path, "boot-a")
    made.put()
    assert ill.is_set()
    assert healed.wait(10)
    made.release()
    assert made.fault == ""
    monkeypatch.setattr(marker, "RETRY_S", 60)
    ill.clear()
    made = OpenMarker(tmp_path, "boot-b")
    made.put()
    assert made.fault == f"{tmp_path}: Read-only file system"
    made.release()


def test_a_slow_disk_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    goes_on = threading.Event()

    def slow(*_: object, **__: object) -> None:
        goes_on.wait(10)

    monkeypatch.setattr(marker, "PATIENCE_S", 0.02)
    monkeypatch.setattr(marker, "replace_file", slow)
    monkeypatch.setattr(OpenMarker, "_look", slow)
    made = OpenMarker(tmp_path, "boot-a")
    since_s = time.monotonic()
    assert made.left_behind() == (False, f"{tmp_path}: {TOO_SLOW}")
    made.put()
    assert time.monotonic() - since_s < 5
    assert made.fault == f"{tmp_path}: {TOO_SLOW}"
    goes_on.set()
    made.release()
    assert made.fault == ""


def test_a_disk_that_cannot_be_looked_at_is_not_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_: Path) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(Path, "lstat", broken)
    assert OpenMarker(tmp_path, "boot-a").left_behind() == (
        False,
        f"{tmp_path}: Input/output error",
    )
