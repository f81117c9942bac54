"""``playclock rules``: the codes, the whole table of one, or what differs between two."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

from controller.rulebook.choice import add_option, rules_for
from controller.rulebook.loader import codes, load_rule_set, load_seasons
from controller.rulebook.options import load_options
from controller.rulebook.own_file import is_path
from controller.rulebook.wording import READ_WORDS, as_data, in_table, titled
from controller.rules.endings import FACTS, GROUPS
from controller.rules.rulings import RulesError, RuleSet, Ruling

COLUMNS = 80
_LEGEND = f"""
The number is the seconds of the count. dead ball: it starts at the dead ball.
ready: held, it starts on the ready for play. signal: at once, when the referee
signals. [{READ_WORDS["table"].short}]: that was read, not the rule's own wording.
[{READ_WORDS["memory"].short}]: no document was found."""
_CAUTION = "The adopted rules of your association, and the referee, outrank this table."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``rules``."""
    parser.add_argument(
        "code", nargs="?", metavar="CODE", help="the code, e.g. nfhs, or a file, own.toml"
    )
    parser.add_argument("--season", type=int, metavar="YEAR", help="default: the newest")
    parser.add_argument(
        "--against", metavar="CODE[:YEAR]", help="only what differs from this code or season"
    )
    parser.add_argument(
        "--options", action="store_true", help="where sources disagree, and each one's value"
    )
    add_option(parser)
    parser.add_argument("--json", action="store_true", help="answer as one JSON object")
    parser.add_argument(
        "--card", type=Path, metavar="FILE.pdf", help="write a pocket card of the rule set"
    )
    parser.add_argument(
        "--paper", choices=("letter", "a4"), help="the paper of the card (default: letter)"
    )


def run(args: argparse.Namespace) -> int:
    """Answer; 0, or 2 for an unknown code, season or option."""
    try:
        if args.options:
            data, lines = _options()
        elif args.code is None:
            _needs_a_code(args)
            data, lines = _codes()
        else:
            rules = rules_for(args.code, args.season, args.option)
            if args.card is not None:
                return _card(rules, args)
            data, lines = _differences(rules, args) if args.against else _table(rules)
    except RulesError as error:
        print(f"playclock rules: {error}", file=sys.stderr)
        return 2
    print(json.dumps(data) if args.json else "\n".join(lines))
    return 0


def _needs_a_code(args: argparse.Namespace) -> None:
    for option in ("season", "against", "option", "card"):
        if getattr(args, option):
            raise RulesError(f"--{option} needs a CODE")


def _card(rules: RuleSet, args: argparse.Namespace) -> int:
    for other in ("against", "json"):
        if getattr(args, other):
            raise RulesError(f"--card is a whole answer: not together with --{other}")
    from controller.card.pdf import write_card  # noqa: PLC0415 - and the cues, and reportlab

    paper = args.paper or "letter"
    asked = args.season is not None
    write_card(rules, args.card, paper=paper, options=args.option, asked=asked)
    print(f"{args.card}: the card of {rules.code}: {titled(rules)}")
    return 0


Answer = tuple[object, list[str]]


def _codes() -> Answer:
    data, lines = [], ["code              seasons held from        what it is"]
    for code in codes():
        seasons = load_seasons(code)
        years = [each.season_from for each in seasons]
        data.append({"code": code, "title": seasons[-1].title, "seasons_from": years})
        lines.append(f"{code:16}  {' '.join(map(str, years)):23}  {seasons[-1].title}")
    return data, [*lines, "", "A season's rules hold until the next one of its line."]


def _options() -> Answer:
    data, lines = {}, []
    for name, option in load_options().items():
        lines += _wrapped(f"{name}:", option.about, 4)
        if option.setting:
            lines += [f"    no ruling: set by {option.setting}"]
        data[name] = {
            "about": option.about,
            "setting": option.setting or None,
            "values": {word: value.citation for word, value in option.values.items()},
        }
        for word, value in option.values.items():
            lines += _wrapped(f"  {word}", value.citation, 22)
    return data, lines


def _table(rules: RuleSet) -> Answer:
    lines = [f"{rules.code}: {titled(rules)}", *_LEGEND.split("\n")]
    groups: dict[str, dict[str, object]] = {}
    for group, endings in GROUPS.items():
        lines += ["", group.upper()]
        groups[group] = {}
        for ending, words in endings.items():
            groups[group][ending] = {"meaning": words, **as_data(rules.rulings[ending])}
            lines += _ruling_lines(ending, words, rules.rulings[ending])
    facts = list(rules.changed_by_facts())
    lines += ["", "WHAT A FACT CHANGES", *_fact_lines(facts)]
    together = [(" + ".join(sorted(each.all_of)), each.mean) for each in rules.combinations]
    if together:
        lines += ["", "NAMED TOGETHER"]
    for several, mean in together:
        lines += _wrapped(f"  {several}", f"= {mean}", 4)
    data = {
        "code": rules.code,
        "title": rules.title,
        "season": rules.season,
        "groups": groups,
        "facts": [{"fact": f, "ending": e, **as_data(r)} for f, e, r in facts],
        "together": [{"all_of": all_of.split(" + "), "mean": mean} for all_of, mean in together],
    }
    return data, [*lines, "", _CAUTION]


