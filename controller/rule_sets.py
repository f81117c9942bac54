"""Loads the rule sets that ship with the controller, strictly."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from controller.rules.rulings import Combination, RulesError, RuleSet, Ruling, StartsOn

FOLDER = Path(__file__).parent / "rules" / "codes"

_READ_AS = ("text", "table", "memory")
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
    return parse_rule_set(path.read_text(encoding="utf-8"), season, path.name)


def parse_rule_set(text: str, season: int | None, source: str) -> RuleSet:
    """A rule set from TOML. ``source`` names the file in errors."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RulesError(f"{source}: {error}") from error
    try:
        _only(document, _TOP, "")
        return _season(document, season, source)
    except (KeyError, TypeError, AttributeError) as error:
        raise RulesError(f"{source}: missing or malformed key {error}") from error
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


def _season(document: Mapping[str, Any], season: int | None, source: str) -> RuleSet:
    for table in document["seasons"]:
        _whole(table["from"], "from", 1869, 2999)  # the first intercollegiate game
    tables = sorted(document["seasons"], key=lambda table: int(table["from"]))
    fitting = [each for each in tables if season is None or each["from"] <= season]
    if not fitting:
        first = tables[0]["from"]
        raise RulesError(f"no season {season}: the first one held is {first}")
    table = fitting[-1]
    _only(table, _SEASON, f"season {table['from']}: ")
    rulings = {
        ending: _ruling(ending, entry, document["sources"])
        for ending, entry in table["rulings"].items()
    }
    if "routine" not in rulings:
        raise RulesError("routine: no ruling, although every rule set has a routine end of play")
    cancelled = table.get("cancelled", {"endings": []})
    _only(cancelled, {"endings"}, "cancelled: ")
    return RuleSet(
        code=document["code"],
        title=document["title"],
        season_from=table["from"],
        season=table["from"] if season is None else season,
        routine_s=_whole(table["routine_s"], "routine_s"),
        administrative_s=_whole(table["administrative_s"], "administrative_s"),
        rulings=rulings,
        with_fact=_facts(table, rulings),
        combinations=_combinations(table, rulings),
        cancelled=frozenset(_known(cancelled["endings"], "cancelled.endings", rulings)),
        marks=_marks(table, "marks"),
        routine_marks=_marks(table, "routine_marks"),
    )


def _ruling(ending: str, entry: Mapping[str, Any], sources: Mapping[str, Any]) -> Ruling:
    _only(entry, {"seconds", "starts_on", "source"}, f"{ending}: ")
    if entry["source"] not in sources:
        raise RulesError(f"{ending}: unknown source {entry['source']!r}")
    source = sources[entry["source"]]
    if source["read_as"] not in _READ_AS:
        raise RulesError(f"source {entry['source']}: read_as {source['read_as']!r}")
    seconds = entry.get("seconds")
    if seconds is not None:
        _whole(seconds, f"{ending}: seconds")
    try:
        starts_on = StartsOn(entry["starts_on"])
    except ValueError:
        allowed = ", ".join(each.value for each in StartsOn)
        raise RulesError(f"{ending}: starts_on {entry['starts_on']!r}: one of {allowed}") from None
    if seconds is None and starts_on is not StartsOn.SIGNAL:
        raise RulesError(f"{ending}: seconds missing, although it starts on {starts_on.value}")
    return Ruling(ending, seconds, starts_on, source["citation"], source["read_as"])


def _facts(table: Mapping[str, Any], rulings: Mapping[str, Ruling]) -> dict[tuple[str, str], str]:
    facts = {}
    for entry in table.get("facts", []):
        _only(entry, {"fact", "endings", "mean"}, "facts: ")
        [mean] = _known([entry["mean"]], "facts.mean", rulings)
        for ending in _known(entry["endings"], "facts.endings", rulings):
            facts[ending, entry["fact"]] = mean
    return facts


def _combinations(
    table: Mapping[str, Any], rulings: Mapping[str, Ruling]
) -> tuple[Combination, ...]:
    combinations = []
    for entry in table.get("combinations", []):
        _only(entry, {"all_of", "mean"}, "combinations: ")
        all_of = frozenset(_known(entry["all_of"], "combinations.all_of", rulings))
        [mean] = _known([entry["mean"]], "combinations.mean", rulings)
        combinations.append(Combination(all_of, mean))
    return tuple(combinations)


def _known(endings: object, key: str, rulings: Mapping[str, Ruling]) -> list[str]:
    if not isinstance(endings, list):
        raise RulesError(f"{key} = {endings!r}: must be a list of endings")
    for ending in endings:
        if ending not in rulings:
            raise RulesError(f"{key}: ending {ending!r} has no ruling")
    return endings


def _marks(table: Mapping[str, Any], key: str) -> frozenset[int]:
    marks = table[key]
    if not isinstance(marks, list):
        raise RulesError(f"{key} = {marks!r}: must be a list of seconds")
    return frozenset(_whole(mark, key, 0) for mark in marks)


def _whole(value: object, key: str, low: int = 1, high: int = 99) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise RulesError(f"{key} = {value!r}: must be a whole number from {low} to {high}")
    return value


def _only(table: Mapping[str, Any], allowed: set[str], where: str) -> None:
    for key in table:
        if key not in allowed:
            raise RulesError(f"{where}unknown key {key!r}; allowed: {', '.join(sorted(allowed))}")
