"""The rule set that a command line asks for: code, season and options."""

from __future__ import annotations

import argparse

from controller.rulebook.loader import load_rule_set
from controller.rules.rulings import RuleSet


def add_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--option``."""
    parser.add_argument(
        "--option",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="take another published value, e.g. after_touchdown=40_dead_ball; "
        "`playclock rules --options` lists them; may be given again",
    )


def rules_for(code: str, season: int | None, options: list[str]) -> RuleSet:
    """The rule set of a code, or of a file named by its path, with its options.

    Raises :class:`~controller.rules.rulings.RulesError`.
    """
    rules = load_rule_set(code, season)
    if not options:
        return rules
    from controller.rulebook.options import split_option, with_options  # noqa: PLC0415 - one more file

    return with_options(rules, map(split_option, options))
