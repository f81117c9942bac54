"""The tables of displays and inputs that have their own: ``[boards.modbus]`` and such.

What such a table may hold is what its driver can do, so the driver's own values are made here. A
driver's module is loaded only when a file has its table.
"""
# ruff: noqa: PLC0415 - a driver loads only when it is configured

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, TypeVar

from controller.config.model import HANDSET_DRIVERS, DriverKind
from controller.config.toml_table import Table

if TYPE_CHECKING:
    from controller.config.model import BoardDetails, HandsetDetails
    from drivers.base import Key

T = TypeVar("T")

HIGHEST_GPIO = 63
"""Above every numbering of a computer's header by the chip's own numbers."""
REGISTER = (0, 0xFFFF)
FORMATS = ("binary", "bcd", "ascii", "segments")
LEVELS = ("high", "low")


def board_details(table: Table, kinds: Iterable[DriverKind]) -> BoardDetails:
    """What the table of the board's driver says; None for a driver without one."""
    readers = {"modbus": _modbus, "text_line": _text_line, "gpio_segments": _gpio_segments}
    details: BoardDetails = _details(table, kinds, readers)
    return details


def handset_details(table: Table, kinds: Iterable[DriverKind]) -> HandsetDetails:
    """The same of a handset."""
    readers = {"gpio": _gpio, "input_event": _input_event}
    layout = table.good.get("layout", "twelve")
    bound = {
        name: lambda inner, read=read: read(inner, str(layout)) for name, read in readers.items()
    }
    details: HandsetDetails = _details(table, kinds, bound)
    return details


def check_authenticated(top: Table, handsets: Iterable[Table]) -> None:
    """Refuse keys that anyone could press, unless the file allows them."""
    if top.good.get("allow_unauthenticated") is not False:
        return
    open_to_all = {kind.name for kind in HANDSET_DRIVERS if not kind.authenticated}
    for handset in handsets:
        if handset.good.get("driver") in open_to_all:
            handset.problem(
                "driver",
                "anyone with the like could press its keys; refused unless "
                "allow_unauthenticated = true (for practice)",
            )


def check_shared_lines(boards: Iterable[Table]) -> None:
    """Modbus displays of one line differ in their unit; text displays of one hear the same."""
    units: dict[tuple[object, int], str] = {}
    layouts: dict[object, tuple[str, object]] = {}
    for board in boards:
        port, driver = board.good.get("port"), board.good.get("driver")
        modbus, layout = board.good.get("modbus"), board.good.get("text_line")
        if port is None:
            continue
        if driver == "modbus" and modbus is not None:
            unit = modbus.unit  # type: ignore[attr-defined]
            name = units.setdefault((port, unit), board.name("modbus"))
            if name != board.name("modbus"):
                board.problem("modbus", f"unit {unit} must differ from that of {name}")
        if driver == "text_line" and layout is not None:
            name, other = layouts.setdefault(port, (board.name("text_line"), layout))
            if layout != other:
                board.problem("text_line", f"must be as {name}, which hears the same line")


def check_pins(boards: Iterable[Table], handsets: Iterable[Table]) -> None:
    """No pin may serve two purposes."""
    first: dict[int, str] = {}
    for table, key, used in [
        *((board, "gpio_segments", _pins_of_board) for board in boards),
        *((handset, "gpio", _pins_of_handset) for handset in handsets),
    ]:
        if table.good.get("driver") != key or key not in table.good:
            continue
        for number in used(table.good[key]):
            name = first.setdefault(number, table.name(key))
            if name != table.name(key):
                table.problem(key, f"GPIO {number} is used by {name} already")


def _pins_of_board(details: Any) -> list[int]:
    return list(details.all)


def _pins_of_handset(details: Any) -> list[int]:
    return list(details.pins.values())


def _details(table: Table, kinds: Iterable[DriverKind], readers: Any) -> Any:
    """Read every table that may stand here. One of another driver is checked and left out when the
    board or handset is simulated, so that a rehearsal changes one word of the file."""
    driver, details = table.good.get("driver"), None
    for kind in kinds:
        if not kind.has_table or driver not in (kind.name, "simulated", None):
            continue
        if table.has(kind.name):
            found = readers[kind.name](table.table(kind.name))
            if driver == kind.name and found is not None:
                table.good[kind.name] = details = found
        elif driver == kind.name:
            table.problem(kind.name, f'missing; driver = "{driver}" needs this table')
    return details


