"""The journal's file: one SQLite table, append-only, its rows chained by digest.

Triggers refuse UPDATE and DELETE. Who drops the triggers still leaves a broken chain: each row
carries a digest of itself and of the row before. To check it without this program::

    digest = b"play clock journal 1"
    for *cells, stored in sqlite3.connect(file).execute("SELECT * FROM journal ORDER BY seq"):
        texts = [None if cell is None else str(cell).encode() for cell in cells]
        parts = [b"-" if text is None else b"%d:%b," % (len(text), text) for text in texts]
        digest = hashlib.sha256(digest + b"".join(parts)).digest()
        assert digest == stored

That is: SHA-256 over the digest before (for the first row the genesis string) and over every column
but the digest, in the table's order, as a netstring (length in bytes, colon, text in UTF-8, comma),
NULL as one hyphen. Rows cut off at the end cannot be seen in the file alone: :mod:`head` keeps the
newest digest elsewhere.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from controller.journal.row import ROW_COLUMNS, Dated, Row, cells_of

if TYPE_CHECKING:
    import sqlite3

GENESIS = b"play clock journal 1"
APPLICATION_ID = 0x504C4B4A
"""Marks the file as ours (``PRAGMA application_id``)."""
SCHEMA = 2
"""Version of the table (``PRAGMA user_version``). A file of an older one is read, never written."""
NOT_TOLD = "not told"
"""The kind of a game whose kind nobody has said."""
GAME_KINDS = ("varsity", "lower", "scrimmage", "practice")
"""What a crew may say of its game; ``lower`` is any level below varsity."""
CHECK = "check"
"""The kind of what the program itself does before a game."""
BUSY_S = 0.1
"""How long one attempt waits for another program's lock."""

Cell = str | int | None
Head = tuple[int, str]
"""The newest row: its number and its digest in hexadecimal; (0, "") in an empty journal."""


class JournalFileError(Exception):
    """The file is not a journal that this program can use; the message names the file and why."""


_DATED = ("seq", "wall_time", "wall_synchronised", "boot_id")
COLUMNS = (*_DATED, *ROW_COLUMNS, "software", "rules_hash", "game_kind")
"""The columns that the digest covers, in its order and in the table's; the digest comes last."""

_COLUMNS_1 = (
    *(*_DATED, "kind", "game", "down", "event_number", "received_at", "edge_at", "handset", "role"),
    *("event", "facts", "assumed", "result", "reason", "phase_before", "phase_after"),
    *("ruling_seconds", "starts_on", "citation", "override", "commanded", "boards", "detail"),
    *("software", "rules_hash"),
)
"""The same of version 1, which called the play's number ``down``."""
COLUMNS_OF = {1: _COLUMNS_1, SCHEMA: COLUMNS}
"""The columns of every version that can be read."""

_NUMBERS = {"seq", "game", "play", "received_at"}
_NUMBERS_OR_NULL = {
    *("wall_synchronised", "event_number", "edge_at", "gesture", "handset", "keeper", "left_s"),
    *("ruling_seconds", "gave_way_after_ms", "takes_back"),
    *("answers_asked", "answers_right", "answers_wrong", "answers_silent"),
}
NUMBER_COLUMNS = frozenset(_NUMBERS | _NUMBERS_OR_NULL)
"""The columns that hold whole numbers; the others hold text."""


def _definition(column: str) -> str:
    if column == "seq":
        return "seq INTEGER PRIMARY KEY"
    if column in _NUMBERS_OR_NULL:
        return f"{column} INTEGER"
    return f"{column} {'INTEGER' if column in _NUMBERS else 'TEXT'} NOT NULL"


