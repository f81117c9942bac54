"""What a snapshot says, as JSON: everything a new process needs to go on exactly.

The text is put together from pieces that are kept as long as what they speak of is the same
object: of a press only the new down, the order and the row are encoded anew, since this is on the
path from press to board.
"""

from __future__ import annotations

import enum
import json
import operator
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

from controller.journal_file import ROW_COLUMNS, Dated, Row
from controller.rules import events, phases
from controller.rules.events import Number, Order, Role
from controller.rules.phases import Down, Off, StartedBy
from controller.rules.play_clock import State, Taken
from controller.rules.rulings import Ruling, StartsOn
from drivers.base import Acknowledgement, Result

FORM = 1
"""Version of this text: another one is not read."""

_cells_of = operator.attrgetter(*ROW_COLUMNS)


class SnapshotError(ValueError):
    """A text that is no snapshot of this form; the message says what is wrong with it."""


class Standing(NamedTuple):
    """What does not change while a service runs. ``starts`` are the instants of the last starts,
    the present one last; ``installation`` names what the snapshot belongs to."""

    installation: str
    boot_id: str
    software: str
    rules_hash: str
    starts: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """What changes. ``rows`` are those not known to be on disk, each with its text from
    :func:`row_text`; ``numbered`` says whether they have their final numbers. ``off_why`` is why
    the boards are off, ``dark_why`` why they are dark for the moment."""

    saved_at: int
    in_order: bool = False
    game: int
    event_number: int
    numbered: bool
    state: State
    off_why: str = ""
    dark_why: str = ""
    counters: Mapping[int, int]
    acknowledged: Acknowledgement | None = None
    rows: Sequence[str] = ()
    rows_left_out: int = 0


class Snapshot(NamedTuple):
    """A whole snapshot, read back: ``moment.rows`` is empty and the rows are in ``rows``."""

    standing: Standing
    moment: Moment
    rows: tuple[Dated, ...]


def _plain(value: object) -> object:
    """What JSON has no word for: enums by name, sets sorted, dataclasses as name and values."""
    if isinstance(value, enum.Enum):
        return value.name
    if isinstance(value, frozenset):
        return sorted(value)
    return [type(value).__name__, *(getattr(value, each.name) for each in fields(value))]  # type: ignore[arg-type]


_encode = json.JSONEncoder(separators=(",", ":"), default=_plain).encode


def row_text(dated: Dated) -> str:
    """One row for :attr:`Moment.rows`."""
    return _encode((dated.wall_ns, *_cells_of(dated.row)))


class SnapshotText:
    """Makes the texts of one service."""

    def __init__(self, standing: Standing) -> None:
        self._standing = f'"form":{FORM},"standing":{_encode(standing)}'
        self._taken: dict[int, tuple[Taken, str]] = {}
        self._history: tuple[tuple[Taken, ...], str] = ((), "")
        self._down: tuple[Down | None, str] = (None, "")
        self._last: tuple[Order | None, str] = (None, "null")

    def make(self, moment: Moment) -> bytes:
        """The text of a moment."""
        state = moment.state
        if state.down is not self._down[0]:
            self._down = (state.down, _encode(state.down))
        if state.last is not self._last[0]:
            self._last = (state.last, _encode(state.last))
        if state.history is not self._history[0]:
            self._history = (state.history, self._history_text(state.history))
        quick = (
            moment.saved_at,
            moment.in_order,
            moment.game,
            moment.event_number,
            moment.numbered,
            moment.off_why,
            moment.dark_why,
            list(moment.counters.items()),
            moment.acknowledged,
            moment.rows_left_out,
            state.off,
        )
        return (
            f'{{{self._standing},"moment":{_encode(quick)},"down":{self._down[1]},'
            f'"last":{self._last[1]},"history":[{self._history[1]}],'
            f'"rows":[{",".join(moment.rows)}]}}'
        ).encode()

    def _history_text(self, history: tuple[Taken, ...]) -> str:
        known = self._taken
        self._taken = {}
        for taken in history:
            text = known.get(id(taken)) or (taken, _encode(taken))
            self._taken[id(taken)] = text  # which keeps the object, and so its id
        return ",".join(text for _, text in self._taken.values())


def read(text: bytes) -> Snapshot:
    """Read a text back. Raises :class:`SnapshotError`."""
    try:
        raw = json.loads(text)
        if raw["form"] != FORM:
            raise SnapshotError(f"form {raw['form']!r}: this program reads {FORM}")
        return _snapshot(raw)
    except SnapshotError:
        raise
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, RecursionError) as error:
        raise SnapshotError(f"not a snapshot: {type(error).__name__}: {error}") from error


def _snapshot(raw: Mapping[str, Any]) -> Snapshot:
    installation, boot_id, software, rules_hash, starts = raw["standing"]
    standing = Standing(installation, boot_id, software, rules_hash, tuple(starts))
    at, in_order, game, number, numbered, off_why, dark_why, counters, told, left_out, off = raw[
        "moment"
    ]
    state = State(
        down=_down(raw["down"]),
        off=None if off is None else Off[off],
        history=tuple(Taken(_down(before), Role[role]) for before, role in raw["history"]),
        last=None if raw["last"] is None else _order(raw["last"]),
    )
    moment = Moment(
        saved_at=at,
        in_order=in_order,
        game=game,
        event_number=number,
        numbered=numbered,
        state=state,
        off_why=off_why,
        dark_why=dark_why,
        counters=dict(counters),
        acknowledged=None if told is None else Acknowledgement(told[1], told[2], Result(told[3])),
        rows_left_out=left_out,
    )
    rows = tuple(_row(each) for each in raw["rows"])
    return Snapshot(standing, moment, rows)


def _row(raw: Sequence[Any]) -> Dated:
    wall_ns, *cells = raw
    named = dict(zip(ROW_COLUMNS, cells, strict=True))
    return Dated(Row(**named | {"facts": tuple(named["facts"])}), wall_ns)


def _down(raw: Sequence[Any]) -> Down:
    phase, named, stoppage_at, ruling, number = raw
    return Down(_phase(*phase), frozenset(named), stoppage_at, _ruling(ruling), number)


def _phase(kind: str, *values: Any) -> phases.Phase:
    if kind == "Running":
        seconds, started_at, expires_at, started_by = values
        return phases.Running(seconds, started_at, expires_at, StartedBy[started_by])
    known = {each.__name__: each for each in phases.PHASES}
    return known[kind](*values)


def _ruling(raw: Sequence[Any] | None) -> Ruling | None:
    if raw is None:
        return None
    _, ending, seconds, starts_on, *more = raw
    return Ruling(ending, seconds, StartsOn[starts_on], *more)


def _order(raw: Sequence[Any]) -> Order:
    event, at, handset, role, gesture_at, amends = raw
    return Order(_event(*event), at, handset, Role[role], gesture_at, amends)


def _event(kind: str, *values: Any) -> events.Event:
    known = {each.__name__: each for each in events.Event.__args__}
    if kind == "PlayEnded":
        ending, facts = values
        return events.PlayEnded(ending, frozenset(facts))
    if kind in ("HoldNumber", "RunNumber"):
        values = tuple(Number[each] for each in values)
    return known[kind](*values)  # type: ignore[no-any-return]
