"""Loads rule sets, strictly: those that ship with the controller, and files named by their path.

One file a code. The newest season is written out whole; an earlier one may say ``like`` a later
one and hold only its differences, so that each change of the rules is read in one place. ``rest``
is the ruling of every ending that a season does not name. A code that ``follows`` another takes
its seasons from there; a ``note`` stands beside every ruling taken. With other numbers
(``routine_s``, ``administrative_s``) every ruling taken has them in place of those of the season
followed, and says so.
"""

from __future__ import annotations

import os
import re
import time
import tomllib
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

from controller.rulebook.own_file import decoded, is_path, read_words, shown_path
from controller.rulebook.toml_fields import (
    FieldError,
    Table,
    as_table,
    cut,
    fact_endings,
    known_ending,
    known_endings,
    line_of,
    marks,
    only,
    read_as,
    read_count,
    shown,
    table_at,
    tables,
    text,
    unknown,
    variants_of,
    whole,
    within,
)
from controller.rules.endings import ENDINGS, FACTS, PLAYS
from controller.rules.rulings import (
    Combination,
    PromisedPlay,
    RulesError,
    RuleSet,
    Ruling,
    alike,
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
    "school_flag": "nfhs_flag",
    "six_man": "texas_six_man",
}
"""Other words for a code."""

_NUMBERS = ("routine_s", "administrative_s")
_TOP = {"code", "title", "sources", "seasons", "follows", "note", "ready_by_whistle", *_NUMBERS}
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
READ_TO = 2026
"""The last season whose published changes were looked for."""
_PLAY = {"after", "ends", "before", "facts", "ended_by", "again", "not_after", "opens_half"}
_being_read: set[str] = set()
"""Codes on whose way the reader is: one that follows itself would never end."""
_FIRST_GAME = 1869
_ANY_SEASON = 2999
_NOTHING = RuleSet("", "", _FIRST_GAME, _FIRST_GAME, 0, 0, {})
"""What a season that builds on no other builds on."""


def codes() -> list[str]:
    """The codes that ship with the controller, in alphabetical order."""
    return sorted(name[:-5] for name in os.listdir(FOLDER) if name.endswith(".toml"))  # noqa: PTH208


def load_rule_set(code: str, season: int | None = None) -> RuleSet:
    """The rule set of ``code`` in force in ``season`` (a year; None is the newest).

    Raises :class:`RulesError` for an unknown code, a season before the first or after the next one,
    or a damaged file.
    """
    return in_force(load_seasons(code), season, code)


def load_seasons(code: str) -> list[RuleSet]:
    """Every season of ``code``, oldest first: a code that ships, or the path of a file.

    Raises :class:`RulesError`.
    """
    if is_path(code):
        return parse_seasons(read_words(code), shown_path(code), own=True)
    name = code.lower()
    name = OTHER_NAMES.get(name, name)
    known = codes()
    if name not in known:
        near = nearest(name, [*known, *OTHER_NAMES])
        hint = f"nearest: {', '.join(near)}; " if near else ""
        raise RulesError(f"unknown code {shown(code)}; {hint}known: {', '.join(known)}")
    source = f"{name}.toml"
    if name in _being_read:
        raise RulesError(f"{source}: follows itself")
    with open(os.path.join(FOLDER, source), "rb") as file:  # noqa: PTH118, PTH123
        words = decoded(file.read(), source)
    _being_read.add(name)
    try:
        return parse_seasons(words, source)
    finally:
        _being_read.discard(name)


def parse_seasons(words: str, source: str, *, own: bool = False) -> list[RuleSet]:
    """Every season of a file, oldest first. ``own``: it does not ship with the controller.

    Raises :class:`RulesError` with the line of what is wrong.
    """
    return list(_parsed(words, source, own))


@lru_cache(maxsize=8)
def _parsed(words: str, source: str, own: bool) -> tuple[RuleSet, ...]:
    """Remembered, because one start asks for the same rules more than once: to check them with the
    rest of a configuration, and to play by them."""
    try:
        document = tomllib.loads(words + "\n")  # so that an error in the last line has its number
    except (ValueError, RecursionError) as error:  # the parser lets both through
        raise RulesError(f"{source}: {_unparsed(words, str(error))}") from error
    try:
        return tuple(_seasons(document, own))
    except RulesError:
        from controller.rulebook.places import located  # noqa: PLC0415 - only an error needs it

        document = located(document, words)
    try:
        return tuple(_seasons(document, own))
    except RulesError as error:
        line = getattr(error, "line", 0)
        place = f"line {line}: " if line else ""
        raise RulesError(f"{source}: {place}{error}") from None


