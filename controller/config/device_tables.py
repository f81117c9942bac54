"""The tables ``[[boards]]`` and ``[[handsets]]``, each with the table of its driver, and how all of
them have to fit each other.

What a driver's own table may hold is what the driver can do, so the driver reads it. Its module is
loaded only when a file has that table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from controller.config.model import ROLES, HandsetConfig
from controller.config.toml_table import Table, check_agree, check_unique, shown
from drivers.base import PARITIES, RS485, STOP_BITS
from drivers.board.kinds import BOARD_KINDS, BoardConfig
from drivers.handset.kinds import HANDSET_KINDS
from drivers.handset.layouts import LAYOUT_NAMES
from drivers.kind import DeviceTable, DriverKind

K = TypeVar("K", bound=DriverKind)


def read_board(table: Table) -> BoardConfig:
    """One of ``[[boards]]``."""
    driver = table.choice("driver", _names(BOARD_KINDS))
    named = kind_of(table, BOARD_KINDS)
    kind = named or BOARD_KINDS[0]
    board = BoardConfig(
        name=table.text("name", 16),
        driver=driver,
        port=_port(table, named),
        node=table.integer("node", 1, 8) if kind.numbered or table.has("node") else 0,
        rs485=table.choice("rs485", RS485, "adapter"),
        baud=table.choice("baud", kind.bauds, kind.baud),
        parity=table.choice("parity", PARITIES, "none") if table.has("parity") else "none",
        stop_bits=table.choice("stop_bits", STOP_BITS, 1) if table.has("stop_bits") else 1,
        details=_details(table, BOARD_KINDS, lambda kind, inner: kind.read(inner)),
    )
    if kind.framing_fixed:
        for key in [each for each in ("parity", "stop_bits") if table.has(each)]:
            table.problem(key, kind.framing_fixed)
    table.finish()
    if not kind.numbered:
        table.good.pop("node", None)
    return board


def read_handset(table: Table) -> HandsetConfig:
    """One of ``[[handsets]]``."""
    driver = table.choice("driver", _names(HANDSET_KINDS))
    named = kind_of(table, HANDSET_KINDS)
    kind = named or HANDSET_KINDS[0]
    handset = HandsetConfig(
        driver=driver,
        id=table.integer("id", 1, 254),
        role=table.choice("role", ROLES),
        layout=(layout := table.choice("layout", LAYOUT_NAMES)),
        port=_port(table, named),
        baud=table.choice("baud", kind.bauds, kind.baud),
        details=_details(table, HANDSET_KINDS, lambda kind, inner: kind.read(inner, layout)),
    )
    table.finish()
    return handset


def kind_of(table: Table, kinds: Iterable[K]) -> K | None:
    """The driver that a table names; None when it names none."""
    return next((kind for kind in kinds if kind.name == table.good.get("driver")), None)


def check_boards(boards: Sequence[Table]) -> None:
    """What boards of one port have to share, and what must differ."""
    check_unique(boards, "name")
    check_unique(boards, "node", within="port")
    for key in ("rs485", "baud", "parity", "stop_bits"):
        check_agree(boards, key, within="port")
    _check_shared_lines(boards)


def check_handsets(top: Table, handsets: Sequence[Table]) -> None:
    """The same of handsets; and their keys: none that anyone could press, unless the file allows
    it, and a key file where one is wanted."""
    check_unique(handsets, "id")
    check_agree(handsets, "baud", within="port")
    kinds = [(each, kind_of(each, HANDSET_KINDS)) for each in handsets]
    for handset, kind in kinds:
        if kind and not kind.authenticated and top.good.get("allow_unauthenticated") is False:
            handset.problem(
                "driver",
                "anyone with the like could press its keys; refused unless "
                "allow_unauthenticated = true (for practice)",
            )
    for handset, kind in kinds:
        if kind and kind.needs_key and not top.has("key_file"):
            driver = f"{handset.name('driver')} = {shown(kind.name)}"
            top.problem("key_file", f"missing; must be an absolute path, because of {driver}")
            break


def check_pins(tables: Iterable[Table]) -> None:
    """No pin may serve two purposes."""
    first: dict[int, str] = {}
    for table in tables:
        key, details = _details_of(table)
        for number in details.pins_used if details else ():
            name = first.setdefault(number, table.name(key))
            if name != table.name(key):
                table.problem(key, f"GPIO {number} is used by {name} already")


def use_of_port(handset: Table) -> str:
    """What a handset's port is, in words."""
    kind = kind_of(handset, HANDSET_KINDS)
    if kind is not None and not kind.shared:
        return f"the device of {handset.name('driver')}"
    return "the port of the handsets' receiver"


def _names(kinds: Sequence[DriverKind]) -> tuple[str, ...]:
    return tuple(kind.name for kind in kinds)


def _port(table: Table, kind: DriverKind | None) -> str | None:
    """The port of a driver that needs one.

    The port given to another driver is checked and then left out, so that a rehearsal with
    simulated boards changes one word of the file.
    """
    needed = kind is not None and kind.needs_port
    port = table.path("port") if table.has("port") or needed else None
    if kind is None:  # nothing is known of this port's use
        table.good.pop("port", None)
    elif not needed:
        table.good["port"] = port = None
    return None if port is None else str(port)


def _details(
    table: Table, kinds: Sequence[K], read: Callable[[K, Table], DeviceTable | None]
) -> DeviceTable | None:
    """What the table of the driver says. One of another driver is checked and left out when a
    simulated one stands in for it, so that a rehearsal changes one word of the file."""
    named, details = kind_of(table, kinds), None
    for kind in kinds:
        if not kind.has_table or not (named is None or named.stands_in or named is kind):
            continue
        if table.has(kind.name):
            found = read(kind, table.table(kind.name))
            if named is kind and found is not None:
                table.good[kind.name] = details = found
        elif named is kind:
            table.problem(kind.name, f'missing; driver = "{kind.name}" needs this table')
    return details


def _details_of(table: Table) -> tuple[str, DeviceTable | None]:
    """The name of the driver's own table, and what was read from it."""
    key = str(table.good.get("driver"))
    details = table.good.get(key)
    return key, details if isinstance(details, DeviceTable) else None


def _check_shared_lines(boards: Iterable[Table]) -> None:
    """Boards on one line are told apart by what their tables say, or all hear the same."""
    addresses: dict[tuple[object, str], str] = {}
    shared: dict[tuple[object, str], tuple[str, DeviceTable]] = {}
    for board in boards:
        port, (key, details) = board.good.get("port"), _details_of(board)
        if port is None or details is None:
            continue
        name = board.name(key)
        if details.address:
            other = addresses.setdefault((port, details.address), name)
            if other != name:
                board.problem(key, f"{details.address} must differ from that of {other}")
        else:
            other, layout = shared.setdefault((port, key), (name, details))
            if details != layout:
                board.problem(key, f"must be as {other}, which hears the same line")
