"""What the pocket card says: everything taken from the rule set, the keys and the cues. Pure.

Pieces of text are plain; :mod:`controller.card.pdf` sets them in type.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from controller.card.words import (
    DEAD_BALL_SIGNALS,
    ENDING_WORDS,
    FACT_WORDS,
    WHISTLE_SIGNALS,
    Signal,
)
from controller.rulebook.options import load_options
from controller.rulebook.wording import NO_COUNT, START_WORDS, in_short
from controller.rules.endings import GROUPS
from controller.rules.events import (
    Event,
    PlayEnded,
    Ready,
    Score,
    Snap,
    Stop,
    ToggleBoards,
    Undo,
    plain,
)
from controller.rules.gestures import FOUR, TWELVE, Meaning
from controller.rules.rulings import RuleSet, Ruling, StartsOn, own_mark
from drivers.handset.cues import CueKind
from drivers.handset.layouts import HOLD_MS

CAUTION: Final = (
    "The adopted rules of your association, and the referee, outrank this card. "
    "The officials on the field always outrank the clock."
)
_TAPS: Final = {2: "twice", 3: "three taps", 4: "four taps"}


class Item(NamedTuple):
    """One ending under its count."""

    ending: str
    words: str
    unsettled: bool
    local: bool


@dataclass(frozen=True, slots=True)
class Count:
    """One answer, and the endings that have it, in the groups of the endings."""

    number: str
    starts: str
    how: str
    held: bool
    groups: tuple[tuple[str, tuple[Item, ...]], ...]

    @property
    def name(self) -> str:
        """The heading in words."""
        return f"{self.number} {self.starts}".strip()


class CardRow(NamedTuple):
    """A thing, what it means, where that was read."""

    head: str
    words: str
    source: str = ""
    unsettled: bool = False
    local: bool = False


class KeyRow(NamedTuple):
    """A key's label, and what it does once, twice and held or tapped more."""

    label: str
    once: str
    twice: str
    held: str


def season_of(rules: RuleSet, chosen: bool) -> str:
    """The season asked for, and since when its rules are in force."""
    since = f"rules since {rules.season_from}"
    return f"Season {rules.season}, {since}" if chosen else f"Newest {since}"


def adoptions(rules: RuleSet, options: Iterable[str]) -> list[str]:
    """Every local adoption: the options chosen, then overrides of single rulings."""
    found = [f"option {each.replace('=', ' = ')}" for each in options]
    rulings = (*rules.rulings.values(), *rules.variants.values())
    overrides = (each.override for each in rulings if each.override)
    found += (each for each in overrides if not each.startswith("option "))
    return list(dict.fromkeys(found))


def counts(rules: RuleSet) -> list[Count]:
    """Every ruling of the set by its count: what runs, what waits, what acts on a signal."""
    by_count: dict[tuple[int, StartsOn] | None, set[str]] = {}
    for ending, ruling in rules.rulings.items():
        key = None if ruling.seconds is None else (ruling.seconds, ruling.starts_on)
        by_count.setdefault(key, set()).add(ending)
    order = list(StartsOn)
    found = []
    for key in sorted(filter(None, by_count), key=lambda key: (order.index(key[1]), -key[0])):
        seconds, starts = key
        groups = _grouped(rules, by_count[key])
        words, held = START_WORDS[starts], starts is StartsOn.READY
        found.append(Count(str(seconds), words.short, words.how, held, groups))
    if None in by_count:
        found.append(Count("", NO_COUNT.capitalize(), "", True, _grouped(rules, by_count[None])))
    return found


def _grouped(rules: RuleSet, endings: set[str]) -> tuple[tuple[str, tuple[Item, ...]], ...]:
    groups = []
    for group, names in GROUPS.items():
        items = tuple(_item(rules.rulings[name]) for name in names if name in endings)
        if items:
            groups.append((group, items))
    return tuple(groups)


def _item(ruling: Ruling) -> Item:
    words = ENDING_WORDS[ruling.ending]
    return Item(ruling.ending, words, bool(ruling.unsettled), bool(ruling.override))


def facts(rules: RuleSet) -> Iterator[CardRow]:
    """Each fact that changes a count, the count then, and the endings it is told with."""
    found: dict[tuple[str, str], list[Ruling]] = {}
    endings: dict[tuple[str, str], list[str]] = {}
    for fact, ending, ruling in rules.changed_by_facts():
        key = (fact, in_short(ruling))
        found.setdefault(key, []).append(ruling)
        endings.setdefault(key, []).append(ENDING_WORDS[ending].lower())
    for (fact, count), rulings in found.items():
        words = f"{count}, after {'; '.join(endings[fact, count])}"
        unsettled = any(each.unsettled for each in rulings)
        local = any(each.override for each in rulings)
        yield CardRow(FACT_WORDS.get(fact, fact), words, "", unsettled, local)
    if rules.cancelled:
        yield CardRow(FACT_WORDS["cancelled"], "as if it had not happened")
    if rules.rulings["routine"].starts_on is StartsOn.DEAD_BALL:
        long, short = rules.routine_s, rules.administrative_s
        words = f"{short} on the ready beats {long} on the ready beats {long} at the dead ball"
        yield CardRow("Several reasons in one down", words)


