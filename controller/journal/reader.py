"""Reading a journal: its games, the rows of one or about a moment, and the check of its chain.

The file is opened read-only and may be written by a running service meanwhile.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from controller.journal.file import (
    COLUMNS_OF,
    GENESIS,
    NUMBER_COLUMNS,
    Cell,
    Head,
    JournalFileError,
    chained,
    check_file,
)
from controller.journal.head import compared, read_kept, read_runtime
from controller.journal.row import ROW_COLUMNS, Row

_GAMES = (
    "SELECT game, min(wall_time), max(wall_time), count(*), group_concat(DISTINCT rules_hash), "
    "group_concat(DISTINCT {}) FROM journal GROUP BY game ORDER BY game"
)
_OLD_NAMES = {"down": "play"}
"""How columns of older versions are called now."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the file. ``wall_time`` is UTC, ``wall_synchronised`` None where unknown."""

    seq: int
    wall_time: datetime
    wall_synchronised: bool | None
    boot_id: str
    row: Row
    software: str
    rules_hash: str
    digest: str
    """In hexadecimal."""
    game_kind: str = ""
    """Empty in a record of version 1, which does not say it."""


@dataclass(frozen=True, slots=True)
class Game:
    """A game in short. Game 0 holds what was journalled before the first game."""

    number: int
    first: datetime
    last: datetime
    rows: int
    rules_hash: str
    """More than one, with commas, if the rules changed during the game."""
    kinds: str = ""
    """As told; more than one, with commas, if a check or another kind went before."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What the walk along the chain found.

    ``rows`` is how many rows are good from the first on, ``head`` the last good one. ``problem``
    is empty for a whole chain, otherwise it says what is wrong with the row ``bad_seq``.
    """

    rows: int
    head: Head
    problem: str = ""
    bad_seq: int | None = None


