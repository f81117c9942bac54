"""Rulings in words: for readers in short and in whole sentences, and for machines.

What starts a count, how a source was read and which rules are in force are put into words here and
nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

from controller.rules.rulings import RuleSet, Ruling, StartsOn

NO_COUNT: Final = "no new count"


class StartWords(NamedTuple):
    """What starts a count, put in every form that a reader is given."""

    name: str
    """Beside a number in a table: "40 dead ball"."""
    short: str
    """After a number: "40 at the dead ball"."""
    long: str
    """The same where there is room: "25 on the referee's signal"."""
    how: str
    """What the boards do meanwhile, under a heading."""
    sentence: str
    """After the seconds of a ruling: "25 seconds, held, starts on the ready for play"."""
    verb: str
    """Of a count that is spoken of by its ending: "touchdown waits for the ready for play"."""


START_WORDS: Final[Mapping[StartsOn, StartWords]] = {
    StartsOn.DEAD_BALL: StartWords(
        "dead ball",
        "at the dead ball",
        "at the dead ball",
        "runs without a ready",
        "starts when the ball is dead",
        "starts when the ball is dead",
    ),
    StartsOn.READY: StartWords(
        "ready",
        "on the ready",
        "on the ready",
        "up and held until then",
        "held, starts on the ready for play",
        "waits for the ready for play",
    ),
    StartsOn.SIGNAL: StartWords(
        "signal",
        "on the signal",
        "on the referee's signal",
        "at once, as signalled",
        "acts at once on the referee's signal",
        "acts at once on the referee's signal",
    ),
}


class ReadWords(NamedTuple):
    """How a source was read, for a keeper."""

    short: str
    """In a table: "from memory"."""
    long: str
    """Beside one citation: "from memory: no document found"."""


READ_WORDS: Final[Mapping[str, ReadWords]] = {
    "text": ReadWords("wording", "wording read"),
    "table": ReadWords("published table", "published table read"),
    "memory": ReadWords("from memory", "from memory: no document found"),
}


def titled(rules: RuleSet) -> str:
    """The rule set with its season: ``High school (NFHS), rules of 2022, in force 2026``."""
    return f"{rules.title}, {season_in_words(rules)}"


def season_in_words(rules: RuleSet) -> str:
    """Since when the rules are in force, and the season that was asked for where it is later."""
    since = f"rules of {rules.season_from}"
    return since if rules.season == rules.season_from else f"{since}, in force {rules.season}"


def in_table(ruling: Ruling) -> str:
    """Seconds and the name of what starts them, for a table: ``40 dead ball``."""
    if ruling.seconds is None:
        return NO_COUNT
    return f"{ruling.seconds} {START_WORDS[ruling.starts_on].name}"


def in_short(ruling: Ruling) -> str:
    """Seconds and what starts them in a few words: ``40 at the dead ball``."""
    if ruling.seconds is None:
        return NO_COUNT
    return f"{ruling.seconds} {START_WORDS[ruling.starts_on].short}"


def in_full(ruling: Ruling) -> str:
    """Seconds and what starts them in plain words: ``40 seconds, starts when the ball is dead``."""
    number = NO_COUNT if ruling.seconds is None else f"{ruling.seconds} seconds"
    if ruling.seconds is None and ruling.starts_on is not StartsOn.SIGNAL:
        return number
    return f"{number}, {START_WORDS[ruling.starts_on].sentence}"


def as_data(ruling: Ruling) -> dict[str, object]:
    """A ruling for machines; what does not apply is left out."""
    answer: dict[str, object] = {
        "seconds": ruling.seconds,
        "starts_on": ruling.starts_on.value,
        "citation": ruling.citation,
        "read_as": ruling.read_as,
    }
    if ruling.unsettled:
        answer["unsettled"] = ruling.unsettled
    if ruling.override:
        answer["local_adoption"] = ruling.override
    return answer
