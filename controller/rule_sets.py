"""Loads the rule sets that ship with the controller, strictly."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from controller.rules.rulings import Combination, RulesError, RuleSet, Ruling, StartsOn

FOLDER = Path(__file__).parent / "rules" / "codes"

Table = Mapping[str, Any]

_READ_AS = ("text", "table", "memory")
_LONGEST_SHOWN = 60
_TOP = {"code", "title", "sources", "seasons"}
_SEASON = {
    "from",
    "routine_s",
    "administrative_s",
    "marks",
    "routine_marks",
    "rulings",
    "facts",
    "combinations",
    "cancelled",
}


def codes() -> list[str]:
    """The codes that ship with the controller, in alphabetical order."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def load_rule_set(code: str, season: int | None = None) -> RuleSet:
    """The rule set of ``code`` in force in ``season`` (a year; None is the newest).

    Raises :class:`RulesError` for an unknown code, a season before the first, or a damaged file.
    """
    known = codes()
    if code not in known:
        raise RulesError(f"unknown code {code!r}; known: {', '.join(known)}")
    path = FOLDER / f"{code}.toml"
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise RulesError(f"{path.name}: byte {error.start} is not UTF-8") from error
    return parse_rule_set(text, season, path.name)


def parse_rule_set(text: str, season: int | None, source: str) -> RuleSet:
    """A rule set from TOML. ``source`` names the file in errors.

    Raises :class:`RulesError`.
    """
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # the parser lets both through
        raise RulesError(f"{source}: {error}") from error
    try:
        _only(document, _TOP, "")
        return _rule_set(document, season)
    except RulesError as error:
        raise RulesError(f"{source}: {error}") from None


def fingerprint(rule_set: RuleSet) -> str:
    """SHA-256 over every ruling, local overrides included: 16 hexadecimal digits for the record."""
    from hashlib import sha256  # noqa: PLC0415 - loads OpenSSL, which `ruling` does not need

    lines = [f"{rule_set.code} {rule_set.season_from}"]
    lines += [f"{rule_set.routine_s} {rule_set.administrative_s}"]
    lines += [f"{sorted(rule_set.marks)} {sorted(rule_set.routine_marks)}"]
    lines += [str(rule_set.rulings[ending]) for ending in sorted(rule_set.rulings)]
    lines += [f"{key} {rule_set.with_fact[key]}" for key in sorted(rule_set.with_fact)]
    lines += [f"{sorted(each.all_of)} {each.mean}" for each in rule_set.combinations]
    lines += [str(sorted(rule_set.cancelled))]
    return sha256("\n".join(lines).encode()).hexdigest()[:16]


def _rule_set(document: Table, season: int | None) -> RuleSet:
    table = _season_in_force(document, season)
    _only(table, _SEASON, f"season {table['from']}: ")
    sources = _table(document, "sources")
    rulings = {
        ending: _ruling(ending, _as_table(entry, ending), sources)
        for ending, entry in _table(table, "rulings").items()
    }
    if "routine" not in rulings:
        raise RulesError("routine: no ruling, although every rule set has a routine end of play")
    return RuleSet(
        code=_text(document, "code"),
        title=_text(document, "title"),
        season_from=table["from"],
        season=table["from"] if season is None else season,
        routine_s=_whole(_given(table, "routine_s"), "routine_s"),
        administrative_s=_whole(_given(table, "administrative_s"), "administrative_s"),
        rulings=rulings,
        with_fact=_facts(table, rulings),
        combinations=_combinations(table, rulings),
        cancelled=_cancelled(table, rulings),
        marks=_marks(table, "marks"),
        routine_marks=_marks(table, "routine_marks"),
    )


def _season_in_force(document: Table, season: int | None) -> Table:
    tables = _tables(document, "seasons")
    for table in tables:
        _whole(_given(table, "from", "seasons: "), "from", 1869, 2999)  # 1869: the first game
    if not tables:
        raise RulesError("seasons: at least one is needed")
    tables.sort(key=lambda table: int(table["from"]))
    fitting = [each for each in tables if season is None or each["from"] <= season]
    if not fitting:
        raise RulesError(f"no season {season}: the first one held is {tables[0]['from']}")
    return fitting[-1]


