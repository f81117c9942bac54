"""Reads the fields of a rule file strictly: what is wrong is named with its place and value."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from controller.rules.endings import FACTS
from controller.rules.rulings import RulesError, StartsOn, nearest, variant

Table = Mapping[str, Any]

_LONGEST_SHOWN = 60
READ_AS = ("text", "table", "memory")


class Located(dict[str, Any]):
    """A table that knows its own ``line`` in the file and the ``lines`` of its keys, from 1."""

    def __init__(self, items: dict[str, Any], line: int, lines: dict[str, int]) -> None:
        super().__init__(items)
        self.line = line
        self.lines = lines


def line_of(table: object, key: str | None = None) -> int:
    """The line of ``key`` in ``table``, else of the table itself; 0 where it is not known."""
    if not isinstance(table, Located):
        return 0
    return table.line if key is None else table.lines.get(key, table.line)


class FieldError(RulesError):
    """A field that is wrong. ``line`` is where it stands in the file, from 1; 0 if not known."""

    def __init__(self, what: str, line: int = 0) -> None:
        super().__init__(what)
        self.line = line


def within(where: str, error: RulesError) -> FieldError:
    """``error`` with the place it is in before it; its line stays."""
    return FieldError(f"{where}{error}", getattr(error, "line", 0))


def read_count(entry: Table, where: str) -> tuple[int | None, StartsOn]:
    """Seconds (None for no new count) and what starts them."""
    seconds = entry.get("seconds")
    if seconds is not None and seconds != "none":
        whole(entry, "seconds", where=where)
    word = text(entry, "starts_on", where)
    try:
        starts_on = StartsOn(word)
    except ValueError:
        allowed = ", ".join(each.value for each in StartsOn)
        what = f"{where}starts_on {shown(word)}: one of {allowed}"
        raise FieldError(what, line_of(entry, "starts_on")) from None
    if seconds is None and starts_on is not StartsOn.SIGNAL:
        what = f"{where}seconds missing, although it starts on {starts_on.value}; "
        what += 'say seconds = "none" where no new count is set'
        raise FieldError(what, line_of(entry))
    return None if seconds == "none" else seconds, starts_on


def read_as(entry: Table, where: str) -> str:
    """How a source was read."""
    word = text(entry, "read_as", where)
    if word not in READ_AS:
        what = f"{where}read_as {shown(word)}: one of {', '.join(READ_AS)}"
        raise FieldError(what, line_of(entry, "read_as"))
    return word


def fact_endings(entry: Table, known: Collection[str], where: str) -> list[tuple[str, str]]:
    """Each ending of a row of facts, with the fact."""
    fact = text(entry, "fact", where)
    if fact in known:
        what = f"{where}{shown(fact)} is an ending and cannot be a fact too"
        raise FieldError(what, line_of(entry, "fact"))
    if fact not in FACTS:
        raise FieldError(f"{where}{unknown('fact', fact, FACTS)}", line_of(entry, "fact"))
    return [(ending, fact) for ending in known_endings(entry, "endings", known, where)]


def variants_of(pairs: list[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """The name of the variant of each ending with its fact."""
    return {pair: variant(*pair) for pair in pairs}


def known_endings(entry: Table, key: str, known: Collection[str], where: str) -> list[str]:
    """A list of endings that have rulings."""
    endings = given(entry, key, where)
    if not isinstance(endings, list):
        what = f"{where}{key} = {shown(endings)}: must be a list of endings"
        raise FieldError(what, line_of(entry, key))
    for ending in endings:
        _known_ending(entry, key, ending, known, where)
    return endings


def known_ending(entry: Table, key: str, known: Collection[str], where: str) -> str:
    """One ending that has a ruling."""
    return _known_ending(entry, key, given(entry, key, where), known, where)


def _known_ending(
    entry: Table, key: str, ending: object, known: Collection[str], where: str
) -> str:
    if isinstance(ending, str) and ending in known:
        return ending
    what = f"{where}{key}: ending {shown(ending)} has no ruling"
    if isinstance(ending, str):
        what += hint(ending, known)
    raise FieldError(what, line_of(entry, key))


def unknown(what: str, word: str, known: Collection[str]) -> str:
    """That ``word`` is none of ``known``, with the nearest ones."""
    return f"unknown {what} {shown(word)}{hint(word, known)}"


def hint(word: str, known: Collection[str]) -> str:
    """The names that ``word`` may have been meant to be, if any is near."""
    near = nearest(word[:_LONGEST_SHOWN], known)
    return f"; nearest: {', '.join(near)}" if near else ""


def marks(table: Table, key: str) -> frozenset[int]:
    """Seconds left, 0 to 99."""
    value = given(table, key)
    line = line_of(table, key)
    if not isinstance(value, list):
        raise FieldError(f"{key} = {shown(value)}: must be a list of seconds", line)
    return frozenset(_whole(mark, key, 0, 99, line) for mark in value)


def whole(table: Table, key: str, low: int = 1, high: int = 99, where: str = "") -> int:
    """A whole number from ``low`` to ``high``."""
    value = given(table, key, where)
    return _whole(value, f"{where}{key}", low, high, line_of(table, key))


def _whole(value: object, name: str, low: int, high: int, line: int) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        what = f"{name} = {shown(value)}: must be a whole number from {low} to {high}"
        raise FieldError(what, line)
    return value


def text(table: Table, key: str, where: str = "") -> str:
    """Text in one line."""
    value = given(table, key, where)
    if not isinstance(value, str) or not value or not value.isprintable():
        what = f"{where}{key} = {shown(value)}: must be text in one line"
        raise FieldError(what, line_of(table, key))
    return value


def table_at(table: Table, key: str, where: str = "") -> Table:
    """The table ``[key]``."""
    return as_table(given(table, key, where), f"{where}{key}", line_of(table, key))


def as_table(value: object, name: str, line: int = 0) -> Table:
    """``value``, which must be a table."""
    if not isinstance(value, dict):
        raise FieldError(f"{cut(name)} = {shown(value)}: must be a table", line)
    return value


def tables(table: Table, key: str, needed: bool = True) -> list[Table]:
    """The tables ``[[key]]``."""
    value = given(table, key) if needed else table.get(key, [])
    line = line_of(table, key)
    if not isinstance(value, list):
        raise FieldError(f"{key} = {shown(value)}: must be tables, [[{key}]] above each", line)
    return [as_table(each, key, line) for each in value]


def given(table: Table, key: str, where: str = "") -> Any:
    """The value of a key that must be there."""
    if key not in table:
        raise FieldError(f"{where}missing key {key!r}", line_of(table))
    return table[key]


def only(table: Table, allowed: Collection[str], where: str) -> None:
    """No key may be there that nobody reads."""
    for key, value in table.items():
        if key not in allowed:
            allowed_words = ", ".join(sorted(allowed))
            what = f"{where}unknown key {shown(key)} = {shown(value)}; allowed: {allowed_words}"
            raise FieldError(what, line_of(table, key))


def shown(value: object) -> str:
    """A value of the file in one line, cut short."""
    try:
        return cut(repr(value))
    except ValueError:  # Python prints no integer of thousands of digits
        return "(too long a number)"


def cut(words: str) -> str:
    """Printable, and no longer than a line can hold."""
    words = words if words.isprintable() else ascii(words)
    return words if len(words) <= _LONGEST_SHOWN else f"{words[: _LONGEST_SHOWN - 1]}…"