def _unparsed(words: str, error: str) -> str:
    """What the parser says, with the line of what it gave up at without naming one."""
    if "at line" in error:
        return error
    found = re.search(r"[0-9_]{4000}|[\[{= ]{100}", words)
    end = len(words) if found is None or "end of document" in error else found.start()
    return f"line {words.count(chr(10), 0, end) + 1}: {error}"


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

    Raises :class:`RulesError`, which names ``source``, for a season before the first or after the
    next one.
    """
    if season is None:
        return seasons[-1]
    fitting = [each for each in seasons if each.season_from <= season]
    last = last_season()
    if not fitting or season > last:
        first = seasons[0].season_from
        raise RulesError(f"{source}: no season {season}: must be from {first} to {last}")
    return replace(fitting[-1], season=season)


def in_this_year(rules: RuleSet) -> RuleSet:
    """The newest rules as those of this year's season, where the wall clock stands in a later year
    than the one they are from."""
    year = this_year()
    return replace(rules, season=year) if year > rules.season_from else rules


def last_season() -> int:
    """The last season that may be asked for: next year's. Where the wall clock was never set any
    season may be: a game must not wait for the date."""
    year = this_year()
    return year + 1 if year >= READ_TO else _ANY_SEASON


def this_year() -> int:
    """The year of the wall clock, right or wrong."""
    return time.localtime().tm_year


def _seasons(document: Table, own: bool) -> list[RuleSet]:
    """Every season, newest first parsed, oldest first given."""
    only(document, _TOP, "")
    if own:
        _own_code(document)
    rows = tables(document, "seasons", needed="follows" not in document)
    for row in rows:
        whole(row, "from", _FIRST_GAME, _ANY_SEASON, "seasons: ")
    if "follows" in document:
        return _following(document, rows)
    for key in ("note", *_NUMBERS):
        if key in document:
            what = f"{key} = {shown(document[key])}: stands only in a code that follows another"
            raise FieldError(what, line_of(document, key))
    if not rows:
        raise FieldError("seasons: at least one is needed", line_of(document, "seasons"))
    found: dict[int, RuleSet] = {}
    for row in sorted(rows, key=lambda row: int(row["from"]), reverse=True):
        if row["from"] in found:
            raise FieldError(f"season {row['from']}: is there twice", line_of(row, "from"))
        found[row["from"]] = _season(document, row, _like(row, found, "a later season"))
    return sorted(found.values(), key=lambda each: each.season_from)


def _own_code(document: Table) -> None:
    """A file of somebody's own has a name of its own too: the record tells rule sets by it."""
    code = text(document, "code")
    line = line_of(document, "code")
    if not re.fullmatch(r"[a-z0-9_]{1,32}", code):
        what = f"code = {shown(code)}: must be 1 to 32 small letters, digits or _"
        raise FieldError(what, line)
    if code in codes() or code in OTHER_NAMES:
        raise FieldError(f"code = {shown(code)}: ships with the controller; take another", line)


def _following(document: Table, rows: list[Table]) -> list[RuleSet]:
    code, title = (text(document, key) for key in ("code", "title"))
    note = text(document, "note") if "note" in document else ""

    def noted(rulings: Mapping[str, Ruling]) -> dict[str, Ruling]:
        if not note:
            return dict(rulings)
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
        for base in _followed(document)
    }
    numbered = any(key in document for key in _NUMBERS)
    if not rows:
        # With other numbers it is somebody's game of today: what the code was before is no part.
        newest = taken[max(taken)]
        return [_numbered(document, newest)] if numbered else list(taken.values())
    found: dict[int, RuleSet] = {}
    for row in rows:
        if row["from"] in found:
            raise FieldError(f"season {row['from']}: is there twice", line_of(row, "from"))
        base = _like(row, taken, "a season of the code followed")
        if base is not None:
            base = _numbered(document, base)
        elif numbered:
            what = f"season {row['from']}: missing key 'like': the numbers above take its place"
            raise FieldError(what, line_of(row))
        found[row["from"]] = _season(document, row, base)
    return sorted(found.values(), key=lambda each: each.season_from)


def _followed(document: Table) -> list[RuleSet]:
    """The seasons of the code that is followed: one that ships, since no file hangs on another."""
    followed = text(document, "follows")
    line = line_of(document, "follows")
    if is_path(followed):
        what = f"follows = {shown(followed)}: must be a code that ships: {', '.join(codes())}"
        raise FieldError(what, line)
    try:
        return load_seasons(followed)
    except RulesError as error:
        raise FieldError(f"follows = {shown(followed)}: {error}", line) from None