_CREATE = (
    f"CREATE TABLE journal ({', '.join(map(_definition, COLUMNS))}, digest BLOB NOT NULL, "
    "UNIQUE (boot_id, event_number)) STRICT",
    "CREATE TRIGGER journal_keeps_rows BEFORE DELETE ON journal "
    "BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END",
    "CREATE TRIGGER journal_keeps_cells BEFORE UPDATE ON journal "
    "BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END",
    f"PRAGMA application_id = {APPLICATION_ID}",
    f"PRAGMA user_version = {SCHEMA}",
)
_INSERT = (
    f"INSERT INTO journal ({', '.join(COLUMNS)}, digest) "
    f"VALUES ({', '.join('?' * (len(COLUMNS) + 1))}) "
    "ON CONFLICT (boot_id, event_number) DO NOTHING"
)
_IS_SAME_EVENT = (
    "SELECT kind = ? AND event = ? AND received_at = ? FROM journal "
    "WHERE boot_id = ? AND event_number = ?"
)
_NEWEST = "SELECT seq, digest FROM journal ORDER BY seq DESC LIMIT 1"
_DIGEST = "SELECT hex(digest) FROM journal WHERE seq = ?"
_LAST_EVENT = (
    "SELECT game, play FROM journal WHERE event_number IS NOT NULL ORDER BY seq DESC LIMIT 1"
)
_LAST_NUMBER = "SELECT max(event_number) FROM journal WHERE boot_id = ?"
_LAST_PRESS = (
    "SELECT wall_time FROM journal WHERE kind = 'press' AND game_kind <> 'check' "
    "ORDER BY seq DESC LIMIT 1"
)
_FACTS = COLUMNS.index("facts")


def chained(before: bytes, cells: Iterable[Cell]) -> bytes:
    """The digest of a row: ``before`` is the digest of the row before, or ``GENESIS``."""
    from hashlib import sha256  # noqa: PLC0415 - loads OpenSSL: in the journal's thread

    parts = [before]
    for cell in cells:
        if cell is None:
            parts.append(b"-")
        else:
            text = str(cell).encode()
            parts.append(b"%d:%b," % (len(text), text))
    return sha256(b"".join(parts)).digest()


