"""``playclock ruling``: which count applies, what starts it, and the rule that says so."""

from __future__ import annotations

import argparse
import sys

from controller.rulebook.choice import add_option, rules_for
from controller.rulebook.field_words import Told, read_facts, read_words
from controller.rulebook.wording import READ_WORDS, as_data, in_full, titled
from controller.rules.rulings import RulesError, RuleSet, Ruling


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``ruling``."""
    parser.add_argument(
        "words",
        nargs="+",
        metavar="WORD",
        help="how the play ended and what bears on it, e.g. incomplete pass, fourth down",
    )
    parser.add_argument(
        "--rules", required=True, metavar="CODE", help="the code, e.g. nfhs, or a file, own.toml"
    )
    parser.add_argument("--season", type=int, metavar="YEAR", help="default: the newest")
    parser.add_argument(
        "--fact",
        action="append",
        default=[],
        metavar="FACT",
        help="a fact that changes the ruling, e.g. fourth_down; may be given again",
    )
    add_option(parser)
    parser.add_argument("--json", action="store_true", help="answer as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Answer; 0, or 2 for an unknown ending, fact, code, season or option."""
    try:
        rules = rules_for(args.rules, args.season, args.option)
        told = read_words(" ".join(args.words), rules)
        facts = told.facts.union(*(read_facts(each, rules) for each in args.fact))
        ruling = _ruling(rules, Told(told.endings, facts))
    except RulesError as error:
        print(f"playclock ruling: {error}", file=sys.stderr)
        return 2
    if args.json:
        import json  # noqa: PLC0415 - the plain answer is faster without

        print(json.dumps(as_data(ruling)))
        return 0
    print(f"{in_full(ruling)}\n{ruling.citation} ({READ_WORDS[ruling.read_as].long})")
    if ruling.unsettled:
        print(f"no source settles this: {ruling.unsettled}")
    if ruling.override:
        print(f"LOCAL ADOPTION: {ruling.override}")
    if args.season is not None:
        print(titled(rules))
    return 0


def _ruling(rules: RuleSet, told: Told) -> Ruling:
    if len(told.endings) == 1:
        return rules.ruling(told.endings[0], told.facts)
    ruling = rules.in_force(told.facts.union(told.endings))
    assert ruling is not None  # there is an ending
    return ruling