def _numbered(table: Table, base: RuleSet) -> RuleSet:
    """``base`` with the numbers of ``table``, if it names any, in every ruling and in the marks."""
    said = {key: whole(table, key) for key in _NUMBERS if key in table}
    if not said:
        return base
    if base.routine_s == base.administrative_s:
        if len(set(said.values())) > 1:
            what = f"routine_s = {said['routine_s']}: must be administrative_s too: one count "
            what += f"of {base.routine_s} is followed"
            raise FieldError(what, line_of(table, "routine_s"))
        said = dict.fromkeys(_NUMBERS, next(iter(said.values())))
    routine_s = said.get("routine_s", base.routine_s)
    administrative_s = said.get("administrative_s", base.administrative_s)
    new = {base.administrative_s: administrative_s, base.routine_s: routine_s}

    def renumbered(rulings: Mapping[str, Ruling]) -> dict[str, Ruling]:
        return {name: _renumbered(each, new, base.title) for name, each in rulings.items()}

    return replace(
        base,
        routine_s=routine_s,
        administrative_s=administrative_s,
        rulings=renumbered(base.rulings),
        variants=renumbered(base.variants),
        marks=frozenset(mark for mark in base.marks if mark < routine_s),
        routine_marks=frozenset(
            mark
            for mark in (new.get(each, each) for each in base.routine_marks)
            if mark < routine_s
        ),
    )


def _renumbered(ruling: Ruling, new: Mapping[int, int], title: str) -> Ruling:
    old = ruling.seconds
    if old is None or new.get(old, old) == old:
        return ruling
    citation = f"{title}, {new[old]} in place of {old}: {ruling.citation}"
    return replace(ruling, seconds=new[old], citation=citation)


def _like(row: Table, known: Mapping[int, RuleSet], what: str) -> RuleSet | None:
    """The season that ``row`` builds on, if it says so."""
    if "like" not in row:
        return None
    year = row["like"]
    if not isinstance(year, int) or year not in known:
        years = ", ".join(map(str, sorted(known))) or "none"
        what = f"season {row['from']}: like = {shown(year)}: must be {what}: {years}"
        raise FieldError(what, line_of(row, "like"))
    return known[year]


def _season(document: Table, row: Table, base: RuleSet | None) -> RuleSet:
    """One season: its own rows, laid over ``base``."""
    only(row, _SEASON, f"season {row['from']}: ")
    try:
        return _laid_over(document, row, base)
    except RulesError as error:
        if len(document["seasons"]) == 1:
            raise
        raise within(f"season {row['from']}: ", error) from None


def _laid_over(document: Table, row: Table, base: RuleSet | None) -> RuleSet:
    if base is not None:
        base = _numbered(row, base)
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
        routine_s=own("routine_s", whole),
        administrative_s=own("administrative_s", whole),
        rulings=rulings,
        with_fact={**_still_said(known, rulings), **with_fact},
        variants={**known.variants, **variants},
        combinations=known.combinations + _combinations(row, rulings),
        cancelled=_cancelled(row, rulings) if "cancelled" in row else known.cancelled,
        marks=own("marks", marks),
        routine_marks=own("routine_marks", marks),
        ready_by_whistle=_ready_by_whistle(document, known),
        plays=_plays(row, rulings) if "plays" in row else known.plays,
    )


def _still_said(base: RuleSet, rulings: Mapping[str, Ruling]) -> dict[tuple[str, str], str]:
    """What ``base`` says with a fact, but for what said only the same as a ruling replaced."""
    gone = {pair for ending, each in rulings.items() for pair in alike(base, ending, each)}
    return {pair: name for pair, name in base.with_fact.items() if pair not in gone}


def _ready_by_whistle(document: Table, known: RuleSet) -> bool:
    value = document.get("ready_by_whistle", known.ready_by_whistle)
    if not isinstance(value, bool):
        what = f"ready_by_whistle = {shown(value)}: must be true or false"
        raise FieldError(what, line_of(document, "ready_by_whistle"))
    return value


