"""What the record says of each press, in one plain sentence: what was told, and why that count.

The sentence is made of clauses, from what was told to the rule that says so: which word gave way,
what was promised before, what nobody pressed, what stays unsettled.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from controller.rehearsal.notation import KeyPress, ScriptedPress, key_label
from controller.rehearsal.rehearsal import Played
from controller.rulebook.wording import in_short
from controller.rules.actions import KEEPER
from controller.rules.effects import Decision, Effect, Nudged, ReachedZero
from controller.rules.endings import ENDINGS, FACTS, GIVES_WAY, GROUPS, ROUTINE_WORDS
from controller.rules.events import (
    HoldNumber,
    NoCount,
    Number,
    Order,
    PlayEnded,
    Ready,
    RunNumber,
    Score,
    Snap,
    Undo,
    plain,
)
from controller.rules.numerals import SECOND_NS
from controller.rules.rulings import CANCELLED, RuleSet, Ruling

CORRECTION_NS: Final = 10 * SECOND_NS
"""A number key this soon after an end of play corrects what that showed."""

PROMISES: Final = {
    "try over": "told before that a try follows",
    "free kick ended": "told before that a free kick follows",
    "opening kickoff": "first play of the game",
    "first play of the half": "a free kick begins each half",
}
"""What the play clock takes to have come though nobody told it, and why."""
BEGINNINGS: Final = frozenset({"opening kickoff", "first play of the half"})
"""Those of them that only say what the next play is."""

AGAIN: Final = {
    "try_again": "told before that the try is repeated",
    "free_kick_again": "told before that the free kick is repeated",
}
SCORES: Final = frozenset({"touchdown", "field_goal", "safety", "field_goal_or_safety"})
NOBODY: Final = "(nobody)"
_NUMBERS: Final = frozenset(number.value for number in Number)
_TAPS: Final = {1: "", 2: " twice", 3: " three times", 4: " four times"}


@dataclass(frozen=True, slots=True)
class RehearsedLine:
    """One line of a rehearsal: the instant in nanoseconds, the keys in plain words, the numerals
    (None for no count), the state in a word, and the record's sentence."""

    at: int
    keys: str
    seconds: int | None
    state: str
    record: str


