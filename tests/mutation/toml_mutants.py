"""Mutants of the rule sets and of the options, made on their tables.

The wording of titles, citations and reasons is free and not changed; a `title` or an `about` is
nothing else. Which source of a code a ruling rests on, and how it was read, stands in the code
alone: a test could only repeat it.
"""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from tests.mutation.mutant import ROOT, RULES, Mutant, numbered

Table = dict[str, Any]
Key = str | int
STARTS: Final = ("dead_ball", "ready_for_play", "referee_signal")
READ_AS: Final = ("text", "table", "memory")
DROPPED: Final = object()


@dataclass(frozen=True, slots=True)
class Change:
    """The value at a path of a document replaced, or dropped."""

    path: tuple[Key, ...]
    value: Any
    told: str


def toml_mutants() -> Iterator[Mutant]:
    """Every mutant of the codes and of the options."""
    for path in [*sorted((RULES / "codes").glob("*.toml")), RULES / "options.toml"]:
        document = tomllib.loads(path.read_text("utf-8"))
        file = path.relative_to(ROOT).as_posix()
        changes = options(document) if path.stem == "options" else code(document)
        yield from numbered(
            Mutant(file, f"{file} {change.told}", None, text_of(document, change))
            for change in changes
        )


def text_of(document: Table, change: Change) -> Callable[[], str]:
    """What writes the changed document."""
    return lambda: written(changed(document, change))


def changed(document: Table, change: Change) -> Table:
    """A copy of the document with one change."""
    ours = copy.deepcopy(document)
    at: Any = ours
    *way, last = change.path
    for key in way:
        at = at[key]
    if change.value is DROPPED:
        del at[last]
    else:
        at[last] = change.value
    return ours


def written(document: Table) -> str:
    """A document of text, numbers, lists and tables as TOML: each top key on one line."""
    return "".join(f"{json.dumps(key)} = {inline(value)}\n" for key, value in document.items())


def inline(value: object) -> str:
    """One value. A JSON string without other escapes than for controls is a TOML string."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {inline(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(inline, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def code(document: Table) -> Iterator[Change]:
    """What can be changed in a code."""
    for key in ("code", "follows"):
        if key in document:
            other = "nfl" if document[key] != "nfl" else "nfhs"
            yield Change((key,), other, f"{key} = {other}")
    if "note" in document:
        yield Change(("note",), DROPPED, "without note")
    years = [row["from"] for row in document.get("seasons", [])]
    for index, row in enumerate(document.get("seasons", [])):
        yield from season(row, ("seasons", index), years)


def stands(row: Table, at: tuple[Key, ...], years: list[int]) -> Iterator[Change]:
    """When a season begins, and what it builds on."""
    year = row["from"]
    for other in (year + 1, year - 1):
        yield Change((*at, "from"), other, f"{year} from = {other}")
    if "like" in row:
        for other in years:
            if other not in (year, row["like"]):
                yield Change((*at, "like"), other, f"{year} like = {other}")
        yield Change((*at, "like"), DROPPED, f"{year} without like")


def season(row: Table, at: tuple[Key, ...], years: list[int]) -> Iterator[Change]:
    """What can be changed in one season of a code."""
    year = row["from"]
    yield from stands(row, at, years)
    for key in ("routine_s", "administrative_s"):
        if key in row:
            swapped = other_count(row[key])
            yield Change((*at, key), swapped, f"{year} {key} = {swapped}")
    for key in ("marks", "routine_marks"):
        if key in row:
            yield from marks(row[key], (*at, key), f"{year} {key}")
    if "rest" in row:
        yield from ruling(row["rest"], (*at, "rest"), f"{year} rest")
    for ending, entry in row.get("rulings", {}).items():
        place, told = (*at, "rulings", ending), f"{year} {ending}"
        yield from ruling(entry, place, told)
        yield Change(place, DROPPED, f"{told} dropped")
    names = list(row.get("rulings", {})) or ["touchdown", "routine"]
    yield from facts(row, (*at, "facts"), f"{year}", names)
    for index, entry in enumerate(row.get("combinations", [])):
        place, told = (*at, "combinations", index), f"{year} {' + '.join(entry['all_of'])}"
        yield Change(place, DROPPED, f"{told} dropped")
        mean = following(names, entry["mean"])
        yield Change((*place, "mean"), mean, f"{told} mean {mean}")
    if "cancelled" in row:
        yield Change((*at, "cancelled"), DROPPED, f"{year} cancelled dropped")
        yield from elements(
            row["cancelled"]["endings"], (*at, "cancelled", "endings"), f"{year} cancelled"
        )


def facts(row: Table, at: tuple[Key, ...], told: str, names: list[str]) -> Iterator[Change]:
    """What can be changed in the facts of a season or of an option's value."""
    for index, entry in enumerate(row.get("facts", [])):
        place, what = (*at, index), f"{told} {entry['fact']}"
        yield Change(place, DROPPED, f"{what} dropped ({', '.join(entry['endings'])[:40]})")
        if len(entry["endings"]) > 1:
            yield from elements(entry["endings"], (*place, "endings"), what)
        if "mean" in entry:
            mean = following(names, entry["mean"])
            yield Change((*place, "mean"), mean, f"{what} mean {mean}")
        else:
            yield from ruling(entry, place, what)