def _fact_lines(facts: list[tuple[str, str, Ruling]]) -> Iterator[str]:
    for fact in dict.fromkeys(fact for fact, _, _ in facts):
        yield from _wrapped(f"  {fact}", FACTS.get(fact, ""), 24)
        by_count: dict[str, list[str]] = {}
        for named, ending, ruling in facts:
            if named == fact:
                by_count.setdefault(in_table(ruling), []).append(ending)
        for count, endings in by_count.items():
            yield from _wrapped(f"    {count}", ", ".join(endings), 18)


def _differences(rules: RuleSet, args: argparse.Namespace) -> Answer:
    other = load_rule_set(*_code_and_year(args.against))
    names = [_name(each) for each in (rules, other)]
    lines = [f"{names[0]}, {rules.title},", f"against {names[1]}, {other.title}"]
    data: dict[str, dict[str, object]] = {}
    for group, asked in _questions(rules, other):
        found = _Different(names)
        for words, ending, facts in asked:
            pair = (rules.ruling(ending, facts), other.ruling(ending, facts))
            if in_table(pair[0]) != in_table(pair[1]):
                found.add(words, ending, facts, pair)
                each = zip(names, map(as_data, pair), strict=True)
                data[" ".join((ending, *facts))] = dict(each)
        lines += ["", group.upper(), *found.lines()] if found.alike else []
    if not data:
        lines += ["", "nothing is ruled otherwise"]
    return {"of": names[0], "against": names[1], "differences": data}, [*lines, "", _CAUTION]


def _code_and_year(words: str) -> tuple[str, int | None]:
    """What ``--against`` names. A file's name may have a colon in it."""
    code, _, year = words.rpartition(":")
    if code and year.isascii() and year.isdecimal():
        return code, int(year)
    if code and not is_path(words):
        raise RulesError(f"--against {words!r}: must be CODE or CODE:YEAR")
    return words, None


Question = tuple[str, str, tuple[str, ...]]
Pair = tuple[Ruling, Ruling]


def _questions(rules: RuleSet, other: RuleSet) -> Iterator[tuple[str, list[Question]]]:
    """Every ending by its group, then every ending with a fact that changes it in either set."""
    for group, endings in GROUPS.items():
        yield group, [(words, ending, ()) for ending, words in endings.items()]
    pairs = {
        (fact, ending) for each in (rules, other) for fact, ending, _ in each.changed_by_facts()
    }
    yield "with a fact", [(FACTS.get(fact, ""), ending, (fact,)) for fact, ending in sorted(pairs)]


class _Different:
    """What differs in one group; endings that differ alike by one fact are told together."""

    def __init__(self, names: list[str]) -> None:
        self._names = names
        self.alike: dict[tuple[str, ...], list[tuple[str, str, Pair]]] = {}

    def add(self, words: str, ending: str, facts: tuple[str, ...], pair: Pair) -> None:
        """One ending, with the rulings of both."""
        key = (*facts, *map(in_table, pair)) if facts else (ending,)
        self.alike.setdefault(key, []).append((ending, words, pair))

    def lines(self) -> Iterator[str]:
        """Each, with a line for either rule set; the source where all have the same one."""
        for (first, *more), told in self.alike.items():
            yield from _wrapped(f"  {first}:", told[0][1], 6)
            if more:
                yield from _wrapped("    after", ", ".join(ending for ending, _, _ in told), 10)
            for i, name in enumerate(self._names):
                sources = {_source(pair[i]) for _, _, pair in told}
                source = sources.pop() if len(sources) == 1 else ""
                yield from _wrapped(f"    {name:21} {in_table(told[0][2][i])}", source, 40)


def _name(rules: RuleSet) -> str:
    """Code and year: of the season asked for, else since when the newest rules hold."""
    asked = rules.season != rules.season_from
    return f"{rules.code} {rules.season}" if asked else f"{rules.code} since {rules.season_from}"


def _ruling_lines(ending: str, words: str, ruling: Ruling) -> list[str]:
    return [
        *_wrapped(f"  {ending}:", words, 6),
        *_wrapped(f"    {in_table(ruling)}", _source(ruling), 18),
    ]


def _source(ruling: Ruling) -> str:
    words = ruling.citation
    if ruling.read_as != "text":
        words += f" [{READ_WORDS[ruling.read_as].short}]"
    if ruling.unsettled:
        words += f" [NOT SETTLED: {ruling.unsettled}]"
    if ruling.override:
        words = f"LOCAL ADOPTION {ruling.override}: {words}"
    return words


def _wrapped(start: str, words: str, column: int) -> list[str]:
    """``start``, then ``words`` from ``column`` on, in lines of at most 80 characters."""
    first = start.ljust(column - 1) + " "
    return textwrap.wrap(
        words, COLUMNS, initial_indent=first, subsequent_indent=" " * column, break_long_words=False
    ) or [start]
