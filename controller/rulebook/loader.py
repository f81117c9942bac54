"""Loads the rule sets that ship with the controller, strictly.

One file a code. The newest season is written out whole; an earlier one may say ``like`` a later
one and hold only its differences, so that each change of the rules is read in one place. ``rest``
is the ruling of every ending that a season does not name. A code that ``follows`` another takes
its seasons from there; ``note`` is then the reason why, and stands beside every ruling taken.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from typing import Any

from controller.rulebook.toml_fields import (
    Table,
    as_table,
    cut,
    fact_endings,
    given,
    known_endings,
    marks,
    only,
    read_as,
    read_count,
    shown,
    table_at,
    tables,
    text,
    variants_of,
    whole,
)
from controller.rules.endings import ENDINGS, FACTS, PLAYS
from controller.rules.rulings import (
    Combination,
    PromisedPlay,
    RulesError,
    RuleSet,
    Ruling,
    nearest,
)

FOLDER = os.path.join(os.path.dirname(os.path.dirname(__file__)), "rules", "codes")  # noqa: PTH118, PTH120
"""Where the files are. Without pathlib: ``ruling`` must answer as fast as Python starts."""

OTHER_NAMES = {
    "cfl": "canadian",
    "college": "ncaa",
    "football_canada": "canadian_amateur",
    "high_school": "nfhs",
    "nirsa": "flag",
    "six_man": "texas_six_man",
}
"""Other words for a code."""

_TOP = {"code", "title", "sources", "seasons", "follows", "note", "ready_by_whistle"}
_SEASON = {
    "from",
    "like",
    "rest",
    "routine_s",
    "administrative_s",
    "marks",
    "routine_marks",
    "rulings",
    "facts",
    "combinations",
    "cancelled",
    "plays",
}
_PLAY = {"after", "ends", "before", "facts", "ended_by", "again", "not_after", "opens_half"}
_FIRST_GAME = 1869
_NOTHING = RuleSet("", "", _FIRST_GAME, _FIRST_GAME, 0, 0, {})
"""What a season that builds on no other builds on."""


def codes() -> list[str]:
    """The codes that ship with the controller, in alphabetical order."""
    return sorted(name[:-5] for name in os.listdir(FOLDER) if name.endswith(".toml"))  # noqa: PTH208


def load_rule_set(code: str, season: int | None = None) -> RuleSet:
    """The rule set of ``code`` in force in ``season`` (a year; None is the newest).

    Raises :class:`RulesError` for an unknown code, a season before the first, or a damaged file.
    """
    return in_force(load_seasons(code), season, code)


def load_seasons(code: str) -> list[RuleSet]:
    """Every season of ``code``, oldest first. Raises :class:`RulesError`."""
    name = code.lower()
    name = OTHER_NAMES.get(name, name)
    known = codes()
    if name not in known:
        near = nearest(name, [*known, *OTHER_NAMES])
        hint = f"nearest: {', '.join(near)}; " if near else ""
        raise RulesError(f"unknown code {code!r}; {hint}known: {', '.join(known)}")
    source = f"{name}.toml"
    with open(os.path.join(FOLDER, source), "rb") as file:  # noqa: PTH118, PTH123
        data = file.read()
    try:
        words = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise RulesError(f"{source}: byte {error.start} is not UTF-8") from error
    return parse_seasons(words, source)


def parse_seasons(words: str, source: str) -> list[RuleSet]:
    """Every season of a file, oldest first. Raises :class:`RulesError`."""
    try:
        document = tomllib.loads(words)
    except (ValueError, RecursionError) as error:  # the parser lets both through
        raise RulesError(f"{source}: {error}") from error
    try:
        only(document, _TOP, "")
        return _seasons(document)
    except RulesError as error:
        raise RulesError(f"{source}: {error}") from None


def fingerprint(rule_set: RuleSet) -> str:
    """SHA-256 over every ruling, local overrides included: 16 hexadecimal digits for the record."""
    from hashlib import sha256  # noqa: PLC0415 - loads OpenSSL, which `ruling` does not need

    lines = [f"{rule_set.code} {rule_set.season_from}"]
    lines += [f"{rule_set.routine_s} {rule_set.administrative_s}"]
    lines += [f"{sorted(rule_set.marks)} {sorted(rule_set.routine_marks)}"]
    for rulings in (rule_set.rulings, rule_set.variants):
        lines += [f"{name} {rulings[name]}" for name in sorted(rulings)]
    lines += [f"{key} {rule_set.with_fact[key]}" for key in sorted(rule_set.with_fact)]
    for each in rule_set.combinations:
        lines += [f"{sorted(each.all_of)} {each.mean} {sorted(each.first.items())}"]
    for name, play in rule_set.plays.items():
        lines += [f"{name} {sorted(play.after)} {play.ends} {play.before} {sorted(play.facts)}"]
        lines += [f"{sorted(play.ended_by)} {play.again} {play.not_after} {play.opens_half}"]
    lines += [str(sorted(rule_set.cancelled))]
    return sha256("\n".join(lines).encode()).hexdigest()[:16]


def in_force(seasons: list[RuleSet], season: int | None, source: str) -> RuleSet:
    """The rules of ``season`` out of all ``seasons``, oldest first; None is the newest.

    Raises :class:`RulesError`, which names ``source``, for a season before the first.
    """
    if season is None:
        return seasons[-1]
    fitting = [each for each in seasons if each.season_from <= season]
    if not fitting:
        first = seasons[0].season_from
        raise RulesError(f"{source}: no season {season}: the first one held is {first}")
    return replace(fitting[-1], season=season)


def _seasons(document: Table) -> list[RuleSet]:
    """Every season, newest first parsed, oldest first given."""
    rows = tables(document, "seasons", needed="follows" not in document)
    for row in rows:
        whole(given(row, "from", "seasons: "), "from", _FIRST_GAME, 2999)
    if "follows" in document:
        return _following(document, rows)
    if "note" in document:
        raise RulesError("note: stands only in a code that follows another")
    if not rows:
        raise RulesError("seasons: at least one is needed")
    found: dict[int, RuleSet] = {}
    for row in sorted(rows, key=lambda row: int(row["from"]), reverse=True):
        if row["from"] in found:
            raise RulesError(f"season {row['from']}: is there twice")
        found[row["from"]] = _season(document, row, _like(row, found, "a later season"))
    return sorted(found.values(), key=lambda each: each.season_from)


def _following(document: Table, rows: list[Table]) -> list[RuleSet]:
    code, title, note = (text(document, key) for key in ("code", "title", "note"))

    def noted(rulings: Mapping[str, Ruling]) -> dict[str, Ruling]:
        return {
            name: replace(each, unsettled=f"{each.unsettled}; {note}" if each.unsettled else note)
            for name, each in rulings.items()
        }

    taken = {
        base.season_from: replace(
            base,
            code=code,
            title=title,
            rulings=noted(base.rulings),
            variants=noted(base.variants),
        )
        for base in load_seasons(text(document, "follows"))
    }
    if not rows:
        return list(taken.values())
    found = [
        _season(document, row, _like(row, taken, "a season of the code followed")) for row in rows
    ]
    return sorted(found, key=lambda each: each.season_from)


def _like(row: Table, known: Mapping[int, RuleSet], what: str) -> RuleSet | None:
    """The season that ``row`` builds on, if it says so."""
    if "like" not in row:
        return None
    year = row["like"]
    if not isinstance(year, int) or year not in known:
        years = ", ".join(map(str, sorted(known))) or "none"
        raise RulesError(f"season {row['from']}: like = {shown(year)}: must be {what}: {years}")
    return known[year]


def _season(document: Table, row: Table, base: RuleSet | None) -> RuleSet:
    """One season: its own rows, laid over ``base``."""
    only(row, _SEASON, f"season {row['from']}: ")
    try:
        return _laid_over(document, row, base)
    except RulesError as error:
        if len(document["seasons"]) == 1:
            raise
        raise RulesError(f"season {row['from']}: {error}") from None


def _laid_over(document: Table, row: Table, base: RuleSet | None) -> RuleSet:
    bare = base is not None and "sources" not in document
    sources = {} if bare else table_at(document, "sources")
    rulings = _rulings(row, base, sources)
    with_fact, variants = _facts(row, rulings, sources)

    def own(key: str, read: Callable[[Table, str], Any]) -> Any:
        return getattr(base, key) if base is not None and key not in row else read(row, key)

    known = base or _NOTHING
    return RuleSet(
        code=text(document, "code"),
        title=text(document, "title"),
        season_from=row["from"],
        season=row["from"],
        routine_s=own("routine_s", _number),
        administrative_s=own("administrative_s", _number),
        rulings=rulings,
        with_fact={**known.with_fact, **with_fact},
        variants={**known.variants, **variants},
        combinations=known.combinations + _combinations(row, rulings),
        cancelled=_cancelled(row, rulings) if "cancelled" in row else known.cancelled,
        marks=own("marks", marks),
        routine_marks=own("routine_marks", marks),
        ready_by_whistle=_ready_by_whistle(document, known),
        plays=_plays(row, rulings) if "plays" in row else known.plays,
    )


def _number(row: Table, key: str) -> int:
    return whole(given(row, key), key)


def _ready_by_whistle(document: Table, known: RuleSet) -> bool:
    value = document.get("ready_by_whistle", known.ready_by_whistle)
    if not isinstance(value, bool):
        raise RulesError(f"ready_by_whistle = {shown(value)}: must be true or false")
    return value


def _rulings(row: Table, base: RuleSet | None, sources: Table) -> dict[str, Ruling]:
    """The ruling of every ending: those of ``base``, then the rest, then the season's own."""
    own = {} if base is not None and "rulings" not in row else table_at(row, "rulings")
    rulings = dict(base.rulings) if base else {}
    if "rest" in row:
        for ending in ENDINGS:
            rulings[ending] = _ruling(ending, as_table(row["rest"], "rest"), sources, "rest")
    for ending, entry in own.items():
        rulings[ending] = _ruling(ending, as_table(entry, ending), sources, ending)
    if "routine" not in rulings:
        raise RulesError("routine: no ruling, although every rule set has a routine end of play")
    return rulings


