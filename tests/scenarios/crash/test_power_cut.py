"""The power goes at any moment of what the service really does to its disk.

A recorded run is cut after each of its steps; the disk then keeps any part of what was not synced
(``disk.py``), and the next start must find all that was told to anybody before.
"""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from tests.scenarios.crash.after_the_cut import (
    handsets_are_still_paired,
    journal_goes_on,
    last,
    lay_out,
    started_again,
)
from tests.scenarios.crash.disk import (
    KEPT,
    Contents,
    FolderSynced,
    Said,
    Step,
    Synced,
    Wrote,
    cuts,
    left,
)
from tests.scenarios.crash.recording import SHARED_INDEX, record

Judge = Callable[[Path, Sequence[str], int], None]

SEED = 1
NEAR = 1
"""A long run is cut at the steps so near to one that is no plain write, and at each 97th."""
ONE_OF = 4
"""The shorter check takes one in so many of these."""

pytestmark = [pytest.mark.full, pytest.mark.usefixtures("tracing_is_permitted")]


@pytest.fixture
def memory() -> Iterator[Path]:
    """A folder in memory where there is one: thousands of disks are laid out in it."""
    shared = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(dir=shared if shared.is_dir() else None))
    yield folder
    shutil.rmtree(folder)


def recorded(writer: str, folder: Path) -> list[Step]:
    """The steps of one of the writers, held against what it really left behind."""
    state = folder / "state"
    state.mkdir()
    steps = record("tests.scenarios.crash.writers", writer, str(state), folder=state)
    there = {
        str(path.relative_to(state)): path.read_bytes()
        for path in state.rglob("*")
        if path.is_file() and not path.name.endswith(SHARED_INDEX)
    }
    assert left(steps, lambda _: KEPT) == there
    return steps


def moments(steps: Sequence[Step], every: bool, one_of: int = 1) -> Iterator[int]:
    """After how many steps the power is cut."""
    marked = [place for place, step in enumerate(steps, 1) if not isinstance(step, Wrote)]
    for place in range(len(steps) + 1):
        near = any(-NEAR <= place - one <= NEAR for one in marked)
        if every or ((near or place % 97 == 0) and place % one_of == 0):
            yield place


def digest(contents: Contents, told: Sequence[str]) -> bytes:
    whole = hashlib.blake2b(repr(told).encode())
    for name, content in sorted(contents.items()):
        whole.update(f"{name} {len(content)} ".encode() + content)
    return whole.digest()


def check(
    steps: Sequence[Step],
    memory: Path,
    judge: Judge,
    mixes: int = 40,
    every: bool = True,
    *,
    one_of: int = 1,
) -> int:
    """Judge every different disk that a cut may leave; gives how many there were."""
    appended = last([step.text for step in steps if isinstance(step, Said)], "journalled")
    seen = set()
    for moment in moments(steps, every, one_of):
        told = [step.text for step in steps[:moment] if isinstance(step, Said)]
        for number, contents in enumerate(cuts(steps[:moment], SEED, mixes, 24 if every else 2)):
            mark = digest(contents, told)
            if mark in seen:
                continue
            seen.add(mark)
            lay_out(memory / "state", contents)
            try:
                judge(memory / "state", told, appended)
            except Exception as error:
                what = f"cut after {moment} of {len(steps)} steps, disk {number}: told {told[-3:]}"
                raise AssertionError(f"{what}; found {sorted(contents)}: {error!r}") from error
    print(f"\n{len(steps)} steps, cut into {len(seen)} different disks")
    return len(seen)


def test_three_starts(tmp_path: Path, memory: Path) -> None:
    steps = recorded("starts", tmp_path)
    assert check(steps, memory, started_again) > 600


@pytest.mark.parametrize("one_of", [ONE_OF, pytest.param(1, marks=pytest.mark.long)])
def test_a_log_that_is_moved_into_the_file_and_begun_anew(
    one_of: int, tmp_path: Path, memory: Path
) -> None:
    steps = recorded("checkpoint", tmp_path)
    log = [step.offset for step in steps if isinstance(step, Wrote) and len(step.data) == 32]
    assert log.count(0) >= 2  # its header was written anew (sqlite.org/fileformat2.html, 4.1)
    disks = check(steps, memory, journal_goes_on, mixes=1, every=False, one_of=one_of)
    assert disks > 200 // one_of


def test_pairing(tmp_path: Path, memory: Path) -> None:
    steps = recorded("keys", tmp_path)
    assert check(steps, memory, handsets_are_still_paired) >= 10


@pytest.mark.parametrize(
    ("writer", "judge", "unsynced"),
    [
        ("starts", started_again, Synced),
        ("starts", started_again, FolderSynced),
        ("checkpoint", journal_goes_on, Synced),
        ("keys", handsets_are_still_paired, Synced),
        ("keys", handsets_are_still_paired, FolderSynced),
    ],
)
def test_a_program_that_did_not_sync_would_be_caught(
    tmp_path: Path, memory: Path, writer: str, judge: Judge, unsynced: type[Step]
) -> None:
    steps = [step for step in recorded(writer, tmp_path) if not isinstance(step, unsynced)]
    with pytest.raises(AssertionError, match="cut after"):
        check(steps, memory, judge, mixes=1, every=False)
