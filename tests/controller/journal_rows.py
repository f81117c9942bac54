"""What the journal's tests share: rows, a written journal, and the rights of an ordinary user."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from controller.journal.file import JournalFile, Origin
from controller.journal.row import Dated, Row

ORIGIN = Origin("boot-a", "0.1.0", "rules-1")
KICKOFF_NS = 1_789_167_792_400_000_000
"""2026-09-11 23:03:12.4 UTC."""
NOBODY = 65534


def row(number: int | None, **changes: Any) -> Row:
    """The ``number``-th event of game 1, one a second."""
    usual: dict[str, Any] = {
        "kind": "press",
        "game": 1,
        "play": number or 0,
        "event_number": number,
        "received_at": (number or 0) * 1_000_000_000,
        "event": "play ended",
    }
    return Row(**(usual | changes))


def write(path: Path, rows: Iterable[Row], origin: Origin = ORIGIN) -> None:
    """Journal the rows in one transaction, dated a second apart."""
    dated = [Dated(one, KICKOFF_NS + at * 1_000_000_000) for at, one in enumerate(rows)]
    with contextlib.closing(JournalFile(path, origin)) as file:
        file.add(dated, True)


def sql(path: Path, *statements: str) -> list[tuple[Any, ...]]:
    """Run the statements on the file as any other program would; what the last one found."""
    found: list[tuple[Any, ...]] = []
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        for statement in statements:
            found = connection.execute(statement).fetchall()
    return found


@contextlib.contextmanager
def ordinary_user() -> Iterator[None]:
    """Root may write everywhere: for tests of a refusal, be nobody meanwhile."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
