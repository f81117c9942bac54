"""Loads the options of the rule sets, and lays those that were chosen over a rule set."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterable

from controller.rulebook.toml_fields import (
    Table,
    as_table,
    fact_endings,
    marks,
    only,
    read_as,
    read_count,
    table_at,
    tables,
    text,
    unknown,
)
from controller.rules.endings import ENDINGS
from controller.rules.options import Option, Value, find_value, with_option
from controller.rules.rulings import RulesError, RuleSet, Ruling

FILE = os.path.join(os.path.dirname(os.path.dirname(__file__)), "rules", "options.toml")  # noqa: PTH118, PTH120
_VALUE = {"citation", "read_as", "rulings", "facts", "marks", "routine_marks"}


def load_options() -> dict[str, Option]:
    """Every option by its name. Raises :class:`RulesError` for a damaged file."""
    with open(FILE, "rb") as file:  # noqa: PTH123
        return parse_options(file.read().decode("utf-8"), "options.toml")


def parse_options(words: str, source: str) -> dict[str, Option]:
    """Options from TOML. ``source`` names the file in errors."""
    try:
        document = tomllib.loads(words)
    except (ValueError, RecursionError) as error:  # the parser lets both through
        raise RulesError(f"{source}: {error}") from error
    try:
        return {name: _option(name, as_table(row, name)) for name, row in document.items()}
    except RulesError as error:
        raise RulesError(f"{source}: {error}") from None


def with_options(rules: RuleSet, chosen: Iterable[tuple[str, str]]) -> RuleSet:
    """``rules`` with each (name, value) of ``chosen``. Raises :class:`RulesError`."""
    pairs = list(chosen)
    options = load_options() if pairs else {}
    for name, word in pairs:
        rules = with_option(rules, name, word, find_value(options, name, word))
    return rules


def split_option(words: str) -> tuple[str, str]:
    """Name and value of ``NAME=VALUE``. Raises :class:`RulesError`."""
    name, equals, value = words.partition("=")
    if not equals:
        raise RulesError(f"option {words!r}: must be NAME=VALUE")
    return name.strip(), value.strip()


def _option(name: str, row: Table) -> Option:
    where = f"{name}: "
    only(row, {"about", "setting", "values"}, where)
    setting = text(row, "setting", where) if "setting" in row else ""
    values = {
        word: _value(as_table(value, f"{name}.{word}"), f"{name}.{word}: ", bool(setting))
        for word, value in table_at(row, "values", where).items()
    }
    return Option(name, text(row, "about", where), values, setting)


def _value(row: Table, where: str, elsewhere: bool) -> Value:
    only(row, _VALUE, where)
    citation, how = text(row, "citation", where), read_as(row, where)
    rulings, with_fact = {}, {}
    for ending, entry in as_table(row.get("rulings", {}), f"{where}rulings").items():
        if ending not in ENDINGS:
            raise RulesError(f"{where}{unknown('ending', ending, ENDINGS)}")
        only(as_table(entry, ending), {"seconds", "starts_on"}, f"{where}{ending}: ")
        rulings[ending] = Ruling(ending, *read_count(entry, where), citation, how)
    for entry in tables(row, "facts", needed=False):
        only(entry, {"fact", "endings", "seconds", "starts_on"}, f"{where}facts: ")
        for ending, fact in fact_endings(entry, ENDINGS, where):
            with_fact[ending, fact] = Ruling(ending, *read_count(entry, where), citation, how)
    changes_marks = {key: marks(row, key) for key in ("marks", "routine_marks") if key in row}
    if elsewhere == bool(rulings or with_fact or changes_marks):
        raise RulesError(f"{where}either rulings and marks, or a setting")
    return Value(citation, how, rulings, with_fact, **changes_marks)
