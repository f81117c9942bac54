"""Options: where published sources disagree, one of their values in place of the rule set's own.

An option taken is a local adoption: every ruling that it changes says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from controller.rules.rulings import (
    RulesError,
    RuleSet,
    Ruling,
    alike,
    nearest,
    same_count,
    variant,
)


@dataclass(frozen=True, slots=True)
class Value:
    """What one source says. ``rulings`` by ending, ``with_fact`` by ending and fact."""

    citation: str
    read_as: str
    rulings: Mapping[str, Ruling] = field(default_factory=dict)
    with_fact: Mapping[tuple[str, str], Ruling] = field(default_factory=dict)
    marks: frozenset[int] | None = None
    routine_marks: frozenset[int] | None = None


@dataclass(frozen=True, slots=True)
class Option:
    """One disagreement. ``setting`` names where it is set when it is not a matter of rulings."""

    name: str
    about: str
    values: Mapping[str, Value]
    setting: str = ""


def find_value(options: Mapping[str, Option], name: str, value: str) -> Value:
    """The value chosen. Raises :class:`RulesError` with the nearest names."""
    if name not in options:
        near = ", ".join(nearest(name, options) or sorted(options))
        raise RulesError(f"unknown option {name!r}; nearest: {near}")
    option = options[name]
    if option.setting:
        raise RulesError(f"option {name!r} is no ruling: it is set by {option.setting}")
    if value not in option.values:
        raise RulesError(f"option {name} = {value!r}: one of {', '.join(option.values)}")
    return option.values[value]


def with_option(rules: RuleSet, name: str, word: str, value: Value) -> RuleSet:
    """``rules`` with the option ``name`` at ``value``, which is called ``word``.

    A ruling that the value leaves as it is stays the rule set's own.
    """
    adopted = f"option {name} = {word}"
    rulings = dict(rules.rulings)
    with_fact, variants = dict(rules.with_fact), dict(rules.variants)
    for ending, ruling in value.rulings.items():
        if not same_count(ruling, rulings[ending]):
            for pair in alike(rules, ending, ruling):
                del with_fact[pair]
            rulings[ending] = replace(ruling, override=adopted)
    changed = replace(rules, rulings=rulings, with_fact=dict(with_fact))
    for (ending, fact), ruling in value.with_fact.items():
        if same_count(ruling, changed.ruling(ending, (fact,))):
            continue
        with_fact[ending, fact] = variant(ending, fact)
        variants[variant(ending, fact)] = replace(ruling, override=adopted)
    marks, routine_marks = value.marks, value.routine_marks
    return replace(
        rules,
        rulings=rulings,
        with_fact=with_fact,
        variants=variants,
        marks=rules.marks if marks is None else marks,
        routine_marks=rules.routine_marks if routine_marks is None else routine_marks,
    )
