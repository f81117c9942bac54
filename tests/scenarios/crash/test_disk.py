from __future__ import annotations

import pytest

from tests.scenarios.crash import disk
from tests.scenarios.crash.disk import FolderSynced, Named, Resized, Step, Synced, Wrote, left

OLD, NEW = disk.File(), disk.File()
REPLACED: list[Step] = [
    Named("new", NEW),
    Wrote(NEW, 0, b"new"),
    Synced(NEW),
    Named("file", NEW, was="new"),
    FolderSynced(""),
]
BEFORE: list[Step] = [Named("file", OLD), Wrote(OLD, 0, b"old"), Synced(OLD), FolderSynced("")]


def found(steps: list[Step]) -> list[dict[str, bytes]]:
    """Every different disk that a cut may leave."""
    disks: list[dict[str, bytes]] = []
    for each in disk.cuts(steps, seed=1, mixes=200, singly=24):
        if each not in disks:
            disks.append(each)
    return disks


def test_what_was_synced_is_there() -> None:
    assert disk.pending(BEFORE + REPLACED) == []
    assert found(BEFORE + REPLACED) == [{"file": b"new"}]


@pytest.mark.parametrize("done", range(len(REPLACED) + 1))
def test_a_file_replaced_in_the_right_order_is_the_old_or_the_new_one(done: int) -> None:
    assert {each["file"] for each in found(BEFORE + REPLACED[:done])} <= {b"old", b"new"}


def test_a_file_renamed_before_it_was_synced_may_be_empty() -> None:
    careless: list[Step] = [step for step in REPLACED if not isinstance(step, Synced)]
    assert {"file": b""} in found(BEFORE + careless)


def test_a_name_that_was_not_synced_may_be_missing() -> None:
    assert {"file": b"old"} in found(BEFORE + REPLACED[:4])
    assert {} in found(BEFORE[:3])


def test_a_folder_of_its_own_is_synced_on_its_own() -> None:
    steps: list[Step] = [Named("a/file", OLD), FolderSynced("")]
    assert disk.pending(steps) == [0]
    assert disk.pending([*steps, FolderSynced("a")]) == []


def test_writes_reach_the_disk_in_any_order() -> None:
    steps = [*BEFORE, Wrote(OLD, 0, b"A"), Wrote(OLD, 2, b"B")]
    assert {each["file"] for each in found(steps)} == {b"old", b"Ald", b"olB", b"AlB"}


def test_a_write_is_torn_between_sectors_only() -> None:
    size = 3 * disk.SECTOR_BYTES
    file = disk.File()
    steps: list[Step] = [Named("file", file), FolderSynced("")]
    steps += [Wrote(file, 0, b"o" * size), Synced(file), Wrote(file, 0, b"n" * size)]
    torn = {left(steps, lambda _, seed=seed: disk.Fate("torn", seed))["file"] for seed in range(99)}  # type: ignore[misc]
    sectors = {tuple(each[at : at + 512] for at in range(0, size, 512)) for each in torn}
    assert {len(set(sector)) for each in sectors for sector in each} == {1}
    assert len(torn) == 8


def test_a_longer_file_may_hold_zeros() -> None:
    steps: list[Step] = [*BEFORE, Wrote(OLD, 3, b"er")]
    assert left(steps, lambda _: disk.ZEROS) == {"file": b"old\0\0"}
    assert left(steps, lambda _: disk.LOST) == {"file": b"old"}


def test_a_file_is_cut_and_lengthened() -> None:
    steps: list[Step] = [*BEFORE, Resized(OLD, 1), Resized(OLD, 3)]
    assert left(steps, lambda _: disk.KEPT) == {"file": b"o\0\0"}


def test_a_name_taken_away_may_come_back() -> None:
    assert {"file": b"old"} in found([*BEFORE, Named("file", None)])
    assert found([*BEFORE, Named("file", None), FolderSynced("")]) == [{}]
