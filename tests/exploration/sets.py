"""Every rule set: each code and season, and each season changed by each value of each option.

Two sets whose data differ only in titles, sources and notes are one to the play clock, which reads
nothing else of them: they are explored once, under the name of the first.
"""

from __future__ import annotations

from controller.rulebook.loader import codes, load_seasons
from controller.rulebook.options import load_options
from controller.rules.options import with_option
from controller.rules.rulings import RuleSet


def rule_sets(options: bool) -> dict[str, tuple[RuleSet, list[str]]]:
    """Each different rule set by its first name, with the other names of the same."""
    found: dict[object, tuple[str, RuleSet, list[str]]] = {}
    for name, rules in _every(options):
        _, _, others = found.setdefault(behaviour(rules), (name, rules, []))
        others.append(name)
    return {name: (rules, others[1:]) for name, rules, others in found.values()}


def _every(options: bool) -> list[tuple[str, RuleSet]]:
    plain = [
        (f"{code} {each.season_from}", each) for code in codes() for each in load_seasons(code)
    ]
    if not options:
        return plain
    return plain + [
        (f"{name} {option.name}={word}", with_option(rules, option.name, word, value))
        for name, rules in plain
        for option in load_options().values()
        if not option.setting
        for word, value in option.values.items()
    ]


def behaviour(rules: RuleSet) -> object:
    """All of a rule set that the play clock acts on."""
    rulings = {**rules.rulings, **rules.variants}
    return (
        (rules.routine_s, rules.administrative_s, rules.marks, rules.routine_marks),
        tuple(
            sorted(
                (n, str(r.seconds), r.starts_on.value, bool(r.override)) for n, r in rulings.items()
            )
        ),
        tuple(sorted(rules.with_fact.items())),
        rules.combinations,
        rules.cancelled,
    )
