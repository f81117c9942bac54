"""Fuzz targets: command lines, and the journal that ``playclock journal`` is given.

The arguments of an input stand one in a line, as bytes of any kind: that is how they come from a
shell. Whatever they are, the command ends with one of its exit codes; a mistake has its reason on
standard error, and nothing is a traceback.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import re
import shutil
import sqlite3
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from unittest import mock

from controller import cli
from controller.commands import journal as journal_command
from controller.commands import ruling as ruling_command
from controller.commands import run as run_command
from controller.journal import file as journal_file
from controller.journal import format as journal_text
from controller.journal import reader as journal_reader
from controller.journal.file import COLUMNS, JournalFile, Origin
from controller.journal.row import Dated, Row
from tests.fuzz.guided import Target
from tests.fuzz.steps import step, steps

STARTED_AT = 1_789_000_000_000_000_000
ROWS = (
    Row(kind="note", game=0, play=0, event_number=None, received_at=1, event="started"),
    Row(
        kind="event",
        game=1,
        play=1,
        event_number=1,
        received_at=2,
        edge_at=1,
        handset=1,
        role="field",
        event="incomplete_pass",
        facts=("fourth_down", "cancelled"),
        ruling_seconds=40,
        starts_on="dead_ball",
        citation="Rule 1",
        commanded="40",
        boards='{"home": "40", "away": "40"}',
    ),
    Row(
        kind="refused",
        game=2,
        play=1,
        event_number=2,
        received_at=3,
        event="stop",
        reason="no count",
        boards="[40]",
        override="Made-up League",
    ),
)


def stream() -> io.TextIOWrapper:
    """Standard output as a terminal in UTF-8 gives it: some text cannot be printed there."""
    return io.TextIOWrapper(io.BytesIO(), "utf-8", errors="strict", write_through=True)


def ended(argv: Sequence[str], folder: Path) -> tuple[int, str, str]:
    """Run the command line in ``folder``: its exit code, output and errors. Starts no service."""
    out, err = stream(), stream()
    err.reconfigure(errors="backslashreplace")  # as Python itself sets it
    with (
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        contextlib.chdir(folder),
        mock.patch.dict(os.environ, {"XDG_STATE_HOME": str(folder), "COLUMNS": "80"}),
        mock.patch.object(run_command, "run", no_service),
    ):
        try:
            code = cli.main(argv)
        except SystemExit as end:
            assert isinstance(end.code, int), end
            code = end.code
    texts = [each.buffer.getvalue().decode("utf-8") for each in (out, err)]  # type: ignore[attr-defined]
    return code, texts[0], texts[1]


def no_service(args: argparse.Namespace) -> int:
    """In place of the service: the checks of its own that the command makes first."""
    try:
        run_command._check(args)
    except ValueError as error:
        assert str(error)
    return 0


def check_arguments(data: bytes, folder: Path) -> None:
    """One argument a line."""
    journal = folder / "playclock" / "journal.sqlite3"
    if not journal.exists():
        make_journal(journal)
    argv = [os.fsdecode(line) for line in data.replace(b"\0", b"").split(b"\n")]
    code, out, err = ended(argv, folder)
    assert code in (0, 1, 2), code
    if code == 2:
        assert out.startswith("usage: ") or re.match(r"(usage: |playclock )", err), err
    else:
        assert not err or "BROKEN" in out, err


def check_options(data: bytes, _: Path) -> None:
    """The values of the search options: a value in range, or a refusal that repeats the text."""
    text = os.fsdecode(data)
    for parse in (
        journal_command._game,
        journal_command._moment,
        journal_command._seconds,
        journal_command._head,
    ):
        try:
            value = parse(text)
        except argparse.ArgumentTypeError as error:
            assert str(error).startswith(f"{text!r}: must be "), error
            continue
        if isinstance(value, datetime):
            assert value.tzinfo is not None
            journal_reader.utc_text(value)
        elif isinstance(value, float):
            assert timedelta(0) <= timedelta(seconds=value) <= timedelta(days=366)
        elif isinstance(value, tuple):
            assert 0 <= value[0] < 2**63  # what SQLite holds
            bytes.fromhex(value[1] if len(value[1]) % 2 == 0 else value[1] + "0")


def make_journal(path: Path) -> None:
    """A journal of a few rows, closed."""
    file = JournalFile(path, Origin("boot", "1.0", "0123456789abcdef"))
    file.add([Dated(row, STARTED_AT + at * 10**9) for at, row in enumerate(ROWS)], True)
    file.connection.execute("PRAGMA journal_mode = DELETE")
    file.close()


BYTES, CELL, LOOSE, CUT = range(4)
VALUES = (
    None,
    0,
    -1,
    2**63 - 1,
    1.5,
    "",
    "x",
    b"",
    b"\xff",
    "0000-00-00",
    "9999-12-31T23:59:59.9Z",
)
COMMANDS = (
    ["journal", "j"],
    ["journal", "j", "--games"],
    ["journal", "j", "--verify"],
    ["journal", "j", "--csv", "--game", "all"],
    ["journal", "j", "--around", "2026-09-11 19:03:12", "--within", "9999999"],
)


def check_journal_file(data: bytes, folder: Path) -> None:
    """A journal with some bytes or cells changed by hand."""
    file, whole = folder / "j", folder / "whole"
    if not whole.exists():
        make_journal(whole)
    shutil.copyfile(whole, file)
    for kind, what in steps(data):
        change(file, kind, what)
    for argv in COMMANDS:
        code, _, err = ended(argv, folder)
        assert code in (0, 1, 2), code
        assert (code == 2) is bool(err), err
        assert not err or re.match(r"playclock journal: (j|--game)", err), err


def change(file: Path, kind: int, what: bytes) -> None:
    """Overwrite bytes, a cell (LOOSE: of a table that takes any type there), or cut the file."""
    if kind in (CELL, LOOSE) and len(what) >= 3:
        with contextlib.suppress(sqlite3.Error), contextlib.closing(sqlite3.connect(file)) as base:
            base.execute("PRAGMA synchronous = OFF")
            base.execute("DROP TRIGGER IF EXISTS journal_keeps_cells")
            if kind == LOOSE:
                base.execute("ALTER TABLE journal RENAME TO strict")
                base.execute(f"CREATE TABLE journal ({', '.join(COLUMNS)}, digest)")
                base.execute("INSERT INTO journal SELECT * FROM strict")
            names = (*COLUMNS, "digest")
            given = what[3:] if what[2] & 1 else what[3:].decode("utf-8", "replace")
            value = VALUES[what[2] % len(VALUES)] if what[2] < 128 else given
            query = f"UPDATE journal SET {names[what[0] % len(names)]} = ? WHERE seq = ?"
            base.execute(query, (value, what[1] % 4))
            base.commit()
    elif len(what) >= 2:
        content = bytearray(file.read_bytes())
        at = int.from_bytes(what[:2], "big")
        content[at : at + len(what) - 2] = what[2:] if kind == BYTES else b""
        file.write_bytes(content)


def _lines(*arguments: str) -> bytes:
    return "\n".join(arguments).encode()


ARGUMENTS = (
    _lines("ruling", "incomplete_pass", "--rules", "nfhs", "--fact", "fourth_down", "--json"),
    _lines("ruling", "foul", "touchdown", "--rules", "nfhs", "--season", "2026"),
    _lines("rules", "nfhs", "--season", "2019", "--against", "ncaa:2018", "--json"),
    _lines("journal", "--game", "all", "--csv"),
    _lines("journal", "--around", "2026-09-11 19:03:12+02:00", "--within", "1.5", "--game", "last"),
    _lines("journal", "playclock/journal.sqlite3", "--verify", "--head", "1:0123456789abcdef"),
    _lines("journal", "--games"),
    _lines("journal", "--game", "all"),
    _lines("journal", "--around", "2026-09-10T00:26:41Z"),
    _lines("run", "--config", "x.toml", "--no-boards", "--demo", "--plain", "--rules", "nfhs"),
    _lines("pair", "--key-file", "handsets.key", "--list", "--wait-s", "1"),
    _lines("--version"),
    _lines("--help"),
)

TARGETS = (
    Target(
        "arguments",
        check_arguments,
        (cli, journal_command, ruling_command, journal_text),
        ARGUMENTS,
        (b"\xff", b"\xed\xa0\x80", b"--", b"-h", b"=", b"0001-01-01", b"9999-12-31T23:59:59Z"),
        reaches=0.5,  # the rest of it is what to do when the output takes nothing
    ),
    Target(
        "options",
        check_options,
        (journal_command,),
        (b"last", b"17", b"2026-09-11 19:03:12+02:00", b"1.5", b"31622400", b"42:0123456789abcdef"),
        (b"0001-01-01", b"9999-12-31", b"T23:59:59.999999", b"-24:00", b"Z", b"inf", b"1e999"),
        reaches=0.15,
    ),
    Target(
        "journal-file",
        check_journal_file,
        (journal_reader, journal_text, journal_file, journal_command),
        tuple(
            b"".join(step(kind, bytes([at, at % 3 + 1, 5, 65])) for at in where)
            for kind, where in ((BYTES, (0, 1, 16)), (CELL, (1, 5, 9)), (LOOSE, (9,)), (CUT, (3,)))
        ),
    ),
)
