"""What the journal's tests share: rows, a written journal, and the rights of an ordinary user."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from controller.journal.file import APPLICATION_ID, COLUMNS_OF, GENESIS, JournalFile, Origin
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


def write(path: Path, rows: Iterable[Row], origin: Origin = ORIGIN, step_s: int = 1) -> None:
    """Journal the rows in one transaction, dated ``step_s`` apart."""
    dated = [Dated(one, KICKOFF_NS + at * step_s * 1_000_000_000) for at, one in enumerate(rows)]
    with contextlib.closing(JournalFile(path, origin)) as file:
        file.add(dated, True)


def write_version_1(path: Path, rows: int) -> None:
    """A journal as version 1 had it, put together by the recipe of its page."""
    numbers = ("seq", "game", "down", "received_at", "event_number", "edge_at", "handset")
    table = ", ".join(
        f"{name} INTEGER" if name in (*numbers, "ruling_seconds") else f"{name} TEXT"
        for name in COLUMNS_OF[1]
    )
    digest = GENESIS
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"CREATE TABLE journal ({table}, digest BLOB)")
        for seq in range(1, rows + 1):
            at = f"2025-09-11T23:03:{seq:02d}.000000Z"
            told = ("press", 1, seq + 40, seq, seq, None, 1, "keeper", "ready for play")
            rest = ("", "", "running", "", "SET", "RUNNING", 25, "ready", "a rule", "", "25", "")
            cells = (seq, at, 1, "boot-a", *told, *rest, "", "0.1.0", "rules-1")
            texts = [None if cell is None else str(cell).encode() for cell in cells]
            parts = [b"-" if text is None else b"%d:%b," % (len(text), text) for text in texts]
            digest = hashlib.sha256(digest + b"".join(parts)).digest()
            marks = ", ".join("?" * (len(cells) + 1))
            connection.execute(f"INSERT INTO journal VALUES ({marks})", (*cells, digest))
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("PRAGMA user_version = 1")


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
