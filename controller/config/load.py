"""The configuration file: strict, whole, and read once at the start.

:func:`load_config` either gives a :class:`Config` that needs no further checking or raises one
:class:`ConfigError` with a line for each thing that is wrong. The commented example beside the
service units shows every key.
"""

from __future__ import annotations

import codecs
import tomllib
from collections.abc import Collection
from dataclasses import fields
from pathlib import Path

from controller.config.default_paths import default_runtime_folder
from controller.config.device_tables import (
    board_details,
    check_authenticated,
    check_pins,
    check_shared_lines,
    handset_details,
)
from controller.config.model import (
    BOARD_BAUDS,
    BOARD_DRIVERS,
    HANDSET_BAUDS,
    HANDSET_DRIVERS,
    LAYOUTS,
    LINE_BAUDS,
    PARITIES,
    ROLES,
    RS485,
    STARTS_ON,
    BoardConfig,
    Config,
    ConsoleConfig,
    DriverKind,
    HandsetConfig,
    Override,
)
from controller.config.toml_table import (
    ConfigError,
    Problems,
    Table,
    check_agree,
    check_unique,
    nearest,
    shown,
)
from controller.rules.settings import RANGES, Settings

__all__ = [
    "BOARD_DRIVERS",
    "HANDSET_DRIVERS",
    "BoardConfig",
    "Config",
    "ConfigError",
    "ConsoleConfig",
    "HandsetConfig",
    "Override",
    "check_endings",
    "load_config",
    "parse_config",
]

LARGEST_FILE_BYTES = 1 << 20
"""A configuration is some kilobytes; a device or a journal given by mistake is more."""


TOP_LEVEL = frozenset(field.name for field in fields(Config)) - {"source"}