def _rulings(row: Table, base: RuleSet | None, sources: Table) -> dict[str, Ruling]:
    """The ruling of every ending: those of ``base``, then the rest, then the season's own."""
    own = {} if base is not None and "rulings" not in row else table_at(row, "rulings")
    if base is None and "routine" not in own:
        what = "routine: no ruling, although every rule set has a routine end of play"
        raise FieldError(what, line_of(own))
    rulings = dict(base.rulings) if base else {}
    if "rest" in row:
        rest, line = row["rest"], line_of(row, "rest")
        if base is not None:
            what = f"rest = {shown(rest)}: not with `like`, whose rulings it would all replace"
            raise FieldError(what, line)
        for ending in ENDINGS:
            rulings[ending] = _ruling(ending, as_table(rest, "rest", line), sources, "rest")
    for ending, entry in own.items():
        line = line_of(own, ending)
        if ending not in ENDINGS:
            what = f"rulings.{cut(ending)} = {shown(entry)}: {unknown('ending', ending, ENDINGS)}"
            raise FieldError(what, line)
        rulings[ending] = _ruling(ending, as_table(entry, ending, line), sources, ending)
    missing = [ending for ending in ENDINGS if ending not in rulings]
    if missing:
        what = f"rulings: none for {cut(', '.join(missing))}; `rest` is for what is not named"
        raise FieldError(what, line_of(own))
    return rulings


def _ruling(ending: str, entry: Table, sources: Table, place: str) -> Ruling:
    where = f"{cut(place)}: "
    only(entry, {"seconds", "starts_on", "source"}, where)
    return _counted(ending, entry, sources, where)


def _counted(ending: str, entry: Table, sources: Table, where: str) -> Ruling:
    name = text(entry, "source", where)
    if name not in sources:
        what = f"{where}{unknown('source', name, sources)}"
        raise FieldError(what, line_of(entry, "source"))
    from_source = f"source {cut(name)}: "
    line = line_of(sources, name)
    source = as_table(sources[name], from_source.removesuffix(": "), line)
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
            mean = known_ending(entry, "mean", rulings, where)
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
        all_of = frozenset(known_endings(entry, "all_of", rulings, where))
        if len(all_of) < 2:
            what = f"{where}all_of = {shown(sorted(all_of))}: at least two endings"
            raise FieldError(what, line_of(entry, "all_of"))
        mean = known_ending(entry, "mean", rulings, where)
        first = table_at(entry, "first", where) if "first" in entry else {}
        combinations.append(Combination(all_of, mean, _first(first, all_of)))
    return tuple(combinations)


def _cancelled(row: Table, rulings: Mapping[str, Ruling]) -> frozenset[str]:
    cancelled = table_at(row, "cancelled")
    only(cancelled, {"endings"}, "cancelled: ")
    return frozenset(known_endings(cancelled, "endings", rulings, "cancelled: "))


def _first(row: Table, all_of: Collection[str]) -> dict[str, str]:
    """The fact that it is to have been told of one ending before the others."""
    for ending, fact in row.items():
        if ending not in all_of or not _is_fact(fact):
            what = f"combinations: first = {shown({ending: fact})}: an ending of all_of and a fact"
            raise FieldError(what, line_of(row, ending))
    return dict(row)


def _is_fact(value: object) -> bool:
    return isinstance(value, str) and value in FACTS


def _plays(row: Table, rulings: Mapping[str, Ruling]) -> dict[str, PromisedPlay]:
    """The plays that an ending promises."""
    plays = {}
    named = table_at(row, "plays")
    for name, value in named.items():
        line = line_of(named, name)
        if name not in PLAYS:
            what = f"plays.{cut(name)} = {shown(value)}: {unknown('play', name, PLAYS)}"
            raise FieldError(f"{what}; known: {', '.join(PLAYS)}", line)
        plays[name] = _play(as_table(value, f"plays.{name}", line), f"plays.{name}: ", rulings)
    return plays


def _play(play: Table, where: str, rulings: Mapping[str, Ruling]) -> PromisedPlay:
    only(play, _PLAY, where)

    def endings(key: str) -> frozenset[str]:
        return frozenset(known_endings(play, key, rulings, where) if key in play else ())

    def facts(key: str) -> frozenset[str]:
        found = play.get(key, [])
        if not isinstance(found, list) or not all(map(_is_fact, found)):
            what = f"{where}{key} = {shown(found)}: must be a list of facts"
            raise FieldError(what, line_of(play, key))
        return frozenset(found)

    opens_half = play.get("opens_half", False)
    if not isinstance(opens_half, bool):
        what = f"{where}opens_half = {shown(opens_half)}: must be true or false"
        raise FieldError(what, line_of(play, "opens_half"))
    again = text(play, "again", where) if "again" in play else ""
    if again and again not in FACTS:
        raise FieldError(f"{where}again: {unknown('fact', again, FACTS)}", line_of(play, "again"))
    return PromisedPlay(
        after=endings("after"),
        ends=known_ending(play, "ends", rulings, where),
        before=known_ending(play, "before", rulings, where),
        facts=facts("facts"),
        ended_by=endings("ended_by"),
        again=again,
        not_after=known_ending(play, "not_after", rulings, where) if "not_after" in play else "",
        opens_half=opens_half,
    )
