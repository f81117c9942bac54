"""The snapshot file: whatever a kill leaves of a write, the newest whole text is found."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.snapshot import LARGEST_TEXT, SLOT_BYTES, SnapshotFile


def found(path: Path) -> list[bytes]:
    file = SnapshotFile(path)
    file.close()
    return file.found


def test_the_newest_text_comes_first_and_the_one_before_it_second(tmp_path: Path) -> None:
    path = tmp_path / "snapshot"
    assert found(path) == []
    file = SnapshotFile(path)
    for text in (b"one", b"two, longer", b"three"):
        file.save(text)
    file.close()
    assert found(path) == [b"three", b"two, longer"]
    again = SnapshotFile(path)
    again.save(b"four")
    again.close()
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
    file = SnapshotFile(path)
    for each in (b"the first, which is rather long", b"the second, which is rather long"):
        file.save(each)
    slot = SLOT_BYTES  # sequence 3 goes to slot 1
    with path.open("rb") as whole:
        before = os.pread(whole.fileno(), SLOT_BYTES, slot)
    file.save(text)
    with path.open("r+b") as whole:
        record = os.pread(whole.fileno(), 20 + len(text), slot)
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
    file = SnapshotFile(path)
    file.save(b"old")
    file.save(b"new!")
    file.close()
    with path.open("r+b") as whole:  # sequence 2 is in slot 0
        (byte,) = os.pread(whole.fileno(), 1, at)
        os.pwrite(whole.fileno(), bytes([byte ^ flip]), at)
    assert found(path) == [b"old"]


def test_a_slot_in_the_other_ones_place_is_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "snapshot"
    file = SnapshotFile(path)
    file.save(b"one")
    file.close()
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
    file = SnapshotFile(tmp_path / "snapshot")
    file.save(b"x" * LARGEST_TEXT)
    with pytest.raises(ValueError, match=f"{LARGEST_TEXT + 1} bytes"):
        file.save(b"x" * (LARGEST_TEXT + 1))
    file.close()
    assert found(tmp_path / "snapshot") == [b"x" * LARGEST_TEXT]