def load_config(path: str | Path) -> Config:
    """Read a file. Raises :class:`ConfigError` for whatever is wrong with it."""
    source = str(path)
    try:
        with Path(path).open("rb") as file:
            data = file.read(LARGEST_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise ConfigError(source, [f"cannot be read: {reason}"]) from error
    if len(data) > LARGEST_FILE_BYTES:
        raise ConfigError(source, [f"larger than {LARGEST_FILE_BYTES} bytes: no configuration"])
    data = data.removeprefix(codecs.BOM_UTF8)  # some editors write one; it carries no meaning
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        what = f"not UTF-8: byte 0x{data[error.start]:02X} in line {line} ({error.reason})"
        raise ConfigError(source, [what]) from error
    return parse_config(text, source)


def parse_config(text: str, source: str) -> Config:
    """Read TOML text that came from ``source``. Raises :class:`ConfigError`."""
    try:
        raw = tomllib.loads(text + "\n")  # so that an error in the last line has its line number
    except (ValueError, RecursionError) as error:  # the parser lets both through
        raise ConfigError(source, [f"not valid TOML: {error}"]) from error
    problems = Problems(source, TOP_LEVEL)
    config = _config(Table(problems, "", raw), source)
    problems.raise_any()
    return config


def check_endings(config: Config, known: Collection[str]) -> None:
    """Raise :class:`ConfigError` for overrides of endings that the rule set does not know."""
    lines = []
    for index, override in enumerate(config.overrides):
        if override.ending not in known:
            near = nearest(override.ending, known)
            advice = f"the nearest is {shown(near)}" if near else "known: " + ", ".join(known)
            key = f"overrides[{index}].ending = {shown(override.ending)}"
            lines.append(f"{key}: no ending of the rule set {shown(config.rules)}; {advice}")
    if lines:
        raise ConfigError(config.source, lines)


def _config(top: Table, source: str) -> Config:
    state_folder = top.path("state_folder", "/var/lib/playclock")
    boards = top.tables("boards")
    handsets = top.tables("handsets")
    overrides = top.tables("overrides")
    console = top.table("console")
    config = Config(
        source=source,
        rules=top.text("rules", 32, "nfhs", r"[a-z0-9_-]+", "small letters, digits, _ or -"),
        season=top.integer("season", 1990, 2100) if top.has("season") else None,
        state_folder=state_folder,
        runtime_folder=top.path("runtime_folder", str(default_runtime_folder())),
        journal=top.path("journal", str(state_folder / "journal.sqlite3")),
        controller_id=top.integer("controller_id", 1, 65535) if top.has("controller_id") else None,
        brightness=top.integer("brightness", 1, 15, 15),
        allow_unauthenticated=top.boolean("allow_unauthenticated", False),
        key_file=top.path("key_file") if top.has("key_file") else None,
        play_clock=_play_clock(top.table("play_clock")),
        boards=tuple(_board(board) for board in boards),
        handsets=tuple(_handset(handset) for handset in handsets),
        console=_console(console),
        overrides=tuple(_override(override) for override in overrides),
        options=_options(top.table("options")) if top.has("options") else (),
    )
    _check_boards(boards)
    _check_handsets(top, handsets, console)
    check_pins(boards, handsets)
    check_unique(overrides, "ending")
    _check_paths(top, boards, handsets)
    top.finish()
    return config


def _play_clock(table: Table) -> Settings:
    default = Settings()
    values = {
        name: table.number(name, low, high, "seconds", getattr(default, name))
        for name, (low, high) in RANGES.items()
    }
    table.finish()
    return Settings(**values)


def _board(table: Table) -> BoardConfig:
    driver = table.choice("driver", tuple(kind.name for kind in BOARD_DRIVERS))
    kind = _kind(table, BOARD_DRIVERS)
    numbered = kind is None or kind.numbered
    board = BoardConfig(
        name=table.text("name", 16),
        driver=driver,
        port=_port(table, BOARD_DRIVERS),
        node=table.integer("node", 1, 8) if numbered or table.has("node") else 0,
        rs485=table.choice("rs485", RS485, "adapter"),
        baud=table.choice("baud", *_bauds(kind)),
        parity=table.choice("parity", PARITIES, "none") if table.has("parity") else "none",
        stop_bits=table.choice("stop_bits", (1, 2), 1) if table.has("stop_bits") else 1,
        details=board_details(table, BOARD_DRIVERS),
    )
    if driver == "node":
        for key in [each for each in ("parity", "stop_bits") if table.has(each)]:
            table.problem(key, "a board node's line has neither; leave this out")
    table.finish()
    if not numbered:
        table.good.pop("node", None)
    return board


def _bauds(kind: DriverKind | None) -> tuple[tuple[int, ...], int]:
    """The rates of a driver of boards, and its default."""
    if kind is None or kind.name == "node":
        return BOARD_BAUDS, 38400
    if kind.needs_port:
        return LINE_BAUDS, 9600 if kind.name == "text_line" else 19200
    return tuple(sorted({*BOARD_BAUDS, *LINE_BAUDS})), 38400


def _kind(table: Table, kinds: tuple[DriverKind, ...]) -> DriverKind | None:
    """The driver that a table names; None when it names none."""
    return next((kind for kind in kinds if kind.name == table.good.get("driver")), None)


def _handset(table: Table) -> HandsetConfig:
    driver = table.choice("driver", tuple(kind.name for kind in HANDSET_DRIVERS))
    handset = HandsetConfig(
        driver=driver,
        id=table.integer("id", 1, 254),
        role=table.choice("role", ROLES),
        layout=table.choice("layout", LAYOUTS),
        port=_port(table, HANDSET_DRIVERS),
        baud=table.choice("baud", HANDSET_BAUDS, 38400),
        details=handset_details(table, HANDSET_DRIVERS),
    )
    table.finish()
    return handset


def _port(table: Table, kinds: tuple[DriverKind, ...]) -> str | None:
    """The port of a driver that needs one.

    The port given to another driver is checked and then left out, so that a rehearsal with
    simulated boards changes one word of the file.
    """
    kind = _kind(table, kinds)
    needed = kind is not None and kind.needs_port
    port = table.path("port") if table.has("port") or needed else None
    if kind is None:  # nothing is known of this port's use
        table.good.pop("port", None)
    elif not needed:
        table.good["port"] = port = None
    return None if port is None else str(port)


def _console(table: Table) -> ConsoleConfig:
    console = ConsoleConfig(
        enabled=table.boolean("enabled", True), role=table.choice("role", ROLES, "keeper")
    )
    table.finish()
    return console


def _options(table: Table) -> tuple[tuple[str, str], ...]:
    from controller.rulebook.options import load_options  # noqa: PLC0415 - few files have options

    chosen = []
    for name, option in load_options().items():
        if not table.has(name):
            continue
        if option.setting:
            table.problem(name, f"is no ruling: it is set by {option.setting}")
        else:
            chosen.append((name, table.choice(name, tuple(option.values))))
    table.finish()
    return tuple(chosen)


def _override(table: Table) -> Override:
    override = Override(
        ending=table.text("ending", 64, None, r"[a-z0-9_]+", "small letters, digits or _"),
        seconds=table.integer("seconds", 1, 99),
        starts_on=table.choice("starts_on", STARTS_ON),
        citation=table.text("citation", 200),
    )
    table.finish()
    return override


def _check_boards(boards: list[Table]) -> None:
    check_unique(boards, "name")
    check_unique(boards, "node", within="port")
    check_agree(boards, "rs485", within="port")
    check_agree(boards, "baud", within="port")
    check_agree(boards, "parity", within="port")
    check_agree(boards, "stop_bits", within="port")
    check_shared_lines(boards)


def _check_handsets(top: Table, handsets: list[Table], console: Table) -> None:
    check_unique(handsets, "id")
    check_agree(handsets, "baud", within="port")
    check_authenticated(top, handsets)
    with_key = {kind.name for kind in HANDSET_DRIVERS if kind.needs_key}
    for handset in handsets:
        if handset.good.get("driver") in with_key and not top.has("key_file"):
            driver = f"{handset.name('driver')} = {shown(handset.good['driver'])}"
            top.problem("key_file", f"missing; must be an absolute path, because of {driver}")
            break
    roles = [handset.good.get("role") for handset in handsets]
    if console.good.get("enabled") is not False:
        roles.append(console.good.get("role"))
    if all(role == "shadow" for role in roles):
        names = ", ".join(table.name("role") for table in [console, *handsets])
        what = "nobody would drive the clock: the console must be on, or a handset be there, with a"
        console.problem("enabled", f"{what} role other than shadow ({names})")


def _use(handset: Table) -> str:
    if handset.good.get("driver") == "input_event":
        return f"the device of {handset.name('driver')}"
    return "the port of the handsets' receiver"


def _check_paths(top: Table, boards: list[Table], handsets: list[Table]) -> None:
    """No path may serve two purposes. Two names of one device are caught when it is opened."""
    first: dict[object, tuple[str, str]] = {}
    names = {"state_folder": "state folder", "runtime_folder": "runtime folder"}
    names |= {"journal": "journal", "key_file": "key file"}
    uses = [(top, key, f"the {name}") for key, name in names.items()]
    uses += [(board, "port", f"the port of {board.good.get('driver')} boards") for board in boards]
    uses += [(handset, "port", _use(handset)) for handset in handsets]
    for table, key, use in uses:
        path = table.good.get(key)
        if path is None:
            continue
        name, other_use = first.setdefault(path, (table.name(key), use))
        if use != other_use:
            table.problem(key, f"cannot be {use} too: {name} makes it {other_use}")
