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
    file.save(text)
    with path.open("r+b") as whole:
        record = os.pread(whole.fileno(), HEADER_BYTES + len(text), slot)
        cut = record[:kept] + before[len(record[:kept]) :]
        os.pwrite(whole.fileno(), cut, slot)
    file.close()
    newest = found(path)[0]
    whole_record = cut.startswith(record)
    assert newest == (text if whole_record else b"the second, which is rather long")


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
    assert found(path) == [b"old"]


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
