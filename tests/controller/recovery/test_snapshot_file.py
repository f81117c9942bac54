"""The snapshot file: whatever a kill leaves of a write, the newest whole text is found."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.recovery.snapshot_file import (
    FILE_BYTES,
    HEADER_BYTES,
    LARGEST_LINE,
    LARGEST_TEXT,
    MARK_AT,
    SLOT_BYTES,
    SnapshotFile,
)


def reopened(path: Path) -> SnapshotFile:
    file = SnapshotFile(path)
    file.close()
    return file


def found(path: Path) -> list[bytes]:
    return [text for _, text in reopened(path).found]


def line_of(path: Path) -> bytes | None:
    """The line of the newest text."""
    file = reopened(path)
    return file.line[1] if file.line and file.found and file.line[0] == file.found[0][0] else None


def saved(path: Path, *texts: bytes) -> SnapshotFile:
    """A file, still open, to which these texts were saved."""
    file = SnapshotFile(path)
    for text in texts:
        file.save(text)
    return file


def test_the_newest_text_comes_first_and_the_one_before_it_second(tmp_path: Path) -> None:
    path = tmp_path / "snapshot"
    assert found(path) == []
    saved(path, b"one", b"two, longer", b"three").close()
    assert found(path) == [b"three", b"two, longer"]
    saved(path, b"four").close()
    assert found(path) == [b"four", b"three"]


def test_only_its_owner_may_read_it(tmp_path: Path) -> None:
    SnapshotFile(tmp_path / "snapshot").close()
    assert (tmp_path / "snapshot").stat().st_mode & 0o777 == 0o600


@settings(max_examples=60, deadline=None)
@given(kept=st.integers(0, 60), text=st.binary(max_size=40))
def test_a_write_cut_short_leaves_the_text_before_it(
    tmp_path_factory: pytest.TempPathFactory, kept: int, text: bytes
) -> None:
    """A kill may end a write between two pages: modelled as any prefix of the new record over
    what the slot held."""
    path = tmp_path_factory.mktemp("cut") / "snapshot"
    file = saved(path, b"the first, which is rather long", b"the second, which is rather long")
    slot = SLOT_BYTES  # sequence 3 goes to slot 1
    with path.open("rb") as whole:
        before = os.pread(whole.fileno(), SLOT_BYTES, slot)
        mark = os.pread(whole.fileno(), FILE_BYTES - MARK_AT, MARK_AT)
    file.save(text)
    with path.open("r+b") as whole:
        record = os.pread(whole.fileno(), HEADER_BYTES + len(text), slot)
        cut = record[:kept] + before[len(record[:kept]) :]
        os.pwrite(whole.fileno(), cut, slot)
    file.close()
    with path.open("r+b") as whole:  # the mark comes after the record
        os.pwrite(whole.fileno(), mark, MARK_AT)
    again = reopened(path)
    newest = again.found[0][1]
    whole_record = cut.startswith(record)
    assert newest == (text if whole_record else b"the second, which is rather long")
    assert again.flaw == "", "it was never whole: the one before is the last one"


@settings(max_examples=80, deadline=None)
@given(at=st.integers(0, 23), flip=st.integers(1, 255))
def test_a_damaged_slot_is_not_believed(
    tmp_path_factory: pytest.TempPathFactory, at: int, flip: int
) -> None:
    path = tmp_path_factory.mktemp("damaged") / "snapshot"
    saved(path, b"old", b"new!").close()
    with path.open("r+b") as whole:  # sequence 2 is in slot 0
        (byte,) = os.pread(whole.fileno(), 1, at)
        os.pwrite(whole.fileno(), bytes([byte ^ flip]), at)
    damaged = reopened(path)
    assert [text for _, text in damaged.found] == [b"old"]
    assert damaged.flaw == "what was written last is damaged", "the old one is not the last one"


def test_a_slot_in_the_other_ones_place_is_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "snapshot"
    saved(path, b"one").close()
    path.write_bytes(path.read_bytes()[SLOT_BYTES:])  # sequence 1 belongs into slot 1
    assert found(path) == []


@given(st.binary(max_size=200))
def test_whatever_is_in_the_file_it_opens(
    tmp_path_factory: pytest.TempPathFactory, d: bytes
) -> None:
    path = tmp_path_factory.mktemp("any") / "snapshot"
    path.write_bytes(d)
    assert found(path) == []


def test_a_text_that_does_not_fit_is_refused_and_the_last_one_stays(tmp_path: Path) -> None:
    file = saved(tmp_path / "snapshot", b"x" * LARGEST_TEXT)
    with pytest.raises(ValueError, match=f"{LARGEST_TEXT + 1} bytes"):
        file.save(b"x" * (LARGEST_TEXT + 1))
    file.close()
    assert found(tmp_path / "snapshot") == [b"x" * LARGEST_TEXT]


def test_a_line_belongs_to_the_text_it_was_added_to(tmp_path: Path) -> None:
    path = tmp_path / "snapshot"
    file = saved(path, b"one")
    assert line_of(path) is None
    file.add(b"and more")
    assert line_of(path) == b"and more"
    file.add(b"or this")
    assert line_of(path) == b"or this"
    file.save(b"two")
    assert line_of(path) is None
    assert found(path) == [b"two", b"one"]
    with pytest.raises(ValueError, match="line of"):
        file.add(b"x" * (LARGEST_LINE + 1))
    file.close()


def test_a_line_that_was_whole_and_is_damaged_is_told(tmp_path: Path) -> None:
    path = tmp_path / "snapshot"
    file = saved(path, b"one", b"two")
    file.add(b"and more")
    assert reopened(path).flaw == ""
    os.pwrite(file._descriptor, b"x", 2 * SLOT_BYTES + HEADER_BYTES)
    assert reopened(path).flaw == "the order that was written last is damaged"
    file.save(b"three")
    file.close()
    assert reopened(path).flaw == ""


def test_a_mark_that_is_damaged_is_told_and_none_at_all_only_before_the_first(
    tmp_path: Path,
) -> None:
    path = tmp_path / "snapshot"
    file = saved(path, b"one")
    os.pwrite(file._descriptor, bytes(8), MARK_AT)
    assert reopened(path).flaw == "", "killed between the first text and its mark"
    file.save(b"two")
    for damaged in (bytes(8), b"\xff" * 8, b"12345678"):
        os.pwrite(file._descriptor, damaged, MARK_AT)
        assert reopened(path).flaw == "its mark is damaged"
    file.close()


@pytest.mark.parametrize("length", [1, SLOT_BYTES // 2, SLOT_BYTES + 100, FILE_BYTES + 1])
def test_a_file_cut_short_under_the_service_is_told_and_kills_nobody(
    tmp_path: Path, length: int
) -> None:
    path = tmp_path / "snapshot"
    file = saved(path, b"one", b"two")
    os.truncate(path, length)
    assert reopened(path).flaw == f"it had {length} bytes, not {FILE_BYTES}"
    os.truncate(path, length)
    file.save(b"three")
    file.add(b"more")
    file.save(b"four")
    file.close()
    assert reopened(path).found[0][1] == b"four"
    assert reopened(path).flaw == "", "it has its length again"


def test_what_cannot_be_kept_is_forgotten_and_leaves_a_sign(tmp_path: Path) -> None:
    path = tmp_path / "snapshot"
    file = saved(path, b"one")
    file.forget()
    file.close()
    file = reopened(path)
    assert file.found == [] and file.flaw


def test_a_link_or_a_pipe_in_its_place_is_refused_at_once(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_bytes(b"precious")
    (link := tmp_path / "link").symlink_to(victim)
    os.mkfifo(pipe := tmp_path / "pipe")
    for path in (link, pipe):
        with pytest.raises(OSError, match=r"symbolic|seek"):
            SnapshotFile(path)
    assert victim.read_bytes() == b"precious"


@given(kept=st.integers(0, 40))
def test_a_line_cut_short_is_none(tmp_path_factory: pytest.TempPathFactory, kept: int) -> None:
    path = tmp_path_factory.mktemp("line") / "snapshot"
    file = saved(path, b"one")
    file.add(b"an older line")
    before = path.read_bytes()[2 * SLOT_BYTES :]
    file.add(b"the new line")
    after = path.read_bytes()[2 * SLOT_BYTES :]
    with path.open("r+b") as whole:
        os.pwrite(whole.fileno(), after[:kept] + before[kept:], 2 * SLOT_BYTES)
    file.close()
    said = line_of(path)
    if after[:kept] + before[kept:] == after or kept >= HEADER_BYTES + len(b"the new line"):
        assert said == b"the new line"
    else:
        assert said in (None, b"an older line")
        assert (said is None) or after[:kept] == before[:kept]


def test_a_file_system_without_room_is_an_error_at_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(descriptor: int, offset: int, size: int) -> None:
        assert size == FILE_BYTES
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "posix_fallocate", full)
    with pytest.raises(OSError, match="No space"):
        SnapshotFile(tmp_path / "snapshot")
