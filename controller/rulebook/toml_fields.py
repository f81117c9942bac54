"""Reads the fields of a rule file strictly: what is wrong is named with its place and value."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from controller.rules.rulings import RulesError, StartsOn, variant

Table = Mapping[str, Any]

_LONGEST_SHOWN = 60
READ_AS = ("text", "table", "memory")


def read_count(entry: Table, where: str) -> tuple[int | None, StartsOn]:
    """Seconds (None for no new count) and what starts them."""
    seconds = entry.get("seconds")
    if seconds is not None and seconds != "none":
        whole(seconds, f"{where}seconds")
    word = text(entry, "starts_on", where)
    try:
        starts_on = StartsOn(word)
    except ValueError:
        allowed = ", ".join(each.value for each in StartsOn)
        raise RulesError(f"{where}starts_on {shown(word)}: one of {allowed}") from None
    if seconds is None and starts_on is not StartsOn.SIGNAL:
        raise RulesError(
            f"{where}seconds missing, although it starts on {starts_on.value}; "
            'say seconds = "none" where no new count is set'
        )
    return None if seconds == "none" else seconds, starts_on


def read_as(entry: Table, where: str) -> str:
    """How a source was read."""
    word = text(entry, "read_as", where)
    if word not in READ_AS:
        raise RulesError(f"{where}read_as {shown(word)}: one of {', '.join(READ_AS)}")
    return word


def fact_endings(entry: Table, known: Collection[str], where: str) -> list[tuple[str, str]]:
    """Each ending of a row of facts, with the fact."""
    fact = text(entry, "fact", where)
    if fact in known:
        raise RulesError(f"{where}{shown(fact)} is an ending and cannot be a fact too")
    endings = known_endings(given(entry, "endings", where), "facts.endings", known)
    return [(ending, fact) for ending in endings]


def variants_of(pairs: list[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """The name of the variant of each ending with its fact."""
    return {pair: variant(*pair) for pair in pairs}


def known_endings(endings: object, key: str, known: Collection[str]) -> list[str]:
    """A list of endings that have rulings."""
    if not isinstance(endings, list):
        raise RulesError(f"{key} = {shown(endings)}: must be a list of endings")
    for ending in endings:
        if not isinstance(ending, str) or ending not in known:
            raise RulesError(f"{key}: ending {shown(ending)} has no ruling")
    return endings


def marks(table: Table, key: str) -> frozenset[int]:
    """Seconds left, 0 to 99."""
    value = given(table, key)
    if not isinstance(value, list):
        raise RulesError(f"{key} = {shown(value)}: must be a list of seconds")
    return frozenset(whole(mark, key, 0) for mark in value)


def whole(value: object, key: str, low: int = 1, high: int = 99) -> int:
    """A whole number from ``low`` to ``high``."""
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise RulesError(f"{key} = {shown(value)}: must be a whole number from {low} to {high}")
    return value


def text(table: Table, key: str, where: str = "") -> str:
    """Text in one line."""
    value = given(table, key, where)
    if not isinstance(value, str) or not value or not value.isprintable():
        raise RulesError(f"{where}{key} = {shown(value)}: must be text in one line")
    return value


def table_at(table: Table, key: str, where: str = "") -> Table:
    """The table ``[key]``."""
    return as_table(given(table, key, where), f"{where}{key}")


def as_table(value: object, name: str) -> Table:
    """``value``, which must be a table."""
    if not isinstance(value, dict):
        raise RulesError(f"{cut(name)} = {shown(value)}: must be a table")
    return value


def tables(table: Table, key: str, needed: bool = True) -> list[Table]:
    """The tables ``[[key]]``."""
    value = given(table, key) if needed else table.get(key, [])
    if not isinstance(value, list):
        raise RulesError(f"{key} = {shown(value)}: must be tables, [[{key}]] above each")
    return [as_table(each, key) for each in value]


def given(table: Table, key: str, where: str = "") -> Any:
    """The value of a key that must be there."""
    if key not in table:
        raise RulesError(f"{where}missing key {key!r}")
    return table[key]


def only(table: Table, allowed: set[str], where: str) -> None:
    """No key may be there that nobody reads."""
    for key in table:
        if key not in allowed:
            allowed_words = ", ".join(sorted(allowed))
            raise RulesError(f"{where}unknown key {shown(key)}; allowed: {allowed_words}")


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
