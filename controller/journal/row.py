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
    no event of the clock; those are always written. Instants are nanoseconds of CLOCK_BOOTTIME,
    whole numbers of seconds end in ``_s`` or ``_seconds``. A fact holds no comma. People are
    numbers and roles: no name stands in any row.
    """

    kind: str
    game: int
    play: int
    """How many plays had begun in the game."""
    event_number: int | None
    received_at: int
    edge_at: int | None = None
    gesture: int | None = None
    """The first tap's ``edge_at``: the rows of one handset with the same are one gesture."""
    handset: int | None = None
    role: str = ""
    keeper: int | None = None
    """The keeper's number, told at the last hand-over."""
    event: str = ""
    facts: tuple[str, ...] = ()
    assumed: str = ""
    """What nobody pressed and was taken to have happened."""
    promised: str = ""
    """What was taken to have ended because it was told before that it would follow."""
    result: str = ""
    reason: str = ""
    phase_before: str = ""
    phase_after: str = ""
    left_s: int | None = None
    """The numerals at the instant of the order."""
    ruling_seconds: int | None = None
    starts_on: str = ""
    citation: str = ""
    override: str = ""
    gave_way: str = ""
    """The word that said less and gave way to this order's."""
    gave_way_after_ms: int | None = None
    """How long before this order that word was told."""
    takes_back: int | None = None
    """The event number of the order that this Undo takes back, where it is known."""
    commanded: str = ""
    boards: str = ""
    answers_asked: int | None = None
    """How often the boards were asked during a count, and what that came to."""
    answers_right: int | None = None
    answers_wrong: int | None = None
    answers_silent: int | None = None
    setup: str = ""
    """At a start: rules, options and settings, as :func:`controller.journal.setup.setup_text`."""
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
