"""Changing the key file: private at every instant, whole or not at all, one at a time."""

from __future__ import annotations

import os
import resource
import stat
from pathlib import Path

import pytest

from drivers.handset.key_change import KeyChange
from drivers.handset.keys import KeyFileError, Keys, load_keys, new_key
from tests.shared.key_files import write_keys

OLD = Keys(new_key(), {1: new_key(), 200: new_key()})
NEW = Keys(OLD.broadcast, {**OLD.handset, 2: new_key()})
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="gives files away: root only")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    there = tmp_path / "handsets.key"
    write_keys(there, OLD)
    return there


def names(path: Path) -> list[str]:
    return sorted(entry.name for entry in path.parent.iterdir())


def change_to_new(path: Path, owner: tuple[int, int] | None = None) -> None:
    with KeyChange(path, owner) as change:
        change.prepare(NEW)
        change.commit()


def test_the_old_file_stays_until_the_commit(path: Path) -> None:
    with KeyChange(path) as change:
        assert change.keys == OLD
        change.prepare(Keys(new_key(), {}))
        change.prepare(NEW)  # the shorter text before it leaves nothing behind
        assert load_keys(path) == OLD
        change.commit()
        assert load_keys(path) == NEW
    assert names(path) == ["handsets.key"]


def test_what_is_not_committed_leaves_no_trace(path: Path) -> None:
    with KeyChange(path) as change:
        change.prepare(NEW)
    assert (load_keys(path), names(path)) == (OLD, ["handsets.key"])


def test_it_is_private_from_the_first_byte(path: Path) -> None:
    before = os.umask(0)
    try:
        with KeyChange(path) as change:
            for step in (change.prepare, lambda _: change.commit()):
                modes = [stat.S_IMODE(each.stat().st_mode) for each in path.parent.iterdir()]
                assert set(modes) == {0o600}
                step(NEW)
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_the_first_key_file_of_all(tmp_path: Path) -> None:
    path = tmp_path / "handsets.key"
    with KeyChange(path) as change:
        assert change.keys is None
        change.prepare(NEW)
        change.commit()
    assert load_keys(path) == NEW


def test_what_a_killed_pairing_left_is_taken_over(path: Path) -> None:
    waiting = path.with_name("handsets.key.pairing")
    waiting.write_text("half a file")
    waiting.chmod(0o600)
    change_to_new(path)
    assert load_keys(path) == NEW


@pytest.mark.parametrize("kind", ["wide", "link", "pipe"])
def test_a_waiting_file_that_is_not_ours_is_refused(path: Path, kind: str) -> None:
    waiting = path.with_name("handsets.key.pairing")
    if kind == "wide":
        waiting.touch(0o644)
        waiting.chmod(0o644)
    elif kind == "link":
        waiting.symlink_to(path)
    else:
        os.mkfifo(waiting, 0o600)
    with pytest.raises((KeyFileError, OSError), match=r"handsets\.key\.pairing"), KeyChange(path):
        pass
    assert load_keys(path) == OLD


def test_two_at_once_are_refused(path: Path) -> None:
    with KeyChange(path) as change:
        with pytest.raises(KeyFileError, match="another pairing is going on"), KeyChange(path):
            pass
        change.prepare(NEW)
        change.commit()
    assert load_keys(path) == NEW


def test_a_link_stays_a_link(path: Path) -> None:
    link = path.with_name("link")
    link.symlink_to(path)
    change_to_new(link)
    assert link.is_symlink() and load_keys(path) == NEW


@pytest.mark.parametrize(
    ("text", "mode", "said"),
    [
        ("broadcast_key = 5", 0o600, "32 hex digits"),
        ("", 0o600, "is missing"),
        (None, 0o640, "mode 0640"),
    ],
)
def test_a_key_file_that_cannot_be_used_stays_as_it_is(
    path: Path, text: str | None, mode: int, said: str
) -> None:
    if text is not None:
        path.write_text(text)
    path.chmod(mode)
    before = path.read_bytes()
    with pytest.raises(KeyFileError, match=f"{said}.*pair every handset again"), KeyChange(path):
        pass
    assert (path.read_bytes(), names(path)) == (before, ["handsets.key"])


def test_a_full_disk_is_found_before_anything_changes(path: Path) -> None:
    """A limit of file size (setrlimit(2)) stands for the disk: both refuse the write."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    with KeyChange(path) as change:
        resource.setrlimit(resource.RLIMIT_FSIZE, (40, hard))
        try:
            with pytest.raises(OSError, match="File too large"):
                change.prepare(NEW)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert (load_keys(path), names(path)) == (OLD, ["handsets.key"])


@needs_root
def test_root_leaves_the_file_to_whoever_had_it(path: Path) -> None:
    os.chown(path, 4711, 4712)
    change_to_new(path, (1, 1))
    assert (path.stat().st_uid, path.stat().st_gid) == (4711, 4712)


@needs_root
@pytest.mark.parametrize("owner", [None, (815, 816)])
def test_root_gives_a_new_file_to_the_service(
    tmp_path: Path, owner: tuple[int, int] | None
) -> None:
    os.chown(tmp_path, 4711, 4712)
    change_to_new(tmp_path / "handsets.key", owner)
    there = (tmp_path / "handsets.key").stat()
    assert (there.st_uid, there.st_gid) == (owner or (4711, 4712))


@needs_root
def test_another_user_changes_nothing(path: Path) -> None:
    os.seteuid(65534)
    try:
        with pytest.raises(PermissionError), KeyChange(path):
            pass
    finally:
        os.seteuid(0)
    assert (load_keys(path), names(path)) == (OLD, ["handsets.key"])