def _ruling(ending: str, entry: Table, sources: Table, place: str) -> Ruling:
    where = f"{cut(place)}: "
    only(entry, {"seconds", "starts_on", "source"}, where)
    return _counted(ending, entry, sources, where)


def _counted(ending: str, entry: Table, sources: Table, where: str) -> Ruling:
    name = text(entry, "source", where)
    if name not in sources:
        raise RulesError(f"{where}unknown source {shown(name)}")
    from_source = f"source {cut(name)}: "
    source = as_table(sources[name], from_source.removesuffix(": "))
    only(source, {"citation", "read_as", "unsettled"}, from_source)
    how = read_as(source, from_source)
    citation = text(source, "citation", from_source)
    unsettled = text(source, "unsettled", from_source) if "unsettled" in source else ""
    seconds, starts_on = read_count(entry, where)
    return Ruling(ending, seconds, starts_on, citation, how, unsettled=unsettled)


def _facts(
    row: Table, rulings: Mapping[str, Ruling], sources: Table
) -> tuple[dict[tuple[str, str], str], dict[str, Ruling]]:
    """What an ending counts as with a fact: another ending, or a ruling of its own."""
    with_fact: dict[tuple[str, str], str] = {}
    variants: dict[str, Ruling] = {}
    for entry in tables(row, "facts", needed=False):
        where = "facts: "
        pairs = fact_endings(entry, rulings, where)
        if "starts_on" not in entry:
            only(entry, {"fact", "endings", "mean"}, where)
            [mean] = known_endings([given(entry, "mean", where)], "facts.mean", rulings)
            with_fact.update(dict.fromkeys(pairs, mean))
            continue
        only(entry, {"fact", "endings", "seconds", "starts_on", "source"}, where)
        named = variants_of(pairs)
        with_fact.update(named)
        for (ending, _), name in named.items():
            variants[name] = _counted(ending, entry, sources, where)
    return with_fact, variants


