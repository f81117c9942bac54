"""The head: said in short, read however it was written down, kept beside and in tmpfs, compared."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from controller.journal.file import Head
from controller.journal.head import (
    KEPT_EVERY_NS,
    HeadKeeper,
    compared,
    kept_beside,
    read_head,
    read_kept,
    short,
)

AT = 1_000_000_000_000
DIGEST = "7f3a91c20d4e88b1" + "5" * 48
HEAD: Head = (1234, DIGEST)


def test_the_short_form_is_four_groups_of_four_and_is_read_back() -> None:
    assert short(HEAD) == "1234:7f3a-91c2-0d4e-88b1"
    assert read_head(short(HEAD)) == (1234, DIGEST[:16])
    assert compared(read_head(short(HEAD)), 1234, DIGEST) == ""
    assert short((0, "")) == ""


@pytest.mark.parametrize(
    "text",
    ["1234: 7F3A 91C2 0D4E 88B1", " 1234:7f3a91c20d4e88b1\n", "1234 : 7f3a-91c2 0d4e-88b1"],
)
def test_it_is_read_however_somebody_wrote_it_down(text: str) -> None:
    assert read_head(text) == (1234, "7f3a91c20d4e88b1")


@pytest.mark.parametrize("text", ["", "1234", "1234:7f3a", "1234:7g3a91c20d4e88b1", "x:7f3a91c2"])
def test_what_is_no_head_is_named(text: str) -> None:
    with pytest.raises(ValueError, match="must be a row's number, a colon and 8 to 64 hex"):
        read_head(text)


@pytest.mark.parametrize(
    ("end", "found", "said"),
    [
        (1234, DIGEST, ""),
        (2000, DIGEST, ""),
        (1233, "", "the journal ends at row 1233, but row 1234 was noted: rows cut off"),
        (0, "", "the journal ends at row 0, but row 1234 was noted: rows cut off"),
        (2000, "00" * 32, "rewritten up to there"),
    ],
)
def test_a_journal_that_is_shorter_or_another_is_told(end: int, found: str, said: str) -> None:
    problem = compared(HEAD, end, found)
    assert problem.endswith(said)
    assert bool(problem) is bool(said)


def test_it_is_never_kept_in_the_journal_s_own_place(tmp_path: Path) -> None:
    for name in ("journal.sqlite3", "journal", "journal.head", ".sqlite3"):
        assert kept_beside(tmp_path / name) != tmp_path / name
    assert kept_beside(tmp_path / "journal.sqlite3") == tmp_path / "journal.head"


def test_it_goes_to_the_disk_at_once_and_then_at_most_once_a_minute(tmp_path: Path) -> None:
    journal = tmp_path / "journal.sqlite3"
    keeper = HeadKeeper(journal)
    assert keeper.due_s(AT) is None
    keeper.keep((1, DIGEST))
    assert keeper.due_s(AT) == 0
    keeper.put_on_disk(AT)
    assert read_kept(journal) == (1, DIGEST)
    assert keeper.due_s(AT) is None
    keeper.keep((2, DIGEST))
    assert keeper.due_s(AT + 1) == (KEPT_EVERY_NS - 1) / 1e9
    keeper.put_on_disk(AT + KEPT_EVERY_NS)
    assert read_kept(journal) == (2, DIGEST)


def test_a_disk_that_refuses_is_tried_again_a_minute_later(tmp_path: Path) -> None:
    keeper = HeadKeeper(tmp_path / "away" / "journal")
    keeper.keep(HEAD)
    keeper.put_on_disk(AT)
    assert keeper.due_s(AT) == 60
    (tmp_path / "away").mkdir()
    keeper.put_on_disk(AT + KEPT_EVERY_NS)
    assert read_kept(tmp_path / "away" / "journal") == HEAD
    assert keeper.due_s(AT + KEPT_EVERY_NS) is None


def doubt(tmp_path: Path, end: int, digest: str, journal: str = "journal") -> str:
    keeper = HeadKeeper(tmp_path / journal, tmp_path / "runtime")
    return keeper.doubt(end, lambda seq: digest if seq <= end else "")


def test_what_is_kept_in_tmpfs_is_compared_too_as_long_as_it_is_of_this_journal(
    tmp_path: Path,
) -> None:
    assert doubt(tmp_path, 0, "") == "", "nothing was kept yet"
    keeper = HeadKeeper(tmp_path / "journal", tmp_path / "runtime")
    keeper.keep((1234, DIGEST))
    keeper.keep((1235, DIGEST))
    keeper.close()
    assert not kept_beside(tmp_path / "journal").exists()
    assert doubt(tmp_path, 1235, DIGEST) == ""
    assert "ends at row 1234, but row 1235" in doubt(tmp_path, 1234, DIGEST)
    assert doubt(tmp_path, 0, "", journal="another") == ""
    with (tmp_path / "runtime").open("r+b") as file:
        file.write(b"99:")
    assert doubt(tmp_path, 0, "") == "", "half a line is no head"


def test_a_kept_head_that_cannot_be_read_is_told_with_its_file(tmp_path: Path) -> None:
    path = kept_beside(tmp_path / "journal")
    path.write_text("nonsense")
    with pytest.raises(ValueError, match=f"{path}: 'nonsense': must be"):
        read_kept(tmp_path / "journal")
    assert f"cannot be read: {path}" in doubt(tmp_path, 9, DIGEST)


def test_a_pipe_in_its_place_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(kept_beside(tmp_path / "journal"))
    os.mkfifo(tmp_path / "runtime")
    assert doubt(tmp_path, 9, DIGEST) == ""
    keeper = HeadKeeper(tmp_path / "journal", tmp_path / "runtime")
    keeper.keep(HEAD)
    keeper.close()


def test_a_link_laid_in_tmpfs_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "target").write_text("precious")
    (tmp_path / "runtime").symlink_to(tmp_path / "target")
    keeper = HeadKeeper(tmp_path / "journal", tmp_path / "runtime")
    keeper.keep(HEAD)
    keeper.close()
    assert (tmp_path / "target").read_text() == "precious"
    assert (tmp_path / "runtime").readlink() == tmp_path / "target"
