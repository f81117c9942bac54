"""What a snapshot says, as JSON: everything a new process needs to go on exactly.

A press adds one line before its frame leaves: the order itself, which the pure play clock decides
again in the same way. The whole text follows after the frame.
"""

from __future__ import annotations

import enum
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

from controller.journal.recorder import Recent
from controller.journal.row import Dated, row_from
from controller.rules import events, phases
from controller.rules.events import Number, Order, Role
from controller.rules.phases import Coming, Down, Off, StartedBy
from controller.rules.play_clock import LastGesture, State, Taken
from controller.rules.rulings import Ruling, StartsOn

FORM = 4
"""Version of this text: another one is not read."""


class SnapshotError(ValueError):
    """A text that is not a snapshot of this form; the message says what is wrong with it."""


class Identity(NamedTuple):
    """What does not change while a service runs; ``installation`` names what it belongs to."""

    installation: str
    boot_id: str
    software: str
    rules_hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Checkpoint:
    """What changes. ``rows`` are those not known to be on disk, each with its text from
    :func:`~controller.journal.row.row_text`; ``numbered`` says whether they have their final
    numbers. ``off_why`` is why the boards are off, ``dark_why`` why they are dark for the moment.
    """

    saved_at: int
    in_order: bool = False
    game: int
    event_number: int
    numbered: bool
    state: State
    gesture: LastGesture | None = None
    off_why: str = ""
    dark_why: str = ""
    rows: Sequence[str] = ()
    rows_left_out: int = 0
    keeper: int | None = None
    """The number of the keeper who has it."""
    recent: Sequence[Recent] = ()
    """Orders that an Undo may take back, with their event numbers."""


class PendingOrder(NamedTuple):
    """An order that was decided at ``decided_at`` and is about to be carried out.

    ``received_at`` is when its press arrived; ``wall_ns`` the wall time in nanoseconds since 1970
    UTC.
    """

    order: Order
    received_at: int
    decided_at: int
    wall_ns: int


class Snapshot(NamedTuple):
    """A whole snapshot, read back: ``checkpoint.rows`` is empty and the rows are in ``rows``.
    ``pending`` is the order that was added to it."""

    identity: Identity
    checkpoint: Checkpoint
    rows: tuple[Dated, ...]
    pending: PendingOrder | None = None


def _plain(value: object) -> object:
    """What JSON has no word for: enums by name, sets sorted, dataclasses as name and values."""
    if isinstance(value, enum.Enum):
        return value.name
    if isinstance(value, frozenset):
        return sorted(value)
    return [type(value).__name__, *(getattr(value, each.name) for each in fields(value))]  # type: ignore[arg-type]


_encode = json.JSONEncoder(separators=(",", ":"), default=_plain).encode


class SnapshotText:
    """Makes the texts of one service."""

    def __init__(self, identity: Identity) -> None:
        self._identity = f'"form":{FORM},"standing":{_encode(identity)}'
        self._histories: dict[int, tuple[tuple[Taken, ...], str]] = {}
        self._events: dict[events.Event, str] = {}

    def whole(self, checkpoint: Checkpoint) -> bytes:
        """The text of a checkpoint."""
        state, gesture = checkpoint.state, checkpoint.gesture
        tapped = "null"
        if gesture is not None:
            tapped = f"[{_encode(gesture.order)},{self._state(gesture.before)}]"
        rest = (
            checkpoint.saved_at,
            checkpoint.in_order,
            checkpoint.game,
            checkpoint.event_number,
            checkpoint.numbered,
            checkpoint.off_why,
            checkpoint.dark_why,
            checkpoint.rows_left_out,
            checkpoint.keeper,
            checkpoint.recent,
        )
        return (
            f'{{{self._identity},"moment":{_encode(rest)},"state":{self._state(state)},'
            f'"gesture":{tapped},"rows":[{",".join(checkpoint.rows)}]}}'
        ).encode()

    def line(self, pending: PendingOrder) -> bytes:
        """The text of one order: on the path from press to board, so put together by hand."""
        (event, at, handset, role, gesture_at, amends, left_s), *rest = pending
        text = self._events.get(event)
        if text is None:
            text = self._events[event] = _encode(event)
        return (
            f'[[{text},{at},{"null" if handset is None else handset},"{role.name}",'
            f"{'null' if gesture_at is None else gesture_at},{'true' if amends else 'false'},"
            f"{'null' if left_s is None else left_s}],"
            f"{','.join(map(str, rest))}]"
        ).encode()

    def _state(self, state: State) -> str:
        """Two histories are kept as texts, that of now and that before the newest gesture."""
        history = state.history
        known = self._histories.get(id(history))
        if known is None:
            if len(self._histories) > 2:
                self._histories.clear()
            known = self._histories[id(history)] = (history, _encode(history))
        return f"[{_encode(state.down)},{_encode(state.off)},{known[1]},{_encode(state.last)}]"


