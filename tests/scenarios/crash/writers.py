"""Programs whose writing is recorded: ``python -m tests.scenarios.crash.writers NAME FOLDER``.

Each begins when it reads a line, works with the service's own classes in the folder, which is
there already, and says on its standard output whatever somebody outside may rely on from then on.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

from controller.journal.writer import Journal
from controller.recovery.recovery import Recovery
from drivers.handset.key_change import KeyChange
from drivers.handset.keys import Keys
from tests.controller.journal_rows import row

BOOT = "boot-a"
PAIRED = tuple(Keys(bytes([0xF0 + n] * 16), {1: bytes([n] * 16)}) for n in (1, 2, 3))
"""The keys written one after the other."""


def say(text: str) -> None:
    """One line in one call."""
    os.write(sys.stdout.fileno(), f"{text}\n".encode())


class Writer:
    """A journal that is told to write at once, and says how far it is."""

    def __init__(self, folder: Path, last: int = 0) -> None:
        self._last = last
        self._journal = Journal(
            folder / "journal.sqlite3",
            software="0.1.0",
            rules_hash="rules-1",
            on_fault=print,
            synchronised=lambda: True,
            boot_id=BOOT,
            wait=lambda _: None,
        )
        self._journal.start()
        assert self._journal.opening(10) is not None

    def write(self, rows: int, detail: str = "") -> None:
        """Rows in one transaction, or in a few if the thread is quick; then say the last one."""
        for _ in range(rows):
            self._last += 1
            self._journal.append(row(self._last, detail=detail))
        while self._journal.journalled < self._last:
            time.sleep(0.001)
        say(f"journalled {self._last}")

    def close(self) -> int:
        assert self._journal.close(10)
        return self._last


def starts(folder: Path) -> None:
    """Three starts of a service: two are ended in order, of the last one the power goes."""
    last = 0
    for start in range(3):
        continuity = Recovery(
            folder.with_name("runtime"),
            folder,
            boot_id=BOOT,
            software="0.1.0",
            rules_hash="rules-1",
            now=start,
        )
        continuity.begin()
        say("open")
        writer = Writer(folder, last)
        for rows in (1, 1, 3):
            writer.write(rows)
        if start == 2:
            break
        last = writer.close()
        say("closing")  # the boards are dark by now
        continuity.close(in_order=True)


def checkpoint(folder: Path) -> None:
    """Rows of a page each until SQLite has moved its log into the file and begun it anew: that
    happens after 1,000 pages (sqlite.org/wal.html, "Automatic Checkpoint")."""
    writer = Writer(folder)
    for rows in (300, 300, 300, 60, 60, 1, 1, 1, 40, 1):
        writer.write(rows, detail="x" * 3000)


def keys(folder: Path) -> None:
    """Three pairings."""
    for number, paired in enumerate(PAIRED):
        with KeyChange(folder / "handsets.keys") as change:
            change.prepare(paired)
            change.commit()
        say(f"paired {number}")


WRITERS: dict[str, Callable[[Path], None]] = {
    each.__name__: each for each in (starts, checkpoint, keys)
}

if __name__ == "__main__":
    say("ready")
    sys.stdin.readline()
    WRITERS[sys.argv[1]](Path(sys.argv[2]))
    sys.stdout.flush()
    os._exit(0)  # as they are: closing in order is not what this is about
