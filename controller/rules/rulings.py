"""Rulings: which number, what starts it, and the rule that says so.

A rule set is data (``codes/*.toml``): a code and the season in force. This module holds the
algebra: facts of one down, in any order, to one ruling.
"""

from __future__ import annotations

import enum
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from controller.rules.endings import FACTS, GIVES_WAY

MEMORY = 1_000
"""Answers kept: far more sets of facts than a game has."""
COMMON_MARKS_S = 10
"""Marks up to here are those of every count: 10, 5 to 1, and zero."""


class RulesError(ValueError):
    """A rule set that does not hold together, or a question it cannot answer."""


class StartsOn(enum.Enum):
    """What starts a count."""

    DEAD_BALL = "dead_ball"
    """At the end-of-play signal."""
    READY = "ready_for_play"
    """Held until the referee's ready."""
    SIGNAL = "referee_signal"
    """At once, on a pump or another instruction of the referee."""


@dataclass(frozen=True, slots=True)
class Ruling:
    """One answer. ``seconds`` is None where no new count is set.

    ``read_as`` says how the source was read: ``text``, ``table`` or ``memory``. ``override`` names
    the local adoption that replaced the rule set's own ruling, else it is empty. ``unsettled`` says
    why the ruling is only a default, where no source settles it, else it is empty.
    """

    ending: str
    seconds: int | None
    starts_on: StartsOn
    citation: str
    read_as: str
    override: str = ""
    unsettled: str = ""

    @property
    def strength(self) -> int:
        """Which ruling of one down wins: higher beats lower, whatever was named first."""
        if self.starts_on is StartsOn.DEAD_BALL:
            return 0
        return 1 if self.starts_on is StartsOn.READY else 2


ROUTINE_ENDS = frozenset(
    {
        "routine",
        "runner_down_inbounds",
        "line_to_gain_reached",
        "out_of_bounds",
        "incomplete_pass",
        "double_change_of_possession",
        "kick_no_new_series",
    }
)
"""Ends of a play after which the game simply goes on, also in a code whose count always waits."""

LESS_TIME = "less_time_than_play_clock"

NOT_ENDINGS = frozenset(
    {
        "snap",
        "zero_no_foul",
        "boards_disagree",
        "slow_chains_no_reset",
        LESS_TIME,
    }
)
"""Answers a rule set can be asked for that do not say how a play ended: never an event."""

FOULS = frozenset(
    {"foul", "foul_offense", "foul_defense", "foul_both", "foul_before_snap", "delay_of_game"}
)
"""Endings that leave a zero on the boards until the penalty is completed."""


@dataclass(frozen=True, slots=True)
class Combination:
    """Endings that mean another one when all of them were named for one down. ``first`` gives the
    fact that it is to have been told of one of them before the others."""

    all_of: frozenset[str]
    mean: str
    first: Mapping[str, str] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class PromisedPlay:
    """A play that endings promise, such as the try after a touchdown.

    It is promised by the endings ``after``, and once more by the fact ``again``; never after the
    ending ``not_after``. ``before`` is the ending that rules until it is snapped, ``ends`` with
    ``facts`` the one that its end is taken for, and each of ``ended_by``, told in it, is that end
    too. ``opens_half``: each half begins with it.
    """

    after: frozenset[str]
    ends: str
    before: str
    facts: frozenset[str] = frozenset()
    ended_by: frozenset[str] = frozenset()
    again: str = ""
    not_after: str = ""
    opens_half: bool = False


def own_mark(marks: Iterable[int]) -> int:
    """The mark that a rule set has besides 10 and 5 to 1, the highest if there are several; 0 for
    none. A handset can be told of one."""
    return max((mark for mark in marks if mark > COMMON_MARKS_S), default=0)