def _ruling(ending: str, entry: Table, sources: Table) -> Ruling:
    where = f"{_cut(ending)}: "
    _only(entry, {"seconds", "starts_on", "source"}, where)
    name = _text(entry, "source", where)
    if name not in sources:
        raise RulesError(f"{where}unknown source {_shown(name)}")
    from_source = f"source {_cut(name)}: "
    source = _as_table(sources[name], from_source.removesuffix(": "))
    read_as = _text(source, "read_as", from_source)
    if read_as not in _READ_AS:
        raise RulesError(f"{from_source}read_as {_shown(read_as)}: one of {', '.join(_READ_AS)}")
    seconds = entry.get("seconds")
    if seconds is not None:
        _whole(seconds, f"{where}seconds")
    word = _text(entry, "starts_on", where)
    try:
        starts_on = StartsOn(word)
    except ValueError:
        allowed = ", ".join(each.value for each in StartsOn)
        raise RulesError(f"{where}starts_on {_shown(word)}: one of {allowed}") from None
    if seconds is None and starts_on is not StartsOn.SIGNAL:
        raise RulesError(f"{where}seconds missing, although it starts on {starts_on.value}")
    return Ruling(ending, seconds, starts_on, _text(source, "citation", from_source), read_as)


def _facts(table: Table, rulings: Mapping[str, Ruling]) -> dict[tuple[str, str], str]:
    facts = {}
    for entry in _tables(table, "facts", needed=False):
        _only(entry, {"fact", "endings", "mean"}, "facts: ")
        fact = _text(entry, "fact", "facts: ")
        if fact in rulings:
            raise RulesError(f"facts: {_shown(fact)} is an ending and cannot be a fact too")
        [mean] = _known([_given(entry, "mean", "facts: ")], "facts.mean", rulings)
        for ending in _known(_given(entry, "endings", "facts: "), "facts.endings", rulings):
            facts[ending, fact] = mean
    return facts


def _combinations(table: Table, rulings: Mapping[str, Ruling]) -> tuple[Combination, ...]:
    where, combinations = "combinations: ", []
    for entry in _tables(table, "combinations", needed=False):
        _only(entry, {"all_of", "mean"}, where)
        all_of = frozenset(_known(_given(entry, "all_of", where), "combinations.all_of", rulings))
        if len(all_of) < 2:
            raise RulesError(
                f"combinations.all_of = {_shown(sorted(all_of))}: at least two endings"
            )
        [mean] = _known([_given(entry, "mean", where)], "combinations.mean", rulings)
        combinations.append(Combination(all_of, mean))
    return tuple(combinations)


def _cancelled(table: Table, rulings: Mapping[str, Ruling]) -> frozenset[str]:
    if "cancelled" not in table:
        return frozenset()
    cancelled = _table(table, "cancelled")
    _only(cancelled, {"endings"}, "cancelled: ")
    return frozenset(
        _known(_given(cancelled, "endings", "cancelled: "), "cancelled.endings", rulings)
    )


def _known(endings: object, key: str, rulings: Mapping[str, Ruling]) -> list[str]:
    if not isinstance(endings, list):
        raise RulesError(f"{key} = {_shown(endings)}: must be a list of endings")
    for ending in endings:
        if not isinstance(ending, str) or ending not in rulings:
            raise RulesError(f"{key}: ending {_shown(ending)} has no ruling")
    return endings


def _marks(table: Table, key: str) -> frozenset[int]:
    marks = _given(table, key)
    if not isinstance(marks, list):
        raise RulesError(f"{key} = {_shown(marks)}: must be a list of seconds")
    return frozenset(_whole(mark, key, 0) for mark in marks)


def _whole(value: object, key: str, low: int = 1, high: int = 99) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise RulesError(f"{key} = {_shown(value)}: must be a whole number from {low} to {high}")
    return value


def _text(table: Table, key: str, where: str = "") -> str:
    value = _given(table, key, where)
    if not isinstance(value, str) or not value or not value.isprintable():
        raise RulesError(f"{where}{key} = {_shown(value)}: must be text in one line")
    return value


def _table(table: Table, key: str) -> Table:
    return _as_table(_given(table, key), key)


def _as_table(value: object, name: str) -> Table:
    if not isinstance(value, dict):
        raise RulesError(f"{_cut(name)} = {_shown(value)}: must be a table")
    return value


def _tables(table: Table, key: str, needed: bool = True) -> list[Table]:
    value = _given(table, key) if needed else table.get(key, [])
    if not isinstance(value, list):
        raise RulesError(f"{key} = {_shown(value)}: must be tables, [[{key}]] above each")
    return [_as_table(each, key) for each in value]


def _given(table: Table, key: str, where: str = "") -> Any:
    if key not in table:
        raise RulesError(f"{where}missing key {key!r}")
    return table[key]


def _only(table: Table, allowed: set[str], where: str) -> None:
    for key in table:
        if key not in allowed:
            allowed_words = ", ".join(sorted(allowed))
            raise RulesError(f"{where}unknown key {_shown(key)}; allowed: {allowed_words}")


def _shown(value: object) -> str:
    """A value of the file in one line, cut short."""
    try:
        return _cut(repr(value))
    except ValueError:  # Python prints no integer of thousands of digits
        return "(too long a number)"


def _cut(text: str) -> str:
    text = text if text.isprintable() else ascii(text)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 1]}…"