def _combinations(row: Table, rulings: Mapping[str, Ruling]) -> tuple[Combination, ...]:
    where, combinations = "combinations: ", []
    for entry in tables(row, "combinations", needed=False):
        only(entry, {"all_of", "mean", "first"}, where)
        key = "combinations.all_of"
        all_of = frozenset(known_endings(given(entry, "all_of", where), key, rulings))
        if len(all_of) < 2:
            raise RulesError(f"{key} = {shown(sorted(all_of))}: at least two endings")
        [mean] = known_endings([given(entry, "mean", where)], "combinations.mean", rulings)
        first = _first(as_table(entry.get("first", {}), "combinations.first"), all_of)
        combinations.append(Combination(all_of, mean, first))
    return tuple(combinations)


def _cancelled(row: Table, rulings: Mapping[str, Ruling]) -> frozenset[str]:
    cancelled = table_at(row, "cancelled")
    only(cancelled, {"endings"}, "cancelled: ")
    endings = given(cancelled, "endings", "cancelled: ")
    return frozenset(known_endings(endings, "cancelled.endings", rulings))


def _first(row: Table, all_of: Collection[str]) -> dict[str, str]:
    """The fact that it is to have been told of one ending before the others."""
    for ending, fact in row.items():
        if ending not in all_of or fact not in FACTS:
            raise RulesError(f"combinations.first: {shown({ending: fact})}: an ending and a fact")
    return dict(row)


def _plays(row: Table, rulings: Mapping[str, Ruling]) -> dict[str, PromisedPlay]:
    """The plays that an ending promises."""
    plays = {}
    for name, value in table_at(row, "plays").items():
        where = f"plays.{name}: "
        if name not in PLAYS:
            raise RulesError(f"plays: unknown play {shown(name)}; known: {', '.join(PLAYS)}")
        play = as_table(value, where.removesuffix(": "))
        only(play, _PLAY, where)

        def endings(key: str, play: Table = play, name: str = name) -> frozenset[str]:
            return frozenset(known_endings(play.get(key, []), f"plays.{name}.{key}", rulings))

        def ending(key: str, play: Table = play, where: str = where) -> str:
            [found] = known_endings([given(play, key, where)], f"{where}{key}", rulings)
            return found

        def facts(key: str, play: Table = play, where: str = where) -> frozenset[str]:
            found = play.get(key, [])
            if not isinstance(found, list) or not all(each in FACTS for each in found):
                raise RulesError(f"{where}{key} = {shown(found)}: must be a list of facts")
            return frozenset(found)

        plays[name] = PromisedPlay(
            after=endings("after"),
            ends=ending("ends"),
            before=ending("before"),
            facts=facts("facts"),
            ended_by=endings("ended_by"),
            again=text(play, "again", where) if "again" in play else "",
            not_after=ending("not_after") if "not_after" in play else "",
            opens_half=play.get("opens_half") is True,
        )
    return plays
