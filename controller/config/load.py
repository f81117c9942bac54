"""The configuration file: strict, whole, and read once at the start.

:func:`load_config` either gives a :class:`Config` that needs no further checking or raises one
:class:`ConfigError` with a line for each thing that is wrong. The commented example beside the
service units shows every key.
"""

from __future__ import annotations

import codecs
import tomllib
from dataclasses import fields
from pathlib import Path

from controller.config.default_paths import default_runtime_folder
from controller.config.device_tables import (
    check_boards,
    check_handsets,
    check_pins,
    read_board,
    read_handset,
    use_of_port,
)
from controller.config.model import ROLES, STARTS_ON, Config, ConsoleConfig, Override
from controller.config.toml_table import (
    ConfigError,
    Problems,
    Table,
    check_unique,
    nearest,
    shown,
)
from controller.rulebook.loader import in_force, load_seasons
from controller.rulebook.own_file import read_regular
from controller.rules.endings import ENDINGS
from controller.rules.rulings import RulesError
from controller.rules.settings import RANGES, Settings

LARGEST_FILE_BYTES = 1 << 20
"""A configuration is some kilobytes; a device or a journal given by mistake is more."""
_RULES = "small letters, digits, _ or -, or the absolute path of a file"
TOP_LEVEL = frozenset(field.name for field in fields(Config)) - {"source"}


def load_config(path: str | Path) -> Config:
    """Read a file. Raises :class:`ConfigError` for whatever is wrong with it."""
    source = str(path)
    try:
        data = read_regular(str(path), LARGEST_FILE_BYTES)
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


def _config(top: Table, source: str) -> Config:
    state_folder = top.path("state_folder", "/var/lib/playclock")
    boards = top.tables("boards")
    handsets = top.tables("handsets")
    overrides = top.tables("overrides")
    console = top.table("console")
    config = Config(
        source=source,
        rules=top.text("rules", 255, "nfhs", r"[a-z0-9_-]+|/.+", _RULES),
        season=top.integer("season", 1990, 2100) if top.has("season") else None,
        state_folder=state_folder,
        runtime_folder=top.path("runtime_folder", str(default_runtime_folder())),
        journal=top.path("journal", str(state_folder / "journal.sqlite3")),
        controller_id=top.integer("controller_id", 1, 65535) if top.has("controller_id") else None,
        brightness=top.integer("brightness", 1, 15, 15),
        allow_unauthenticated=top.boolean("allow_unauthenticated", False),
        key_file=top.path("key_file") if top.has("key_file") else None,
        play_clock=_play_clock(top.table("play_clock")),
        boards=tuple(read_board(board) for board in boards),
        handsets=tuple(read_handset(handset) for handset in handsets),
        console=_console(console),
        overrides=tuple(_override(override) for override in overrides),
        options=_options(top.table("options")) if top.has("options") else (),
    )
    _check_rules(top)
    check_boards(boards)
    check_handsets(top, handsets)
    _check_drivers_of_the_clock(console, handsets)
    check_pins([*boards, *handsets])
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


def _check_rules(top: Table) -> None:
    """The rule set must be there and right, and hold the season, if both are spelled right."""
    code, season = top.good.get("rules"), top.good.get("season")
    if not isinstance(code, str):
        return
    try:
        seasons = load_seasons(code)
    except RulesError as error:
        top.problem("rules", str(error))
        return
    try:
        in_force(seasons, season if isinstance(season, int) else None, code)
    except RulesError as error:
        top.problem("season", str(error))


def _ending(table: Table) -> str:
    """The ending that a word of the trade is for."""
    from controller.rulebook.field_words import ending_named  # noqa: PLC0415 - as on the console

    word = table.text("ending", 64)
    if "ending" not in table.good:
        return word
    ending = ending_named(word)
    if ending not in ENDINGS:
        near = nearest(ending, ENDINGS)
        advice = f"the nearest is {shown(near)}" if near else "`playclock rules CODE` lists them"
        table.problem("ending", f"no ending of any rule set; {advice}")
    table.good["ending"] = ending  # two words for one ending are twice the same
    return ending


def _override(table: Table) -> Override:
    ending = _ending(table)
    override = Override(
        ending=ending,
        seconds=table.integer("seconds", 1, 99),
        starts_on=table.choice("starts_on", STARTS_ON),
        citation=table.text("citation", 200),
    )
    table.finish()
    return override


def _check_drivers_of_the_clock(console: Table, handsets: list[Table]) -> None:
    """Somebody must drive the clock."""
    roles = [handset.good.get("role") for handset in handsets]
    if console.good.get("enabled") is not False:
        roles.append(console.good.get("role"))
    if all(role == "shadow" for role in roles):
        names = ", ".join(table.name("role") for table in [console, *handsets])
        what = "nobody would drive the clock: the console must be on, or a handset be there, with a"
        console.problem("enabled", f"{what} role other than shadow ({names})")


def _check_paths(top: Table, boards: list[Table], handsets: list[Table]) -> None:
    """No path may serve two purposes. Two names of one device are caught when it is opened."""
    first: dict[object, tuple[str, str]] = {}
    names = {"state_folder": "state folder", "runtime_folder": "runtime folder"}
    names |= {"journal": "journal", "key_file": "key file"}
    uses = [(top, key, f"the {name}") for key, name in names.items()]
    uses += [(board, "port", f"the port of {board.good.get('driver')} boards") for board in boards]
    uses += [(handset, "port", use_of_port(handset)) for handset in handsets]
    for table, key, use in uses:
        path = table.good.get(key)
        if path is None:
            continue
        name, other_use = first.setdefault(path, (table.name(key), use))
        if use != other_use:
            table.problem(key, f"cannot be {use} too: {name} makes it {other_use}")
