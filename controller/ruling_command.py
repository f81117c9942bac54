"""``playclock ruling``: which count applies, what starts it, and the rule that says so."""

from __future__ import annotations

import argparse
import json
import sys

from controller.rule_sets import load_rule_set
from controller.rules.rulings import RulesError, RuleSet, Ruling, StartsOn

_PLAIN = {
    StartsOn.DEAD_BALL: "starts when the ball is dead",
    StartsOn.READY: "held, starts on the ready for play",
    StartsOn.SIGNAL: "acts at once on the referee's signal",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``ruling``."""
    parser.add_argument(
        "endings", nargs="+", metavar="ENDING", help="how the play ended, e.g. incomplete_pass"
    )
    parser.add_argument("--rules", required=True, metavar="CODE", help="the code, e.g. nfhs")
    parser.add_argument("--season", type=int, metavar="YEAR", help="default: the newest")
    parser.add_argument(
        "--fact",
        action="append",
        default=[],
        metavar="FACT",
        help="a fact that changes the ruling, e.g. fourth_down; may be given again",
    )
    parser.add_argument("--json", action="store_true", help="answer as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Answer; 0, or 2 for an unknown ending, fact, code or season."""
    try:
        rules = load_rule_set(args.rules, args.season)
        ruling = _ruling(rules, args.endings, args.fact)
    except RulesError as error:
        print(f"playclock ruling: {error}", file=sys.stderr)
        return 2
    if args.json:
        answer = {
            "seconds": ruling.seconds,
            "starts_on": ruling.starts_on.value,
            "citation": ruling.citation,
        }
        print(json.dumps(answer))
    else:
        number = "no new count" if ruling.seconds is None else f"{ruling.seconds} seconds"
        print(f"{number}, {_PLAIN[ruling.starts_on]}\n{ruling.citation} (read as {ruling.read_as})")
    return 0


def _ruling(rules: RuleSet, endings: list[str], facts: list[str]) -> Ruling:
    for ending in endings:
        if ending in rules.facts:
            raise RulesError(f"{ending!r} is a fact, not an ending: give it as --fact {ending}")
        rules.check(ending, facts)
    if len(endings) == 1:
        return rules.ruling(endings[0], facts)
    ruling = rules.in_force(frozenset([*endings, *facts]))
    assert ruling is not None  # there is an ending
    return ruling