def signals(rules: RuleSet) -> list[CardRow]:
    """The officials' signals that a keeper acts on, for this kind of count."""
    palms = [
        _ruled(rules, "One palm pumped overhead", "referee_pump", "reset to {}"),
        _ruled(rules, "Count started wrongly", "premature_start_reset40", "reset to {}"),
    ]
    if rules.rulings["routine"].starts_on is not StartsOn.DEAD_BALL:
        signal = "Whistle" if rules.ready_by_whistle else "Ready for play"
        start = _ruled(rules, f"Referee: {signal.lower()}", "incomplete_pass", "the {} runs")
        ended = CardRow(
            "Any sign that the play is over", f"{rules.routine_s} up, held: nothing runs"
        )
        return [start._replace(words=f"the {rules.routine_s} held runs"), ended, *palms]
    if rules.ready_by_whistle:
        return [*(_signal(rules, each) for each in WHISTLE_SIGNALS), *palms]
    return [_signal(rules, each) for each in DEAD_BALL_SIGNALS]


def _signal(rules: RuleSet, signal: Signal) -> CardRow:
    words = signal.means.format(
        routine=rules.routine_s,
        administrative=rules.administrative_s,
        **{name: in_short(rules.rulings[name]) for name in _RULED},
    )
    return CardRow(signal.shown, words, signal.source)


_RULED: Final = ("touchdown", "field_goal", "delay_of_game")


def _ruled(rules: RuleSet, head: str, ending: str, words: str) -> CardRow:
    ruling = rules.rulings[ending]
    number = "-" if ruling.seconds is None else str(ruling.seconds)
    unsettled, local = bool(ruling.unsettled), bool(ruling.override)
    return CardRow(head, words.format(number), ruling.citation, unsettled, local)


def zero_and_dark(rules: RuleSet) -> list[CardRow]:
    """What to do at zero, and when the boards go off."""
    zero, boards = rules.rulings["zero_no_foul"], rules.rulings["boards_disagree"]
    foul = in_short(rules.rulings["delay_of_game"])
    return [
        CardRow("Zero before the snap", "an official calls the foul, never the board; no horn"),
        CardRow("Foul called", f"zero stays until the penalty is completed, then {foul}"),
        CardRow(
            "No foul called",
            f"{rules.routine_s} up at the snap; {in_short(zero)}",
            zero.citation,
            bool(zero.unsettled),
            bool(zero.override),
        ),
        CardRow(
            "Boards disagree, or one fails",
            "both off, coaches told at once, the count kept on the field by the back judge; "
            "count and cues in the hand go on",
            boards.citation,
            bool(boards.unsettled),
            bool(boards.override),
        ),
        CardRow("Boards back", "BOARDS OFF pressed again lights both; tell the coaches"),
    ]


def agreed(rules: RuleSet) -> list[tuple[str, list[str]]]:
    """What the crew settles before the game, and what there is to choose from; or writes down."""
    options = load_options()

    def values(name: str) -> list[str]:
        return [word.replace("_", " ") for word in options[name].values]

    long, short = rules.routine_s, rules.administrative_s
    resets = [("One palm", [f"{short} held", f"{short} running"])]
    if long != short:
        resets.append(("Both palms", [f"{long} held", f"{long} running"]))
    return [
        ("Who pumps", values("who_may_pump")),
        *resets,
        ("Arm up at", values("arm_up")),
        ("Start lag", values("start_lag")),
        ("Game", []),
        ("Notes", []),
        ("\N{NO-BREAK SPACE}", []),
    ]


def key_rows(layout: str, rules: RuleSet) -> list[KeyRow]:
    """The keys of a handset, ``twelve`` or ``four``, as the gestures have them."""
    table = {"twelve": TWELVE, "four": FOUR}[layout]
    return [_key_row(layout, key, meaning, rules) for key, meaning in table.items()]


def key_label(key: str) -> str:
    """What stands on a key."""
    return key.removeprefix("NUMBER_").replace("_", " ").replace("TIME OUT", "TIME-OUT")


def _key_row(layout: str, key: str, meaning: Meaning, rules: RuleSet) -> KeyRow:
    def does(event: Event | None) -> str:
        return "" if event is None else _does(event, rules)

    taps = meaning.taps
    twice = taps[1] if len(taps) > 1 and taps[1] != taps[0] else None
    held = ""
    if meaning.held is not None:
        hold_ms = {each.name: ms for each, ms in HOLD_MS[layout].items()}
        held = f"{hold_ms[key] / 1000:.1f} s or {_tapped(taps, meaning.held)}: {does(meaning.held)}"
    return KeyRow(key_label(key), does(taps[0]), does(twice), held)


def _tapped(taps: Sequence[Event | None], event: Event) -> str:
    return _TAPS[taps.index(event) + 1]


def _does(event: Event, rules: RuleSet) -> str:
    match event:
        case PlayEnded(ending):
            return f"{ENDING_WORDS[ending].lower()}: {in_short(rules.rulings[ending])}"
        case Ready():
            return "the number held runs"
        case Snap():
            return f"ball in play: {rules.routine_s} up, held"
        case Stop():
            return f"count stops; again: {rules.administrative_s} held"
        case Score():
            return "touchdown, or try over"
        case Undo():
            return "takes back the last key"
        case ToggleBoards():
            return "boards off; again: lit"
    return plain(event, rules.routine_s, rules.administrative_s)


def cues(rules: RuleSet) -> list[tuple[str, str]]:
    """When the handset speaks, and what the thumb feels."""
    mark_s = own_mark(rules.marks | rules.routine_marks)
    said = []
    for kind in CueKind:
        when, feels = kind.value.split(": ")
        if kind is CueKind.MARK:
            if not mark_s:
                continue
            when = f"{mark_s} left"
        if kind not in (CueKind.COURTESY_WARNING, CueKind.COURTESY_OVER):  # no count asks for them
            said.append((when, feels))
    return said
