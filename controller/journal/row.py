"""A row of the journal, and its text for a snapshot while it is not on disk."""

from __future__ import annotations

import json
import operator
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One event as the service saw it. Empty text and None mean "does not apply".

    ``event_number`` counts up within one boot; a second row with the same number, kind, event and
    ``received_at`` is the same event journalled again and is left out. None is for rows that are
    no event of the clock; those are always written. ``edge_at`` and ``received_at`` are
    nanoseconds of CLOCK_BOOTTIME, ``ruling_seconds`` whole seconds. A fact holds no comma.
    """

    kind: str
    game: int
    down: int
    event_number: int | None
    received_at: int
    edge_at: int | None = None
    handset: int | None = None
    role: str = ""
    event: str = ""
    facts: tuple[str, ...] = ()
    assumed: str = ""
    result: str = ""
    reason: str = ""
    phase_before: str = ""
    phase_after: str = ""
    ruling_seconds: int | None = None
    starts_on: str = ""
    citation: str = ""
    override: str = ""
    commanded: str = ""
    boards: str = ""
    detail: str = ""


ROW_COLUMNS = tuple(field.name for field in fields(Row))
cells_of = operator.attrgetter(*ROW_COLUMNS)
"""The values of a row in the order of :data:`ROW_COLUMNS`."""

_encode = json.JSONEncoder(separators=(",", ":")).encode


@dataclass(frozen=True, slots=True)
class Dated:
    """A row and the wall time at which it was handed over, nanoseconds since 1970 UTC."""

    row: Row
    wall_ns: int


def row_text(dated: Dated) -> str:
    """The row as JSON: its wall time and its values."""
    return _encode((dated.wall_ns, *cells_of(dated.row)))


def row_from(parsed: Sequence[Any]) -> Dated:
    """The row whose :func:`row_text`, parsed, is this. Raises ``ValueError`` or ``TypeError``."""
    wall_ns, *cells = parsed
    named = dict(zip(ROW_COLUMNS, cells, strict=True))
    return Dated(Row(**named | {"facts": tuple(named["facts"])}), wall_ns)
