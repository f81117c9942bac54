"""``playclock ruling``: which count applies, what starts it, and the rule that says so."""

from __future__ import annotations

import argparse
import sys

from controller.rulebook.choice import add_option, rules_for
from controller.rulebook.wording import as_data, in_full
from controller.rules.endings import FACTS, ending_named, fact_named
from controller.rules.rulings import RulesError, RuleSet, Ruling


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``ruling``."""
    parser.add_argument(
        "endings", nargs="+", metavar="ENDING", help="how the play ended, e.g. incomplete_pass"
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
        ruling = _ruling(rules, args.endings, args.fact)
    except RulesError as error:
        print(f"playclock ruling: {error}", file=sys.stderr)
        return 2
    if args.json:
        import json  # noqa: PLC0415 - the plain answer is faster without

        print(json.dumps(as_data(ruling)))
        return 0
    print(f"{in_full(ruling)}\n{ruling.citation} (read as {ruling.read_as})")
    if ruling.unsettled:
        print(f"no source settles this: {ruling.unsettled}")
    if ruling.override:
        print(f"LOCAL ADOPTION: {ruling.override}")
    return 0


def _ruling(rules: RuleSet, endings: list[str], facts: list[str]) -> Ruling:
    endings, facts = [ending_named(each) for each in endings], [fact_named(each) for each in facts]
    for ending in endings:
        if ending in FACTS:
            raise RulesError(f"{ending!r} is a fact, not an ending: give it as --fact {ending}")
        rules.check(ending, facts)
    if len(set(endings)) == 1:
        return rules.ruling(endings[0], facts)
    ruling = rules.in_force(frozenset([*endings, *facts]))
    assert ruling is not None  # there is an ending
    return ruling
