"""The console's entry line: what has no key."""

from __future__ import annotations

from controller.rules.endings import ALIASES, ending_named
from controller.rules.events import PlayEnded, SetCount
from controller.rules.rulings import NOT_ENDINGS, RuleSet, nearest

HELP = "an ending with its facts (incomplete pass, fourth down), or: count 17"


class EntryError(ValueError):
    """A line that means nothing; the message says what would."""


def parse_entry(text: str, rules: RuleSet) -> PlayEnded | SetCount:
    """The event of one line: ``count N`` (0-99), or an ending with facts.

    Words of a name may be parted by spaces or underscores. Raises :class:`EntryError`.
    """
    words = text.lower().replace(",", " ").replace("_", " ").split()
    if not words:
        raise EntryError(f"nothing typed: {HELP}")
    if words[0] == "count":
        return _count(words[1:])
    endings = set(rules.rulings) - rules.only_asked
    endings |= {alias for alias, ending in ALIASES.items() if ending in endings}
    ending, facts, rest = "", set(), words
    while rest:
        name, after = _longest(rest, rules.facts if ending else endings | rules.facts)
        if not name:
            raise EntryError(_unknown(text.strip(), ending, rest, rules))
        if name in rules.facts:  # may be said before the ending as well
            facts.add(name)
        else:
            ending = ending_named(name)
        rest = after
    if not ending:
        raise EntryError(f"{text.strip()!r} names no ending, only what bears on one")
    return PlayEnded(ending, frozenset(facts))


def _unknown(text: str, ending: str, rest: list[str], rules: RuleSet) -> str:
    if ending:
        known = ", ".join(sorted(each.replace("_", " ") for each in rules.facts))
        return f"unknown fact {' '.join(rest)!r} after {ending!r}; known: {known}"
    if "_".join(rest) in NOT_ENDINGS:
        return f"{text!r} does not say how a play ended"
    endings = set(rules.rulings) - NOT_ENDINGS
    near = ", ".join(nearest("_".join(rest), endings)).replace("_", " ")
    return f"no ending {text!r}" + (f"; nearest: {near}" if near else "")


def _count(words: list[str]) -> SetCount:
    if len(words) != 1 or not words[0].isdecimal() or len(words[0]) > 2:
        raise EntryError(f"count {' '.join(words)!r}: a whole number from 0 to 99 is wanted")
    return SetCount(int(words[0]))


def _longest(words: list[str], known: set[str] | frozenset[str]) -> tuple[str, list[str]]:
    """The longest known name that ``words`` begin with, and the words after it."""
    for length in range(len(words), 0, -1):
        name = "_".join(words[:length])
        if name in known:
            return name, words[length:]
    return "", words