def _made(table: Table, make: Callable[[], T]) -> T | None:
    """What ``make`` gives; its complaint, which begins with a field, is a problem of that field."""
    try:
        return make()
    except ValueError as error:
        field, _, why = str(error).partition(": ")
        table.problem(field, why)
        return None


def _modbus(table: Table) -> object:
    from drivers.board.registers import RegisterMap

    def optional(key: str) -> int | None:
        return table.integer(key, *REGISTER) if table.has(key) else None

    fields: dict[str, Any] = {
        "unit": table.integer("unit", 1, 247),
        "register": table.integer("register", *REGISTER),
        "format": table.choice("format", FORMATS),
        "blank": optional("blank"),
        "function": table.choice("function", (6, 16), 6),
        "brightness_register": optional("brightness_register"),
        "brightness_most": table.integer("brightness_most", 1, 0xFFFF, 15),
        "read_back_register": optional("read_back_register"),
        "read_back_function": table.choice("read_back_function", (3, 4), 3),
        "read_back_after_ms": table.integer("read_back_after_ms", 50, 900, 90),
    }
    table.finish()
    whole = {"unit", "register", "format"} <= table.good.keys()
    return _made(table, lambda: RegisterMap(**fields)) if whole else None


def _text_line(table: Table) -> object:
    from drivers.board.text_layout import LONGEST_LINE, TextLayout

    fields: dict[str, Any] = {
        "numerals": table.raw_text("numerals", LONGEST_LINE),
        "dark": table.raw_text("dark", LONGEST_LINE),
        "brightness": table.raw_text("brightness", LONGEST_LINE, ""),
        "refresh_ms": table.integer("refresh_ms", 100, 60_000, 1000),
    }
    table.finish()
    whole = {"numerals", "dark"} <= table.good.keys()
    return _made(table, lambda: TextLayout(**fields)) if whole else None


def _gpio_segments(table: Table) -> object:
    from drivers.board.gpio_segments import SegmentPins

    fields: dict[str, Any] = {
        key: table.numbers(key, 0, HIGHEST_GPIO)
        for key in ("tens", "units", "segments", "digits")
        if table.has(key)
    }
    wrong = [key for key in fields if key not in table.good]
    fields["active"] = table.choice("active", LEVELS, "high")
    fields["digits_active"] = table.choice("digits_active", LEVELS, "high")
    fields["alive"] = table.integer("alive", 0, HIGHEST_GPIO) if table.has("alive") else None
    table.finish()
    pins = None if wrong else _made(table, lambda: SegmentPins(**fields))
    if pins is not None and len(set(pins.all)) < len(pins.all):
        twice = next(each for each in pins.all if pins.all.count(each) > 1)
        table.problem(
            "alive" if twice == pins.alive else "units" if pins.units else "segments",
            f"GPIO {twice} is used twice",
        )
    return pins


def _gpio(table: Table, layout: str) -> object:
    from drivers.handset.gpio import KeyPins

    active = table.choice("active", LEVELS, "low")
    inner = table.table("pins")
    pins: dict[Key, int] = {}
    for name, key in _keys_of(layout).items():
        if inner.has(name):
            pins[key] = inner.integer(name, 0, HIGHEST_GPIO)
            twice = [each for each, pin in pins.items() if pin == pins[key] and each is not key]
            if twice:
                inner.problem(name, f"GPIO {pins[key]} is used by another key already")
    inner.finish()
    if not inner.keys():
        table.problem("pins", "missing; must name a pin for at least one key")
    table.finish()
    return KeyPins(pins, active)  # type: ignore[arg-type]


def _input_event(table: Table, layout: str) -> object:
    from drivers.handset.key_codes import code_of

    ours = _keys_of(layout)
    inner = table.table("keys")
    keys: dict[int, Key] = {}
    for name in inner.keys():  # noqa: SIM118 - a table is no mapping
        code = code_of(name)
        if code is None:
            inner.has(name)
            inner.problem(name, "no key of Linux; give a name such as KEY_PAGEDOWN, or a number")
            continue
        keys[code] = ours[inner.choice(name, tuple(ours))]
    if not inner.keys():
        table.problem("keys", "missing; must name at least one key of the device")
    table.finish()
    return keys


def _keys_of(layout: str) -> dict[str, Key]:
    """Our keys of a layout by name."""
    from drivers.handset.key_timer import KEYS, LAYOUTS

    return {name: key for name, key in KEYS.items() if key in LAYOUTS[layout]}