class JournalReader:
    """A journal opened for reading; use it in a ``with`` statement.

    Raises :class:`JournalFileError`, which names the file, if it is missing, no journal, of a
    newer version or unreadable.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        if not path.is_file():
            raise JournalFileError(f"{path}: no such file")
        self._connection, self.version = _connect(path)
        self._columns = COLUMNS_OF[self.version]
        self._all = _selected(self.version)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._connection.close()

    def games(self) -> list[Game]:
        query = _GAMES.format("game_kind" if "game_kind" in self._columns else "NULL")
        return [
            Game(number, _moment(first), _moment(last), rows, _text(rules), _text(kinds))
            for number, first, last, rows, rules, kinds in self._select(query)
        ]

    def last_game(self) -> int | None:
        """The highest game number; None in an empty journal."""
        number: int | None = next(self._select("SELECT max(game) FROM journal"))[0]
        return number

    def entries(self, game: int | None = None) -> Iterator[Entry]:
        """The rows of one game, or all of them, in the order of writing."""
        where = "" if game is None else "WHERE game = ?"
        return self._entries(where, () if game is None else (game,))

    def around(
        self, moment: datetime, within: timedelta, game: int | None = None
    ) -> Iterator[Entry]:
        """The rows whose wall time is at most ``within`` before or after ``moment``."""
        spell: tuple[Cell, ...] = (utc_text(moment - within), utc_text(moment + within))
        where = "WHERE wall_time BETWEEN ? AND ?"
        if game is None:
            return self._entries(where, spell)
        return self._entries(f"{where} AND game = ?", (*spell, game))

    def kept_heads(self, runtime: Path | None = None) -> tuple[Head, ...]:
        """The heads kept beside the journal and in ``runtime``, a file of tmpfs, for
        :meth:`verify`; none where none is kept. Ask before the rows: a service may write them
        meanwhile. Raises :class:`JournalFileError`."""
        try:
            kept = [read_kept(self._path)]
            if runtime is not None:
                kept.append(read_runtime(self._path, runtime))
        except (ValueError, OSError) as error:
            raise JournalFileError(str(error)) from error
        return tuple(head for head in kept if head is not None)

    def verify(self, *noted: Head) -> Verification:
        """Walk the chain; stop at the first bad row.

        Rows cut off at the end leave a whole chain: only heads ``noted`` earlier (their digests may
        be shortened) show that.
        """
        before, good = GENESIS, 0
        found = dict.fromkeys((seq for seq, _ in noted), "")
        for seq, *rest, stored in self._select(f"SELECT {self._all} FROM journal ORDER BY seq"):
            problem = ""
            if seq != good + 1:
                problem = _misplaced(good + 1, seq)
            elif chained(before, (seq, *rest)) != stored:
                problem = self._explain(seq, before, stored)
            if problem:
                return Verification(good, _head(good, before), problem, good + 1)
            before, good = stored, seq
            if seq in found:
                found[seq] = before.hex()
        verdict = Verification(good, _head(good, before))
        for head in noted:
            if problem := compared(head, good, found[head[0]]):
                return Verification(good, verdict.head, problem, min(head[0], good + 1))
        return verdict

    def _explain(self, seq: int, before: bytes, stored: bytes) -> str:
        """Why row ``seq`` breaks the chain: is the row that belongs there somewhere else?"""
        later = f"SELECT {self._all} FROM journal WHERE seq > ? ORDER BY seq"
        for other, *rest, digest in self._select(later, (seq,)):
            if chained(before, (seq, *rest)) in (digest, stored):
                return (
                    f"row {seq} is in the wrong order: the row that was written here now stands "
                    f"at {other} (rows exchanged, or one put in between)"
                )
        return f"row {seq} is altered: its content does not give its digest"

    def _entries(self, where: str, arguments: tuple[Cell, ...]) -> Iterator[Entry]:
        query = f"SELECT {self._all} FROM journal {where} ORDER BY seq"
        return (_entry(self._columns, cells) for cells in self._select(query, arguments))

    def _select(self, query: str, arguments: tuple[Cell, ...] = ()) -> Iterator[tuple[Any, ...]]:
        try:
            # Not the cursor itself: an abandoned generator would close it after its connection.
            yield from iter(self._connection.execute(query, arguments).fetchone, None)
        except sqlite3.Error as error:
            raise JournalFileError(f"{self._path}: {error}") from error


def _selected(version: int) -> str:
    return ", ".join((*COLUMNS_OF[version], "digest"))


def _connect(path: Path) -> tuple[sqlite3.Connection, int]:
    """The open file and the version of its table."""
    uri = f"{path.resolve().as_uri()}?mode=ro"
    try:
        try:
            return _checked(sqlite3.connect(uri, uri=True), path)
        except sqlite3.OperationalError:
            # A reader who may not write beside the file cannot make the shared index that WAL
            # wants. With no log beside it nobody is writing, and the file alone is the whole.
            if path.with_name(path.name + "-wal").exists():
                raise
            return _checked(sqlite3.connect(f"{uri}&immutable=1", uri=True), path)
    except sqlite3.Error as error:
        raise JournalFileError(f"{path}: {error}") from error


def _checked(connection: sqlite3.Connection, path: Path) -> tuple[sqlite3.Connection, int]:
    # Undecodable text is a row altered by hand: to be shown as such, not to end the reading.
    connection.text_factory = lambda raw: raw.decode(errors="backslashreplace")
    try:
        version = check_file(connection, path)
        if not version:
            raise JournalFileError(f"{path}: an empty file, not a journal")
        connection.execute(f"SELECT {_selected(version)} FROM journal LIMIT 1").fetchone()
    except BaseException:
        connection.close()
        raise
    return connection, version


def _misplaced(expected: int, seq: Any) -> str:
    if not isinstance(seq, int):
        return f"row {expected} is altered: it has no whole number"
    return _missing(expected, seq - 1)


def _missing(first: int, last: int) -> str:
    if last < first:
        return f"row {first} is in the wrong order: it follows itself"
    return f"row {first} is missing" if first == last else f"rows {first} to {last} are missing"


def _head(seq: int, digest: bytes) -> Head:
    return (seq, digest.hex()) if seq else (0, "")


def _moment(cell: Any) -> datetime:
    try:
        return datetime.fromisoformat(_text(cell))
    except ValueError:  # altered by hand; verify names the row
        return datetime.min.replace(tzinfo=UTC)


def utc_text(moment: datetime) -> str:
    """The moment as the journal writes it; text order is time order."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _entry(columns: tuple[str, ...], cells: tuple[Any, ...]) -> Entry:
    *cells_in_chain, digest = cells
    present = (_OLD_NAMES.get(name, name) for name in columns)
    named = dict(zip(present, cells_in_chain, strict=True))
    row: dict[str, Any] = {
        name: named[name] if name in NUMBER_COLUMNS else _text(named[name])
        for name in ROW_COLUMNS
        if name in named
    }
    row["facts"] = tuple(row["facts"].split(", ")) if row["facts"] else ()
    synchronised = named["wall_synchronised"]
    return Entry(
        named["seq"],
        _moment(named["wall_time"]),
        None if synchronised is None else bool(synchronised),
        _text(named["boot_id"]),
        Row(**row),
        _text(named["software"]),
        _text(named["rules_hash"]),
        digest.hex() if isinstance(digest, bytes) else _text(digest),
        _text(named.get("game_kind")),
    )


def _text(cell: Any) -> str:
    """A cell of text; of a file altered by hand, which may hold anything there, its like."""
    return cell if isinstance(cell, str) else "" if cell is None else str(cell)
