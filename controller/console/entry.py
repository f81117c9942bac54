"""The console's entry line: what has no key."""

from __future__ import annotations

from dataclasses import dataclass

from controller.rules.events import PlayEnded, SetCount
from controller.rules.rulings import RuleSet

HELP = "how the play ended (incomplete pass, fourth down), or: count 17"


class EntryError(ValueError):
    """A line that means nothing; the message says what would."""


@dataclass(frozen=True, slots=True)
class HandOver:
    """Another keeper has the clock from here on, ``keeper`` by number (1-999), never by name."""

    keeper: int


def parse_entry(text: str, rules: RuleSet) -> PlayEnded | SetCount | HandOver:
    """The order of one line: ``count N`` (0-99), ``keeper N`` (1-999), or field words.

    Field words are one ending with what bears on it. Raises :class:`EntryError`.
    """
    from controller.rulebook.field_words import (  # noqa: PLC0415 - 7 ms of every start else
        WordsError,
        fold,
        in_plain,
        read_words,
    )

    words = fold(text, {})
    if not words:
        raise EntryError(f"nothing typed: {HELP}")
    if words[0] == "count":
        return SetCount(_number("count", text, 0, 99))
    if words[0] == "keeper":
        return HandOver(_number("keeper", text, 1, 999))
    try:
        told = read_words(text, rules)
    except WordsError as error:
        raise EntryError(str(error)) from None
    if len(told.endings) > 1:
        named = " and ".join(map(in_plain, told.endings))
        raise EntryError(f"{named} are two endings: type one, then the other")
    [ending] = told.endings
    for name in sorted(rules.only_asked & {ending, *told.facts}):
        raise EntryError(f"{in_plain(name)!r} does not say how a play ended")
    return PlayEnded(ending, told.facts)


def _number(word: str, text: str, low: int, high: int) -> int:
    """The whole number that follows ``word``: ``keeper 17``, ``keeper #17 has it``."""
    given = text.casefold().partition(word)[2].strip(" \t:=#,_").removesuffix(" has it")
    if given.isascii() and given.isdecimal() and len(given) < 4 and low <= int(given) <= high:
        return int(given)
    raise EntryError(f"{word} {given!r}: a whole number from {low} to {high} is wanted")