def check_file(connection: sqlite3.Connection, path: Path) -> int:
    """The version of a journal, 0 for an empty file; raises :class:`JournalFileError` for any
    other file and for a version that this program does not know."""
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (objects,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION_ID:
        if application or version or objects:
            raise JournalFileError(f"{path}: not a journal but another program's database")
        return 0
    if version not in COLUMNS_OF:
        whose = "a newer" if version > SCHEMA else "another"
        raise JournalFileError(
            f"{path}: journal version {version}, from {whose} program; this one reads 1 to {SCHEMA}"
        )
    return int(version)


@dataclass(frozen=True, slots=True)
class Opening:
    """Where the journal stands when it is opened, to go on from there.

    ``game`` and ``play`` are those of its last event, ``event_number`` the highest of this boot;
    each is 0 where there is none. ``last_press_s`` is the wall time, in seconds since 1970 UTC, of
    the last press of a game, None where there is none.
    """

    game: int
    play: int
    event_number: int
    head: Head
    last_press_s: float | None = None


@dataclass(frozen=True, slots=True)
class Origin:
    """What every row of one run shares."""

    boot_id: str
    software: str
    rules_hash: str
    game_kind: str = NOT_TOLD


class JournalFile:
    """The open file. Belongs to the thread that made it; any error means: close, open again."""

    def __init__(self, path: Path, origin: Origin) -> None:
        import sqlite3  # noqa: PLC0415 - in the journal's thread, after the boards are lit

        self._path = path
        self._origin = origin
        self._row_errors = (sqlite3.IntegrityError, sqlite3.DataError, sqlite3.ProgrammingError)
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        if path.exists() and not os.access(path, os.W_OK, effective_ids=True):
            # Before SQLite leaves a log with the same rights, which would outlast the cure.
            raise JournalFileError(f"{path}: read-only for this user")
        self.connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        try:
            self._prepare()
        except BaseException:
            self.connection.close()
            raise
        status = path.stat()
        self._identity = (status.st_dev, status.st_ino)

    def _prepare(self) -> None:
        known = check_file(self.connection, self._path)
        if 0 < known < SCHEMA:
            raise JournalFileError(
                f"move it away, and a new one begins: {self._path} is of an older program "
                f"(version {known}), read but not written on"
            )
        self.connection.execute("PRAGMA cache_size = -256")  # KiB; the default takes 2 MiB
        self.connection.execute("PRAGMA journal_mode = WAL")
        # FULL syncs at each commit; NORMAL loses the last second of rows with the power.
        self.connection.execute("PRAGMA synchronous = FULL")
        if known:
            return
        with self._transaction():
            if not check_file(self.connection, self._path):
                for statement in _CREATE:
                    self.connection.execute(statement)

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self.connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self.connection.rollback()
            raise
        self.connection.execute("COMMIT")

    def close(self) -> None:
        self.connection.close()

    def opening(self) -> Opening:
        """Where to go on from."""
        game, play = self.connection.execute(_LAST_EVENT).fetchone() or (0, 0)
        (number,) = self.connection.execute(_LAST_NUMBER, (self._origin.boot_id,)).fetchone()
        last = self.connection.execute(_LAST_PRESS).fetchone()
        last_s = datetime.fromisoformat(last[0]).timestamp() if last else None
        return Opening(game, play, number or 0, self._head(), last_s)

    def digest_of(self, seq: int) -> str:
        """The digest of a row in hexadecimal; empty where there is none."""
        found = self.connection.execute(_DIGEST, (seq,)).fetchone()
        return str(found[0]).lower() if found else ""

    def add(self, rows: Sequence[Dated], wall_synchronised: bool | None) -> Head:
        """Write the rows in one transaction; on return they are on the disk. Gives the head."""
        status = self._path.stat()
        if (status.st_dev, status.st_ino) != self._identity:
            raise JournalFileError(f"{self._path}: another file has taken the journal's place")
        with self._transaction():
            seq, before = self._newest()  # from the file: right after any error or other writer
            for dated in rows:
                digest = self._add_any(seq + 1, before, dated, wall_synchronised)
                if digest is not None:
                    seq, before = seq + 1, digest
        return (seq, before.hex())

    def _add_any(
        self, seq: int, before: bytes, dated: Dated, wall_synchronised: bool | None
    ) -> bytes | None:
        """Write one row, whatever is wrong with it; None if it was there already."""
        row = dated.row
        try:
            digest = self._add(seq, before, dated, wall_synchronised)
            if digest is not None or self._is_same_event(row):
                return digest
            flaw = f"event number {row.event_number} is another event's"
            spare = replace(row, event_number=None, detail=f"{flaw}. {row.detail}")
        except (TypeError, ValueError, OverflowError, *self._row_errors) as error:
            # One row that SQLite cannot hold must not keep all later rows from the disk.
            detail = f"{error}: {row!a}"[:4000]
            spare = Row(
                kind="fault",
                game=0,
                play=0,
                event_number=None,
                received_at=0,
                event="row not writable",
                detail=detail,
            )
        return self._add(seq, before, Dated(spare, dated.wall_ns), wall_synchronised)

    def _add(
        self, seq: int, before: bytes, dated: Dated, wall_synchronised: bool | None
    ) -> bytes | None:
        origin = self._origin
        cells: list[Cell] = [
            seq,
            _wall_text(dated.wall_ns),
            None if wall_synchronised is None else int(wall_synchronised),
            origin.boot_id,
            *cells_of(dated.row),
            origin.software,
            origin.rules_hash,
            origin.game_kind,
        ]
        cells[_FACTS] = ", ".join(dated.row.facts)
        digest = chained(before, cells)
        added = self.connection.execute(_INSERT, (*cells, digest)).rowcount
        return digest if added else None

    def _is_same_event(self, row: Row) -> bool:
        told = (row.kind, row.event, row.received_at, self._origin.boot_id, row.event_number)
        (same,) = self.connection.execute(_IS_SAME_EVENT, told).fetchone()
        return bool(same)

    def _newest(self) -> tuple[int, bytes]:
        newest: tuple[int, bytes] | None = self.connection.execute(_NEWEST).fetchone()
        return newest or (0, GENESIS)

    def _head(self) -> Head:
        seq, digest = self._newest()
        return (seq, digest.hex()) if seq else (0, "")


def _wall_text(wall_ns: int) -> str:
    """UTC in ISO 8601 with microseconds, always of one length, so that text order is time order."""
    seconds, rest_ns = divmod(wall_ns, 1_000_000_000)
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(seconds)) + f".{rest_ns // 1000:06d}Z"
