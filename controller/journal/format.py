"""How a row of the journal is shown: in words for people, as CSV for programs."""

from __future__ import annotations

import csv
import json
import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import fields
from datetime import datetime
from typing import Any, TextIO

from controller.journal.file import CHECK, COLUMNS, Cell
from controller.journal.reader import Entry, utc_text
from controller.journal.row import ROW_COLUMNS, Row
from controller.journal.setup import setup_words

NARROWEST = 40
"""A terminal is taken to have at least so many columns."""
_MARGIN = " " * 11
"""Before a continued line: as wide as the time in front."""

_COLUMNS = (*COLUMNS, "digest")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # OWASP, "CSV Injection"
_PHASES = {
    "IDLE": "no count",
    "SET": "held",
    "RUNNING": "running",
    "LIVE": "ball live",
    "STOPPED": "stopped",
    "EXPIRED": "zero",
}


def lines(entries: Iterable[Entry]) -> Iterator[str]:
    """The rows in words, each as one line of whatever length, under a heading for each game."""
    of_gesture: dict[tuple[int, int | None], int] = {}
    game = keeper = None
    for entry in entries:
        row = entry.row
        if row.game != game:
            game, keeper = row.game, None
            yield heading(entry)
        first = None
        if row.gesture is not None and row.event_number is not None:
            first = of_gesture.setdefault((row.gesture, row.handset), row.event_number)
        same = None if first == row.event_number else first
        yield line(entry, same_gesture_as=same, keeper_known=row.keeper == keeper)
        keeper = row.keeper


def heading(entry: Entry) -> str:
    """The game, its day and what the times are, from any row of it."""
    at = _local(entry)
    zone = f"{at:%Z} (UTC{at:%z})" if at.tzinfo else "UTC"
    return f"game {entry.row.game}, {at:%Y-%m-%d}, times are {zone}"


def line(entry: Entry, *, same_gesture_as: int | None = None, keeper_known: bool = False) -> str:
    """The row in words: local wall time, play, number, what, who, what followed and why.

    A ``~`` behind the time says that the wall clock was not known to be synchronised.
    ``same_gesture_as`` is the number of the row of the gesture's first tap; ``keeper_known`` that
    the reader knows whose keys they are.
    """
    row, at = entry.row, _local(entry)
    doubt = "" if entry.wall_synchronised else "~"
    number = "" if row.event_number is None else f"#{row.event_number}"
    kind = f"[{CHECK}]" if entry.game_kind == CHECK else ""
    time = f"{at:%H:%M:%S}.{at.microsecond // 100_000}{doubt}"
    after = _PHASES.get(row.phase_after, row.phase_after)
    head = (time, f"play {row.play}", number, kind, _what(row), _who(row), after and f"-> {after}")
    parts = [" ".join(word for word in head if word), *_more(row)]
    if row.keeper is not None and not keeper_known and row.kind != "hand-over":
        parts.append(f"keeper {row.keeper}")
    if same_gesture_as is not None:
        parts.append(f"same gesture as #{same_gesture_as}")
    if row.setup:
        parts.append(f"{setup_words(row.setup)}; kind of game: {entry.game_kind}")
    text = "; ".join(part for part in parts if part)
    return "".join(char if char.isprintable() else "?" for char in text)


def wrapped(text: str, columns: int | None) -> str:
    """The line for a terminal so many columns wide, continued under what follows the time; None
    is a file or a pipe, which takes it whole."""
    if columns is None:
        return text
    width = max(columns - 1, NARROWEST)
    folded = textwrap.wrap(text, width, subsequent_indent=_MARGIN, break_on_hyphens=False)
    return "\n".join(folded)


def _local(entry: Entry) -> datetime:
    return entry.wall_time.astimezone() if entry.wall_time.year > 1 else entry.wall_time


def _more(row: Row) -> Iterator[str]:
    """What followed and why."""
    if row.ruling_seconds is not None or row.citation:
        why = f" ({row.citation})" if row.citation else ""
        yield f"ruling {row.ruling_seconds}{why}"
    if row.override:
        yield f"local adoption: {row.override}"
    if row.assumed:
        yield f"assumed, not pressed: {row.assumed}"
    if row.promised:
        yield f"as promised: {row.promised}"
    if row.gave_way:
        after_ms = row.gave_way_after_ms
        after = f" after {after_ms / 1000:.1f} s" if isinstance(after_ms, int) else ""
        yield f"{row.gave_way.replace('_', ' ')} gave way{after}"
    if row.left_s is not None:
        yield f"{row.left_s} left at the press"
    if row.answers_asked is not None:
        words = f"{row.answers_right} right, {row.answers_wrong} wrong, {row.answers_silent} silent"
        yield f"asked {row.answers_asked} times: {words}"
    yield _boards(row)
    number = "" if row.takes_back is None else f" (#{row.takes_back})"
    yield f"{row.detail}{number}"


def _what(row: Row) -> str:
    what, reason = row.event or row.kind, row.reason
    if what == "boards off or on" and reason:
        what, reason = reason, ""  # "boards off by order" says which
    missing = [fact for fact in row.facts if fact.replace("_", " ") not in what]
    if missing:
        what += f" ({', '.join(missing)})"
    if row.kind in ("refused", "rejected", "fault", "healed", "no change"):
        what = f"{row.kind.upper()} {what}"
    return f"{what}: {reason}" if reason not in ("", what) else what


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