class Narrator:
    """Puts what was played into lines. One for each rehearsal: a line may look back."""

    def __init__(self, rules: RuleSet) -> None:
        self._rules = rules
        self._givers: dict[Order, str] = {}
        self._ended: tuple[int, str] | None = None
        self._ready_at: int | None = None
        self._why = self._break = ""
        self._lost_score = ""

    def lines(self, played: Iterable[Played]) -> Iterator[RehearsedLine]:
        """A line for each press, and one for each thing that happened by itself before it."""
        for each in played:
            for effect in each.passed:
                yield from self._by_itself(effect)
            keys = in_words(each.press)
            record = self._record(each, keys)
            yield RehearsedLine(each.at, keys, each.seconds, each.state, record)

    def _by_itself(self, effect: Effect) -> Iterator[RehearsedLine]:
        if isinstance(effect, ReachedZero):
            words = "the count reached zero; a foul only if an official calls it"
            yield RehearsedLine(effect.at, NOBODY, 0, "zero", words)
        elif isinstance(effect, Nudged):
            words = "the ball is live for long: the crew is asked whether the play ended"
            yield RehearsedLine(effect.at, NOBODY, self._rules.routine_s, "live", words)

    def _record(self, played: Played, keys: str) -> str:
        decision = played.decision
        if decision is None:
            return f"no change: {played.reason}"
        for each in played.decisions:
            self._givers[each.order] = keys
        clauses = [*self._clauses(decision), played.reason]
        if decision.changed:
            self._remember(decision, keys)
        return "; ".join(dict.fromkeys(clause for clause in clauses if clause))

    def _clauses(self, decision: Decision) -> Iterator[str]:
        if not decision.changed:
            yield f"{decision.result.value}: {decision.reason}"
            return
        yield self._told(decision)
        yield self._replaced(decision)
        yield self._assumed(decision)
        yield self._looking_back(decision)
        if decision.reason != "taken back" and not decision.reason.startswith("assumed: "):
            yield decision.reason
        yield from _ruled(decision)

    # What was told

    def _told(self, decision: Decision) -> str:
        """What the order said, with what else is known of the down."""
        event, ruling = decision.order.event, decision.ruling
        if isinstance(event, PlayEnded | Score):
            words = self._words(decision)
            if decision.promised:
                words.insert(0, f"{decision.promised} (assumed: {self._because(decision)})")
            return " and ".join(words) or plain(event, *self._numbers)
        if isinstance(event, Undo):
            return f"taken back: {self._taken_back(decision)}"
        if isinstance(event, Ready) and ruling is not None:
            bare = ruling.citation == KEEPER and ruling.ending in _NUMBERS
            put_up = "" if bare else f", put up for {describe(ruling.ending)}"
            return f"ready for play: {ruling.seconds} runs{put_up}"
        if isinstance(event, Snap):
            return "ball in play"
        return plain(event, *self._numbers)

    @property
    def _numbers(self) -> tuple[int, int]:
        return self._rules.routine_s, self._rules.administrative_s

    def _words(self, decision: Decision) -> list[str]:
        """Every word that counts for this down, the ruling's own first: neither one that gave way,
        nor those that make up another, nor the routine end where there is more to say."""
        facts = [fact for fact in sorted(decision.named) if fact in FACTS]
        endings = decision.named - FACTS.keys()
        counting = {word for word in endings if not GIVES_WAY.get(word, frozenset()) & endings}
        ruling = decision.ruling
        first = [] if ruling is None or decision.promised else [ruling.ending]
        for combination in self._rules.combinations:
            if combination.mean in first:
                counting -= combination.all_of
        if first or decision.promised:
            counting.discard("routine")
        told = list(dict.fromkeys(map(describe, [*first, *sorted(counting)])))
        if facts:
            named = ", ".join(fact.replace("_", " ") for fact in facts)
            told = [*told[:-1], f"{told[-1]}, {named}"] if told else [named]
        return told

    def _replaced(self, decision: Decision) -> str:
        if decision.gave_way is None:
            return ""
        word, after_ns = decision.gave_way
        words = f"replaces '{describe(word)}' of {after_ns // SECOND_NS} s before"
        if self._ready_at is not None and decision.phase_after == "RUNNING":
            words += f"; told {(decision.order.at - self._ready_at) // SECOND_NS} s after the ready"
        return words

    def _assumed(self, decision: Decision) -> str:
        """What nobody told or pressed: with a snap after a held count the ready before it too."""
        if decision.assumed:
            pressed = decision.assumed == "snap" and decision.phase_before == "SET"
            return f"assumed: {'snap and ready' if pressed else decision.assumed}"
        event = decision.order.event
        if decision.promised:
            told = isinstance(event, PlayEnded | Score)
            return "" if told else f"{decision.promised} (assumed: {self._because(decision)})"
        routine = isinstance(event, PlayEnded) and event.ending in ROUTINE_WORDS
        return "nothing assumed" if routine else ""

    def _because(self, decision: Decision) -> str:
        if decision.promised in BEGINNINGS:
            return PROMISES[decision.promised]
        return (self._why or PROMISES.get(decision.promised, "told before")) + self._break

    # What the lines before said

    def _looking_back(self, decision: Decision) -> str:
        event = decision.order.event
        if isinstance(event, PlayEnded) and self._lost_score and not decision.promised:
            return f"the {self._lost_score} before it was cancelled"
        if self._ended is None or not isinstance(event, HoldNumber | RunNumber):
            return ""
        at, keys = self._ended
        after_ns = decision.order.at - at
        if after_ns > CORRECTION_NS:
            return ""
        return f"a correction {after_ns // SECOND_NS} s after {keys}"

    def _taken_back(self, decision: Decision) -> str:
        order = decision.taken_back
        if order is None:
            return "the press before"
        keys = self._givers.get(order) or plain(order.event, *self._numbers)
        return f"{keys} of {(decision.order.at - order.at) // SECOND_NS} s before"

    def _remember(self, decision: Decision, keys: str) -> None:
        """Keep what a later line may have to say of this one."""
        event, at = decision.order.event, decision.order.at
        if isinstance(event, PlayEnded | Score):
            self._ended = (at, keys)
            self._keep_scores(decision)
        elif isinstance(event, Snap | Ready):
            self._ended = None
            self._ready_at = at if isinstance(event, Ready) else None
        if decision.promised in BEGINNINGS:
            self._why, self._break = PROMISES[decision.promised], ""
        elif isinstance(event, NoCount) and event.period_over:
            self._break = ", before the period ended"

    def _keep_scores(self, decision: Decision) -> None:
        cancelled = {CANCELLED} & decision.named
        scores = decision.named & SCORES if cancelled else frozenset()
        self._lost_score = describe(min(scores)) if scores else ""
        again = [fact for fact in AGAIN if fact in decision.named]
        self._why, self._break = AGAIN[again[0]] if again else "", ""


def _ruled(decision: Decision) -> Iterator[str]:
    """The count and its source, where the order put one up."""
    ruling = decision.ruling
    if ruling is None or decision.phase_after not in ("SET", "RUNNING", "EXPIRED"):
        return
    if isinstance(decision.order.event, PlayEnded | Score | Undo):
        yield in_short(ruling)
    yield from _source(ruling)


def _source(ruling: Ruling) -> Iterator[str]:
    how = "" if ruling.read_as == "text" else f" [{ruling.read_as}]"
    yield f"{ruling.citation}{how}"
    if ruling.unsettled:
        yield f"NOT SETTLED: {ruling.unsettled}"
    if ruling.override:
        yield f"LOCAL ADOPTION: {ruling.override}"


def describe(ending: str) -> str:
    """An ending, or a variant of one, in plain words without its article."""
    ending, _, fact = ending.partition("+")
    if ending == "routine":
        words = "routine end of play"
    elif ending in GROUPS["stoppages"] or ending in GROUPS["set by the keeper"]:
        words = ENDINGS[ending].removeprefix("an ").removeprefix("a ")
    else:  # its name says it
        words = ending.replace("_", " ")
    return f"{words}, {fact.replace('_', ' ')}" if fact else words


def in_words(press: ScriptedPress) -> str:
    """The keys of a press as a keeper says them: ``FLAG twice``, ``25 held down``."""
    if not isinstance(press, KeyPress):
        return press.written.rpartition("@")[0].strip()
    return key_label(press.key) + (" held down" if press.held else _TAPS[press.taps])