def read(text: bytes, line: bytes | None = None) -> Snapshot:
    """Read a text back, and the line added to it. Raises :class:`SnapshotError`."""
    try:
        raw = _parsed(text)
        if raw["form"] != FORM:
            raise SnapshotError(f"form {raw['form']!r}: this program reads {FORM}")
        pending = None if line is None else _pending(*_parsed(line))
        return _snapshot(raw)._replace(pending=pending)
    except SnapshotError:
        raise
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, RecursionError) as error:
        raise SnapshotError(f"not a snapshot: {type(error).__name__}: {error}") from error


def _parsed(text: bytes) -> Any:
    """The JSON; no number of ours is a fraction."""
    return json.loads(text, parse_float=_refused, parse_constant=_refused)


def _refused(number: str) -> None:
    raise SnapshotError(f"{number}: no whole number")


def _snapshot(raw: Mapping[str, Any]) -> Snapshot:
    identity = Identity(*map(str, raw["standing"]))
    at, in_order, game, number, numbered, off_why, dark_why, *rest = raw["moment"]
    left_out, keeper, recent = rest
    gesture = raw["gesture"]
    checkpoint = Checkpoint(
        saved_at=at,
        in_order=in_order,
        game=game,
        event_number=number,
        numbered=numbered,
        state=_state(*raw["state"]),
        gesture=None if gesture is None else LastGesture(_order(gesture[0]), _state(*gesture[1])),
        off_why=off_why,
        dark_why=dark_why,
        rows_left_out=left_out,
        keeper=keeper,
        recent=tuple(Recent(*each) for each in recent),
    )
    return Snapshot(identity, checkpoint, tuple(row_from(each) for each in raw["rows"]))


def _pending(order: Sequence[Any], *rest: Any) -> PendingOrder:
    received_at, decided_at, wall_ns = rest
    return PendingOrder(_order(order), received_at, decided_at, wall_ns)


def _state(down: Any, off: str | None, history: Any, last: Any) -> State:
    return State(
        down=_down(down),
        off=None if off is None else Off[off],
        history=tuple(Taken(_down(before), _order(order)) for before, order in history),
        last=None if last is None else _order(last),
    )


def _down(raw: Sequence[Any]) -> Down:
    phase, named, stoppage_at, ruling, number, before_ready, coming = raw
    return Down(
        _phase(*phase),
        frozenset(named),
        stoppage_at,
        _ruling(ruling),
        number,
        frozenset(before_ready),
        Coming(*coming),
    )


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
    event, at, handset, role, *rest = raw
    return Order(_event(*event), at, handset, Role[role], *rest)


def _event(kind: str, *values: Any) -> events.Event:
    known = {each.__name__: each for each in events.Event.__args__}
    if kind == "PlayEnded":
        ending, facts = values
        return events.PlayEnded(ending, frozenset(facts))
    if kind in ("HoldNumber", "RunNumber"):
        values = tuple(Number[each] for each in values)
    return known[kind](*values)  # type: ignore[no-any-return]