def ruling(entry: Table, at: tuple[Key, ...], told: str) -> Iterator[Change]:
    """Another number, another start."""
    swapped = other_count(entry.get("seconds", "none"))
    yield Change((*at, "seconds"), swapped, f"{told} seconds {swapped}")
    for start in STARTS:
        if start != entry["starts_on"]:
            yield Change((*at, "starts_on"), start, f"{told} starts_on {start}")


def options(document: Table) -> Iterator[Change]:
    """What can be changed in the options."""
    for name, option in document.items():
        yield Change((name,), DROPPED, f"{name} dropped")
        if "setting" in option:
            yield Change((name, "setting"), "elsewhere", f"{name} setting elsewhere")
        for word, value in option["values"].items():
            at: tuple[Key, ...] = (name, "values", word)
            told = f"{name} {word}"
            if len(option["values"]) > 1:
                yield Change(at, DROPPED, f"{told} dropped")
            yield from read_otherwise(value, at, told)
            for ending, entry in value.get("rulings", {}).items():
                place = (*at, "rulings", ending)
                yield from ruling(entry, place, f"{told} {ending}")
                yield Change(place, DROPPED, f"{told} {ending} dropped")
                moved = {following(["foul", "routine"], each): e for each, e in [(ending, entry)]}
                yield Change((*at, "rulings"), moved, f"{told} {ending} as {next(iter(moved))}")
            yield from facts(value, (*at, "facts"), told, ["touchdown", "routine"])
            for key in ("marks", "routine_marks"):
                if key in value:
                    yield from marks(value[key], (*at, key), f"{told} {key}")


def read_otherwise(source: Table, at: tuple[Key, ...], told: str) -> Iterator[Change]:
    """A source read in another way."""
    how = following(list(READ_AS), source["read_as"])
    yield Change((*at, "read_as"), how, f"{told} read_as {how}")


def marks(values: list[int], at: tuple[Key, ...], told: str) -> Iterator[Change]:
    """Each mark left out, and one more."""
    yield from elements(values, at, told)
    yield Change(at, [*values, 15], f"{told} with 15")


def elements(values: list[Any], at: tuple[Key, ...], told: str) -> Iterator[Change]:
    """Each element left out."""
    for index, each in enumerate(values):
        yield Change(at, [*values[:index], *values[index + 1 :]], f"{told} without {each}")


def other_count(seconds: int | str) -> int:
    """40 and 25 swapped, and what a code without a 40 would mistake for its number."""
    return {40: 25, 25: 40, 35: 20, 20: 35}.get(seconds, 25) if isinstance(seconds, int) else 25


def following(names: list[str], name: str) -> str:
    """The name after ``name``, round to the first."""
    return names[(names.index(name) + 1) % len(names)] if name in names else names[0]
