"""A disk whose power is cut: what may be found on it afterwards.

The model takes what a program asked of a file system and promises only what POSIX does: a file's
data is there once ``fsync`` or ``fdatasync`` of the file has returned, a name (made, moved, taken
away) once ``fsync`` of its folder has. Of everything else any part may have reached the disk, in
any order: each change of a name or a length wholly or not at all, each write sector by sector, and
a longer file may hold zeros where its new data should be. It does not model a disk that says
"synced" and is lying, or that spoils sectors nobody wrote.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import NamedTuple

SECTOR_BYTES = 512
Contents = Mapping[str, bytes]
"""The files of a folder by their names relative to it."""


class File:
    """One file, whatever its names are."""


class Wrote(NamedTuple):
    """Bytes written at an offset."""

    file: File
    offset: int
    data: bytes


class Resized(NamedTuple):
    """A file cut or lengthened."""

    file: File
    length: int


class Synced(NamedTuple):
    """All data of a file forced to the disk."""

    file: File


class Named(NamedTuple):
    """A name in the folder leads to ``file`` from now on, or to nothing; ``was`` is the name that
    it had before, when it was moved."""

    name: str
    file: File | None
    was: str = ""


class FolderSynced(NamedTuple):
    """All names of a folder (relative; "" is the top) forced to the disk."""

    folder: str


class Said(NamedTuple):
    """The program told somebody outside, who may rely on it from now on."""

    text: str


Step = Wrote | Resized | Synced | Named | FolderSynced | Said
Choice = Callable[[int], "Fate"]


class Fate(NamedTuple):
    """What becomes of a step that was not forced to the disk."""

    kind: str
    seed: int = 0


KINDS = ("lost", "kept", "torn", "zeros")
LOST, KEPT, ZEROS = Fate("lost"), Fate("kept"), Fate("zeros")


def pending(steps: Sequence[Step]) -> list[int]:
    """Which of these steps nothing has forced to the disk."""
    synced: set[File] = set()
    folders: set[str] = set()
    found = []
    for place in range(len(steps) - 1, -1, -1):
        match steps[place]:
            case Synced(file):
                synced.add(file)
            case FolderSynced(folder):
                folders.add(folder)
            case Wrote(file) | Resized(file):
                if file not in synced:
                    found.append(place)
            case Named(name):
                if name.rpartition("/")[0] not in folders:
                    found.append(place)
    return found[::-1]


def left(steps: Sequence[Step], choose: Choice) -> dict[str, bytes]:
    """The files that are found if each pending step has the fate that is chosen for it."""
    loose = set(pending(steps))
    data: dict[File, bytearray] = {}
    names: dict[str, File] = {}
    for place, step in enumerate(steps):
        fate = choose(place) if place in loose else KEPT
        if fate.kind == "lost":
            continue
        match step:
            case Wrote(file, offset, written):
                _write(data.setdefault(file, bytearray()), offset, written, fate)
            case Resized(file, length):
                content = data.setdefault(file, bytearray())
                del content[length:]
                content.extend(bytes(length - len(content)))
            case Named(name, file, was):
                if was and names.get(was) is file:
                    del names[was]
                if file is None:
                    names.pop(name, None)
                else:
                    names[name] = file
    return {name: bytes(data.get(file, b"")) for name, file in names.items()}


def _write(content: bytearray, offset: int, written: bytes, fate: Fate) -> None:
    old = len(content)
    content.extend(bytes(max(0, offset + len(written) - old)))
    if fate.kind == "kept":
        content[offset : offset + len(written)] = written
    elif fate.kind == "torn":
        dice = random.Random(fate.seed)
        place = offset
        while place < offset + len(written):
            end = min(place - place % SECTOR_BYTES + SECTOR_BYTES, offset + len(written))
            if dice.random() < 0.5:
                content[place:end] = written[place - offset : end - offset]
            place = end


def cuts(steps: Sequence[Step], seed: int, mixes: int, singly: int) -> Iterator[dict[str, bytes]]:
    """What may be found if the power goes after the last of these steps.

    Nothing pending is kept, or all; each of the last ``singly`` pending steps alone is lost, torn,
    or kept; and ``mixes`` random ones.
    """
    loose = pending(steps)
    dice = random.Random(f"{seed} {len(steps)}")
    yield left(steps, lambda _: LOST)
    yield left(steps, lambda _: KEPT)
    for one in loose[-singly:]:
        yield left(steps, lambda place, one=one: LOST if place == one else KEPT)  # type: ignore[misc]
        yield left(steps, lambda place, one=one: KEPT if place == one else LOST)  # type: ignore[misc]
        torn = Fate("torn", dice.getrandbits(32))
        yield left(steps, lambda place, one=one, torn=torn: torn if place == one else KEPT)  # type: ignore[misc]
    for _ in range(mixes if loose else 0):
        fates = {place: Fate(KINDS[dice.randrange(4)], dice.getrandbits(32)) for place in loose}
        yield left(steps, fates.__getitem__)
