"""Which words of a rule set are interchangeable, worked out from the rule set itself.

What a down was told matters only by what it makes of the present and of everything that may still
be told: by the facts, and, for every set of facts that these may grow to, by the endings that take
part in a combination and the strongest of the others, by how vague or exact the endings are, and by
what they promise of the next play. Two downs that agree in all this are one to
the play clock (:meth:`Words.of_down`), and two ends of play that agree in it, and in the row of the
table they belong to, are one class (:meth:`Words.classes`).
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterable, Iterator

from controller.rules.endings import FACTS
from controller.rules.events import PlayEnded
from controller.rules.rulings import CANCELLED, RuleSet, Ruling, StartsOn, without_fact
from controller.rules.transitions import why_not
from tests.exploration.model import ENDS_EXACTLY, PROMISED_BY, SAYS_LESS, SCORES

Key = tuple[object, ...]

GAME_WORDS = {"start_of_period", "overtime_series"}
"""Endings that say something of the game, and not of the down."""


class Words:
    """The words of one rule set, and what they amount to."""

    def __init__(self, rules: RuleSet) -> None:
        self.rules = rules
        self.endings = [each for each in rules.rulings if not why_not(PlayEnded(each), rules)]
        self.facts = sorted(rules.facts)
        self._takes_part = {word for each in rules.combinations for word in each.all_of}
        self._downs: dict[frozenset[str], int] = {}
        self._keys: dict[Key, int] = {}
        self._glances: dict[frozenset[str], int] = {}
        self._seen: dict[Key, int] = {}
        self._singles = [each[0].ending for each in self.classes(0)]

    def of_down(self, named: frozenset[str]) -> int:
        """A number for ``named``: the same for what nothing can tell apart."""
        if named not in self._downs:
            key = self._amount_to(named)
            self._downs[named] = self._keys.setdefault(key, len(self._keys))
        return self._downs[named]

    def classes(self, facts: int = 1) -> list[list[PlayEnded]]:
        """Every end of play with up to so many ``facts``, those alike together, in the order of
        the rule set; the first of each class has the fewest facts."""
        found: dict[Key, list[PlayEnded]] = defaultdict(list)
        for event in self.events(facts):
            found[self._row(event)].append(event)
        return list(found.values())

    def events(self, facts: int) -> Iterator[PlayEnded]:
        """Every end of play that says something, with up to so many ``facts``."""
        for count in range(facts + 1):
            for told in itertools.combinations(self.facts, count):
                yield from (PlayEnded(each, frozenset(told)) for each in self.endings)

    def _row(self, event: PlayEnded) -> Key:
        """What tells one end of play from another."""
        rules = self.rules
        ruling = rules.rulings[event.ending]
        if ruling.starts_on is StartsOn.SIGNAL:
            return ("pump", ruling.seconds)  # no fact makes one, or changes one; it names nothing
        told = [
            (rules.is_routine_end(event.ending, facts), rules.is_foul(event.ending, facts))
            for facts in self._grown(event.facts)
        ]
        return (self.of_down(event.facts | {event.ending}), *told)

    def _amount_to(self, named: frozenset[str]) -> Key:
        facts = named & self.rules.facts
        words = named - FACTS.keys() - self.rules.facts
        return (facts, *(self._summary(words, grown) for grown in self._grown(facts)))

    @staticmethod
    def beyond_rulings(meant: set[str]) -> Key:
        """What the play clock finds in words besides their rulings."""
        plain = {without_fact(each) for each in meant}
        return (
            frozenset(meant & SAYS_LESS.keys()),
            frozenset(vague for vague, exact in SAYS_LESS.items() if exact & plain),
            frozenset(play for play, words in PROMISED_BY.items() if words & plain),
            not plain.isdisjoint(ENDS_EXACTLY),
            not plain.isdisjoint(SCORES),
            frozenset(plain & GAME_WORDS),
        )

    def _grown(self, facts: frozenset[str]) -> Iterator[frozenset[str]]:
        """Every set of facts that ``facts`` may still grow to, themselves first."""
        rest = [each for each in self.facts if each not in facts]
        for count in range(len(rest) + 1):
            for more in itertools.combinations(rest, count):
                yield facts | set(more)

    def _summary(self, words: Iterable[str], facts: frozenset[str]) -> Key:
        meant = {self.rules.counts_as(each, facts) for each in words}
        alone = meant - self._takes_part
        stays = {each for each in alone if without_fact(each) not in self.rules.cancelled}
        strongest = self._strongest(stays if CANCELLED in facts else alone)
        taken_back = self._strongest(alone - stays) if CANCELLED in facts else None
        part = frozenset(meant & self._takes_part)
        return (part, strongest, taken_back, self.beyond_rulings(meant))

    def _strongest(self, meant: set[str]) -> Key | None:
        """The strongest ruling: the facts of the algebra, not its name or its source."""
        return max((self.weight(each) for each in meant), default=None)

    def weight(self, name: str) -> tuple[int, ...]:
        """How strong a ruling is, then its number and its start, in an order of their own."""
        rules = self.rules
        ruling: Ruling = rules.rulings[name] if name in rules.rulings else rules.variants[name]
        waits = ruling.starts_on is StartsOn.READY
        number = -1 if ruling.seconds is None else ruling.seconds
        return (
            int(waits and ruling.seconds == rules.administrative_s),
            int(ruling.seconds is not None),
            int(ruling.strength > 0),
            int(ruling.override != ""),
            number,
            ruling.strength,
        )

    def outcome(self, event: PlayEnded) -> Key:
        """What an end of play does by itself: its row in the table, its number and its start."""
        ruling = self.rules.ruling(event.ending, event.facts)
        routine = self.rules.is_routine_end(event.ending, event.facts)
        foul = self.rules.is_foul(event.ending, event.facts)
        meant = {self.rules.counts_as(event.ending, event.facts)}
        return (ruling.seconds, ruling.starts_on, routine, foul, self.beyond_rulings(meant))

    def at_a_glance(self, named: frozenset[str]) -> int:
        """Coarser than :meth:`of_down`: the facts, the ruling in force, and the one that would be
        once a single word more was told."""
        if named not in self._glances:
            facts = named & self.rules.facts
            ahead = (self._answer(named | {each}) for each in (*self._singles, *self.facts))
            key = (facts, self._answer(named), *ahead)
            self._glances[named] = self._seen.setdefault(key, len(self._seen))
        return self._glances[named]

    def _answer(self, named: frozenset[str]) -> Key | None:
        ruling = self.rules.in_force(named)
        return (ruling.seconds, ruling.starts_on) if ruling else None
