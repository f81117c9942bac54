"""The journal's head: the number and the digest of its newest row, said, noted and kept.

Rows cut off at the end leave a whole chain; only a head known from elsewhere shows them. So it is
said in a short form for the game's paper sheet, and kept in a file beside the journal and in one
that goes with the power. Both are written after the rows are on the disk, so neither is ever ahead
of the journal, and what they say is compared when the journal is opened the next time.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable
from pathlib import Path

from controller.journal.file import Head
from drivers.whole_file import replace_file

SHORT_DIGITS, GROUP = 16, 4
"""64 bits: to make up a journal that ends in the same digits takes some 10 ** 19 attempts."""
SUFFIX = ".head"
RUNTIME_HEAD = "head"
"""The file of the runtime folder that has it."""
S_NS = 1_000_000_000
KEPT_EVERY_NS = 60 * S_NS
"""At most so often the head goes to the disk, for a card wears with each write."""
LONGEST = 4_500
"""Bytes of the file that goes with the power: a path has at most 4,096 (limits.h, PATH_MAX)."""
_HEAD = re.compile(r"([0-9]{1,18}):([0-9a-fA-F]{8,64})")


def short(head: Head) -> str:
    """The head to be read aloud and written down: ``1234:7f3a-91c2-0d4e-88b1``; empty for an empty
    journal."""
    seq, digest = head
    starts = range(0, SHORT_DIGITS, GROUP)
    return f"{seq}:{'-'.join(digest[at : at + GROUP] for at in starts)}" if seq else ""


def read_head(text: str) -> Head:
    """The head that ``text`` says, in the short form or with more digits, as somebody wrote it
    down: hyphens, spaces and capitals make no difference. Raises ``ValueError``."""
    found = _HEAD.fullmatch(re.sub(r"[\s-]", "", text))
    if found is None:
        raise ValueError(
            f"{text!r}: must be a row's number, a colon and 8 to 64 hexadecimal digits"
        )
    return int(found[1]), found[2].lower()


def compared(noted: Head, end: int, found: str) -> str:
    """What is wrong with a journal that ends at row ``end`` when ``noted`` was its head once, in
    plain words; empty if nothing is. ``found`` is the digest of the row that was noted."""
    seq, digest = noted
    if seq > end:
        return f"the journal ends at row {end}, but row {seq} was noted: rows cut off"
    if not found.startswith(digest):
        return f"row {seq} has the digest {found}, but {digest} was noted: rewritten up to there"
    return ""


def kept_beside(journal: Path) -> Path:
    """Where the head of a journal is kept on the disk."""
    return journal.with_name(journal.name.removesuffix(".sqlite3") + SUFFIX)


def read_kept(journal: Path) -> Head | None:
    """The head kept beside a journal, None where there is none. Raises ``ValueError``, which names
    the file, when it holds something else, and ``OSError``."""
    path = kept_beside(journal)
    if not path.is_file():  # a pipe would be waited for
        return None
    text = path.read_bytes()[:LONGEST].decode("ascii", "replace")
    try:
        return read_head(text)
    except ValueError as error:
        raise ValueError(f"{path}: {error}") from None


def read_runtime(journal: Path, runtime: Path) -> Head | None:
    """What the run before in this boot left in ``runtime``, if it was of ``journal``. Raises
    ``OSError``."""
    if not runtime.is_file():
        return None
    said, _, rest = runtime.read_bytes()[:LONGEST].partition(b" ")
    with contextlib.suppress(ValueError):  # half a line: a death in the middle of writing it
        if b" " + rest == _of(journal):
            return read_head(said.decode("ascii", "replace"))
    return None


def _of(journal: Path) -> bytes:
    return f" {journal.absolute()}\n".encode(errors="surrogateescape")


class HeadKeeper:
    """Keeps the head of ``journal``: beside it, and in ``runtime``, a file of tmpfs, if there is
    one. Belongs to the journal's thread; no error of it is the journal's business."""

    def __init__(self, journal: Path, runtime: Path | None = None) -> None:
        self._journal, self._runtime = journal, runtime
        self._line = _of(journal)
        self._fd: int | None = None
        self._head: Head = (0, "")
        self._on_disk: Head = (0, "")
        self._due_at = 0
        self.left: Head | None = None
        """The head that the journal had and has no more, where :meth:`doubt` found one."""

    def doubt(self, end: int, digest_of: Callable[[int], str]) -> str:
        """Why a journal that ends at row ``end`` is not the one whose head was kept, in plain
        words; empty when it is, or when no head is kept. ``digest_of`` gives a row's digest."""
        try:
            kept = [read_kept(self._journal)]
            if self._runtime is not None:
                kept.insert(0, read_runtime(self._journal, self._runtime))
        except (ValueError, OSError) as error:
            return f"the head kept of it cannot be read: {error}"
        for head in kept:
            if head is not None and (said := compared(head, end, digest_of(head[0]))):
                self.left = head
                return said
        return ""

    def keep(self, head: Head) -> None:
        """Rows up to ``head`` are on the disk: note it where that costs nothing."""
        self._head = head
        if self._runtime is not None:
            with contextlib.suppress(OSError):
                if self._fd is None:
                    flags = os.O_WRONLY | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
                    self._fd = os.open(self._runtime, flags, 0o600)
                seq, digest = head
                line = f"{seq}:{digest}".encode() + self._line
                os.pwrite(self._fd, line, 0)
                os.ftruncate(self._fd, len(line))

    def due_s(self, now: int) -> float | None:
        """In how many seconds the head must go to the disk; None while what is there is right."""
        if self._head == self._on_disk:
            return None
        return max(0, self._due_at - now) / S_NS

    def put_on_disk(self, now: int) -> None:
        """Write the head beside the journal, if it is not there yet."""
        if self._head == self._on_disk:
            return
        self._due_at = now + KEPT_EVERY_NS
        seq, digest = self._head
        with contextlib.suppress(OSError):  # tried again when it is due
            line = f"{seq}:{digest}\n".encode()
            replace_file(kept_beside(self._journal), line, mode=0o644)
            self._on_disk = self._head

    def close(self) -> None:
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None