@dataclass(frozen=True, slots=True)
class RuleSet:
    """A code in one season.

    ``routine_s`` and ``administrative_s`` are the two numbers in seconds (40 and 25 in a 40/25
    code). ``with_fact`` maps (ending, fact) to the ending it then counts as. ``cancelled`` are the
    endings that the fact ``cancelled`` (a penalty that cancels the play's result) takes back.
    ``plays`` are those that an ending promises, by their names in
    :data:`~controller.rules.endings.PLAYS`. ``marks`` are seconds left at which the crew is cued;
    ``routine_marks`` only in a count that began at the routine number. ``ready_by_whistle``: the
    referee's whistle is the ready for play.
    """

    code: str
    title: str
    season_from: int
    season: int
    routine_s: int
    administrative_s: int
    rulings: Mapping[str, Ruling]
    with_fact: Mapping[tuple[str, str], str] = field(default_factory=dict)
    variants: Mapping[str, Ruling] = field(default_factory=dict)
    combinations: tuple[Combination, ...] = ()
    cancelled: frozenset[str] = frozenset()
    marks: frozenset[int] = frozenset()
    routine_marks: frozenset[int] = frozenset()
    ready_by_whistle: bool = False
    plays: Mapping[str, PromisedPlay] = field(default_factory=dict)
    facts: frozenset[str] = field(init=False, repr=False, compare=False)
    """Every fact of a down that changes a ruling of this set."""
    only_asked: frozenset[str] = field(init=False, repr=False, compare=False)
    """Endings and facts that can be asked about but order no count: never an event."""
    _answers: dict[frozenset[str], Ruling | None] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """Answers already given: a down has few facts, and the press must not wait for algebra."""
    _words: dict[frozenset[str], frozenset[str]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def __post_init__(self) -> None:
        countless = {ending for ending, ruling in self.rulings.items() if ruling.seconds is None}
        silent = {fact for (_, fact), to in self.with_fact.items() if self._orders_none(to)}
        known = {fact for _, fact in self.with_fact}
        again = {play.again for play in self.plays.values() if play.again}
        facts = (known | again | ({CANCELLED} if self.cancelled else set())) - silent
        object.__setattr__(self, "facts", frozenset(facts))
        object.__setattr__(self, "only_asked", NOT_ENDINGS | countless | silent)

    def _orders_none(self, name: str) -> bool:
        """True for what a fact must not make of a stoppage: nothing, or a reset that has a key."""
        ruling = self._of(name)
        return ruling.seconds is None or ruling.starts_on is StartsOn.SIGNAL

    def _of(self, name: str) -> Ruling:
        """The ruling of an ending or a variant."""
        return self.rulings[name] if name in self.rulings else self.variants[name]

    @property
    def low_time(self) -> Ruling | None:
        """The ruling that a count is not started when a running game clock has less time left;
        None where it is started all the same."""
        ruling = self.rulings.get(LESS_TIME)
        return ruling if ruling is not None and ruling.seconds is None else None

    def counts_as(self, ending: str, facts: Collection[str]) -> str:
        """The ending, or variant, that ``ending`` is once the facts of the down are known."""
        for fact in sorted(facts):
            ending = self.with_fact.get((ending, fact), ending)
        return ending

    def ruling(self, ending: str, facts: Collection[str] = ()) -> Ruling:
        """The ruling for one ending. Raises :class:`RulesError` for an unknown name."""
        self.check(ending, facts)
        return self._of(self.counts_as(ending, facts))

    def changed_by_facts(self) -> Iterator[tuple[str, str, Ruling]]:
        """Each fact with an ending whose number or start it changes, and the ruling then."""
        for ending, fact in sorted(self.with_fact, key=lambda pair: (pair[1], pair[0])):
            ruling, own = self.ruling(ending, (fact,)), self.rulings[ending]
            if (ruling.seconds, ruling.starts_on) != (own.seconds, own.starts_on):
                yield fact, ending, ruling

    def is_routine_end(self, ending: str, facts: Collection[str]) -> bool:
        """True for an end of play after which the routine count runs with nothing to wait for."""
        meant = self.counts_as(ending, facts)
        if self.rulings["routine"].starts_on is not StartsOn.DEAD_BALL:
            return meant in ROUTINE_ENDS
        return self._of(meant).starts_on is StartsOn.DEAD_BALL

    def is_foul(self, ending: str, facts: Collection[str]) -> bool:
        """True for an ending that leaves a zero up until the penalty is completed."""
        if "waved_off" in facts:
            return False
        return without_fact(self.counts_as(ending, facts)) in FOULS

    def in_force(self, named: frozenset[str]) -> Ruling | None:
        """The ruling for everything named since the last snap or ready, in whatever order.

        A word that says less gives way to an exact one of its kind. 25 on the ready beats another
        number on the ready, which beats a start at the dead ball; combinations that the rule set
        lists come before that. None when no ending was named.
        """
        if named in self._answers:
            return self._answers[named]
        ruling = self._weigh(named)
        if len(self._answers) < MEMORY:
            self._answers[named] = ruling
        return ruling

    def endings_in_force(self, named: frozenset[str]) -> frozenset[str]:
        """Which endings and variants are left of all that was ``named`` for one down: a word that
        says less has given way to an exact one, and what a penalty cancels is gone."""
        facts = named & self.facts
        words = named - facts - FACTS.keys()
        endings = {self.counts_as(word, facts) for word in words}
        kinds = {without_fact(each) for each in endings}
        endings = {each for each in endings if not GIVES_WAY.get(without_fact(each), _NONE) & kinds}
        for combination in self.combinations:
            if combination.all_of <= endings:
                meant = self.counts_as(combination.mean, facts)
                endings = (endings - combination.all_of) | {meant}
        if CANCELLED in facts:
            left = {each for each in endings if without_fact(each) not in self.cancelled}
            endings = left or endings
        return frozenset(endings)

    def words_in_force(self, named: frozenset[str]) -> frozenset[str]:
        """The same, without the facts that make a variant of an ending."""
        words = self._words.get(named)
        if words is None:
            words = frozenset(without_fact(each) for each in self.endings_in_force(named))
            if len(self._words) < MEMORY:
                self._words[named] = words
        return words

    def told(self, named: frozenset[str], ending: str, facts: frozenset[str]) -> frozenset[str]:
        """``named`` with one more ending and its ``facts``, and with what the order tells where
        the rule set says that it counts."""
        before = self.words_in_force(named)
        meant = without_fact(self.counts_as(ending, facts | (named & self.facts)))
        first = {
            fact
            for combination in self.combinations
            if meant in combination.all_of and meant not in before
            for earlier, fact in combination.first.items()
            if earlier in before
        }
        return named | {ending} | facts | first

    def _weigh(self, named: frozenset[str]) -> Ruling | None:
        endings = self.endings_in_force(named)
        if not endings:
            return None
        return max((self._of(ending) for ending in sorted(endings)), key=self._rank)

    def _rank(self, ruling: Ruling) -> tuple[bool, bool, bool, bool]:
        waits_administrative = (
            ruling.starts_on is StartsOn.READY and ruling.seconds == self.administrative_s
        )
        counts = ruling.seconds is not None
        return (waits_administrative, counts, ruling.strength > 0, ruling.override != "")

    def check(self, ending: str, facts: Collection[str] = ()) -> None:
        """Raise :class:`RulesError`, with the nearest names, unless every word is known."""
        if ending not in self.rulings:
            raise RulesError(self._unknown("ending", ending, self.rulings))
        for fact in facts:
            if fact not in FACTS and fact not in self.facts:
                raise RulesError(self._unknown("fact", fact, self.facts | FACTS.keys()))

    def _unknown(self, what: str, word: str, known: Collection[str]) -> str:
        near = nearest(word, known)
        hint = f"; nearest: {', '.join(near)}" if near else f"; known: {', '.join(sorted(known))}"
        return f"unknown {what} {word!r} in rule set {self.code} {self.season}{hint}"

    def with_override(
        self, ending: str, seconds: int, starts_on: StartsOn, citation: str
    ) -> RuleSet:
        """This set with one ruling replaced by a local adoption, shown as such in every answer."""
        self.check(ending)
        ruling = Ruling(ending, seconds, starts_on, citation, "text", override=citation)
        gone = alike(self, ending, ruling)
        with_fact = {pair: name for pair, name in self.with_fact.items() if pair not in gone}
        return replace(self, rulings={**self.rulings, ending: ruling}, with_fact=with_fact)


def alike(rules: RuleSet, ending: str, ruling: Ruling) -> set[tuple[str, str]]:
    """What goes when ``ruling`` takes the place of that of ``ending``: its rulings with a fact that
    had the same count. They said no more than the one replaced, and would outlive it."""
    own = rules.rulings.get(ending)
    if own is None or same_count(own, ruling):
        return set()
    return {
        pair
        for pair, name in rules.with_fact.items()
        if pair[0] == ending and name in rules.variants and same_count(own, rules.variants[name])
    }


def same_count(one: Ruling, other: Ruling) -> bool:
    """True when both say the same number and the same start."""
    return (one.seconds, one.starts_on) == (other.seconds, other.starts_on)


def variant(ending: str, fact: str) -> str:
    """The name under which a ruling for ``ending`` with ``fact`` is kept."""
    return f"{ending}+{fact}"


def without_fact(name: str) -> str:
    """The ending of an ending's or a variant's name."""
    return name.partition("+")[0]


def nearest(word: str, known: Collection[str]) -> list[str]:
    """Up to three names of ``known`` that ``word`` may have been meant to be."""
    import difflib  # noqa: PLC0415 - only an error needs it

    return difflib.get_close_matches(word, sorted(known), n=3, cutoff=0.4)


_NONE: frozenset[str] = frozenset()

CANCELLED = "cancelled"
"""Fact: a penalty cancels the score, kick or change of possession of the play."""
