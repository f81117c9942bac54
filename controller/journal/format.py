"""How a row of the journal is shown: as one line for people, as CSV for programs."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from dataclasses import fields
from typing import Any, TextIO

from controller.journal.file import COLUMNS, Cell
from controller.journal.reader import Entry, utc_text
from controller.journal.row import ROW_COLUMNS, Row

LINE_WIDTH = 100

_COLUMNS = (*COLUMNS, "digest")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # OWASP, "CSV Injection"


def line(entry: Entry) -> str:
    """The row as one line of at most 100 columns: local wall time, down, what, who, what followed.

    A ``~`` behind the time says that the wall clock was not known to be synchronised. What does
    not fit ends in an ellipsis; the CSV has everything.
    """
    row = entry.row
    at = entry.wall_time.astimezone() if entry.wall_time.year > 1 else entry.wall_time
    doubt = "" if entry.wall_synchronised else "~"
    words = [
        f"{at:%H:%M:%S}.{at.microsecond // 100_000}{doubt}",
        f"down {row.down}",
        _what(row),
        _who(row),
        f"-> {row.phase_after}" if row.phase_after else "",
        str(row.ruling_seconds) if row.ruling_seconds is not None else "",
        f"({row.citation})" if row.citation else "",
        f"[local: {row.override}]" if row.override else "",
        f"assumed {row.assumed}" if row.assumed else "",
        _boards(row),
        row.detail,
    ]
    text = " ".join(word for word in words if word)
    text = "".join(char if char.isprintable() else "?" for char in text)
    return text if len(text) <= LINE_WIDTH else f"{text[: LINE_WIDTH - 1]}…"


def _what(row: Row) -> str:
    what = row.event or row.kind
    if row.facts:
        what += f" ({', '.join(row.facts)})"
    if row.kind in ("refused", "rejected", "fault", "healed"):
        what = f"{row.kind.upper()} {what}"
    return f"{what}: {row.reason}" if row.reason else what


def _who(row: Row) -> str:
    by = f"by {row.role}" if row.role else ""
    if row.handset is None:
        return by
    handset = "console" if row.handset == 0 else f"handset {row.handset}"
    return f"{by} ({handset})" if by else f"by {handset}"


def _boards(row: Row) -> str:
    if not row.boards:
        return f"boards told {row.commanded}" if row.commanded else ""
    try:
        seen = json.loads(row.boards)
    except ValueError:
        seen = None
    if isinstance(seen, dict) and len(set(map(str, seen.values()))) == 1:
        seen = list(seen.values())  # they agree: no need of their names
    if isinstance(seen, dict):
        shown = " ".join(f"{board} {numeral}" for board, numeral in seen.items())
    elif isinstance(seen, list):
        shown = " ".join(map(str, seen))
    else:
        shown = row.boards
    told = f"told {row.commanded}, " if row.commanded else ""
    return f"boards {told}{shown}"


def write_csv(entries: Iterable[Entry], file: TextIO) -> None:
    """All columns, with a heading. Open ``file`` with ``newline=""``.

    Text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    writer = csv.writer(file)
    writer.writerow(_COLUMNS)
    writer.writerows(map(_csv_cells, entries))


def _csv_cells(entry: Entry) -> list[Cell]:
    named: dict[str, Any] = {name: getattr(entry.row, name) for name in ROW_COLUMNS}
    named |= {field.name: getattr(entry, field.name) for field in fields(entry)}
    named["wall_time"] = utc_text(entry.wall_time)
    named["facts"] = ", ".join(entry.row.facts)
    return [_harmless(named[name]) for name in _COLUMNS]


def _harmless(cell: Any) -> Any:
    if isinstance(cell, bool):
        return int(cell)
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA_STARTS) else cell
