"""``playclock rehearse``: a sequence of presses in virtual time, and what the clock makes of it."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Iterable, Iterator

from controller.console.entry import parse_entry
from controller.outcome import DONE, MISTAKE
from controller.rehearsal.notation import parse_sequence
from controller.rehearsal.record import Narrator, RehearsedLine
from controller.rehearsal.rehearsal import play
from controller.rulebook.choice import add_option, rules_for
from controller.rules.events import Event, PlayEnded, SetCount
from controller.rules.numerals import SECOND_NS
from controller.rules.rulings import RuleSet

COLUMNS = 80
_INDENT = " " * 12


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``rehearse``."""
    parser.add_argument(
        "presses",
        metavar="PRESSES",
        help="keys of the console at seconds, e.g. 'd@0; f@2; ff@20': a letter twice is a double "
        "tap, 2~ or an upper-case letter a hold, ':words@20' a line of field words",
    )
    parser.add_argument("--rules", required=True, metavar="CODE", help="the code, e.g. nfhs")
    parser.add_argument("--season", type=int, metavar="YEAR", help="default: the newest")
    add_option(parser)
    parser.add_argument(
        "--json",
        action="store_true",
        help="the last press as one JSON object: seconds (null: no count), state, record",
    )


def run(args: argparse.Namespace) -> int:
    """Play and print; 0, or 2 for an unknown code, season, option, or a sequence unread."""
    try:
        rules = rules_for(args.rules, args.season, args.option)
        presses = parse_sequence(args.presses, lambda words: _event(words, rules))
    except ValueError as error:
        print(f"playclock rehearse: {error}", file=sys.stderr)
        return MISTAKE
    lines = list(Narrator(rules).lines(play(presses, rules)))
    if args.json:
        last = lines[-1]
        print(json.dumps({"seconds": last.seconds, "state": last.state, "record": last.record}))
    else:
        print("\n".join(_printed(lines)))
    return DONE


def _event(words: str, rules: RuleSet) -> Event:
    """The order of a line of field words, as the console reads it."""
    event = parse_entry(words, rules)
    if not isinstance(event, PlayEnded | SetCount):
        raise ValueError("this is not an order to the play clock")
    return event


def _printed(lines: Iterable[RehearsedLine]) -> Iterator[str]:
    for line in lines:
        count = line.state if line.seconds is None else f"{line.seconds} {line.state}"
        yield f"{_seconds(line.at):>8} s  {line.keys:24}  {count}"
        yield from textwrap.wrap(
            line.record, COLUMNS, initial_indent=_INDENT, subsequent_indent=_INDENT
        )


def _seconds(at: int) -> str:
    """Seconds with as many decimals as they need: ``20``, ``20.2``."""
    whole, rest = divmod(at, SECOND_NS)
    return f"{whole}.{rest:09}".rstrip("0").rstrip(".") if rest else str(whole)
