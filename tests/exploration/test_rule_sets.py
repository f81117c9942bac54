"""Every rule set is explored, its interchangeable words are so, and planted bugs are seen."""

from __future__ import annotations

import copy
import itertools
from collections.abc import Callable, Sequence

import pytest

from controller.rulebook.loader import load_rule_set
from controller.rules.events import PlayEnded
from controller.rules.phases import PHASES
from controller.rules.rulings import RuleSet, StartsOn
from tests.controller.rules.crew import Crew, in_phase
from tests.controller.rules.orders import SNAP
from tests.exploration.bugs import BUGS
from tests.exploration.explorer import FEW, HALVES, PROMISES, Explorer, Press
from tests.exploration.model import INJURED_FIRST, NaiveRules
from tests.exploration.sets import rule_sets
from tests.exploration.words import Words

SETS = rule_sets(options=False)
SLICE = 120
"""States gone on from in the full tier; each planted bug shows within as many."""

ONE_OR_THE_OTHER = {"touchdown", "field_goal_or_safety"}
"""A down has one of these: told otherwise by the key it is replaced, by a word after UNDO."""

NAMES = {phase.__name__.upper() for phase in PHASES}


@pytest.mark.parametrize(
    ("code", "hurried"),
    [
        pytest.param("nfhs", False, marks=pytest.mark.full),
        ("flag", False),
        pytest.param("nfhs", True, marks=pytest.mark.long),
        pytest.param("flag", True, marks=pytest.mark.long),
    ],
)
def test_a_few_presses_to_a_fixed_point(code: str, hurried: bool) -> None:
    explorer = Explorer(load_rule_set(code), presses=FEW, hurried=hurried).run()
    assert explorer.finished and explorer.level >= 5
    assert {phase for phase, *_ in explorer.cells} == NAMES


@pytest.mark.full
def test_a_few_hurried_presses() -> None:
    assert Explorer(load_rule_set("nfhs"), presses=FEW, hurried=True, depth=3).run().level == 3


@pytest.mark.full
@pytest.mark.parametrize("code", ["nfhs", "ncaa", "flag"])
@pytest.mark.parametrize("presses", [PROMISES, HALVES])
def test_tries_and_halves_to_a_fixed_point(code: str, presses: Sequence[Press]) -> None:
    explorer = Explorer(load_rule_set(code), presses=presses).run()
    assert explorer.finished and explorer.level >= 5


NEWEST = {name.split()[0]: name for name in sorted(SETS)}
IN_FULL = {NEWEST[code] for code in ("nfhs", "ncaa", "flag")}


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=pytest.mark.full if name in IN_FULL else pytest.mark.long)
        for name in SETS
    ],
)
def test_the_states_of_each_rule_set(name: str) -> None:
    explorer = Explorer(SETS[name][0], most=SLICE).run()
    assert {phase for phase, *_ in explorer.cells} == NAMES


@pytest.mark.long
@pytest.mark.parametrize("name", SETS)
def test_each_rule_set_to_a_fixed_point(name: str) -> None:
    assert Explorer(SETS[name][0]).run().finished


@pytest.mark.long
@pytest.mark.parametrize("name", SETS)
def test_each_rule_set_with_hurried_presses(name: str) -> None:
    assert Explorer(SETS[name][0], hurried=True, depth=4).run().level == 4


@pytest.mark.full
@pytest.mark.parametrize("bug", BUGS)
def test_a_planted_bug_is_seen(bug: Callable[[pytest.MonkeyPatch], None]) -> None:
    rules = load_rule_set("ncaa")
    with pytest.MonkeyPatch.context() as patch:
        bug(patch)
        with pytest.raises(AssertionError):
            Explorer(rules, most=SLICE).run()


@pytest.mark.long
@pytest.mark.parametrize("name", SETS)
def test_words_of_one_class_are_interchangeable(name: str) -> None:
    """In every phase, alone and after or before one word of every other class."""
    rules = SETS[name][0]
    words = Words(rules)
    classes = words.classes(1)
    others: list[PlayEnded | None] = [None, *(each[0] for each in words.classes(0))]
    for phase, other, turn in itertools.product(sorted(NAMES), others, (1, -1)):
        for first_of, *rest in classes:
            if other is not None and first_of.ending == other.ending:
                continue  # a word told twice asks for what already is
            with_other = [[each] if other is None else [other, each][::turn] for each in rest]
            wanted = [first_of] if other is None else [other, first_of][::turn]
            for pressed in with_other:
                if len({each.ending for each in pressed}) == len(pressed):
                    same = outcome(words, phase, pressed) == outcome(words, phase, wanted)
                    assert same, (phase, pressed, wanted)


def outcome(words: Words, phase: str, pressed: Sequence[PlayEnded]) -> object:
    """What presses, 3 s apart, make of a phase."""
    crew = in_phase_of(phase, words.rules)
    told = []
    for at_s, each in enumerate(pressed):
        decided = crew(each, 100 + 3 * at_s)
        told.append((decided.result, decided.assumed, decided.phase_after, decided.down))
    down = crew.clock.state.down
    return (told, down.phase, words.of_down(down.named), down.stoppage_at)


_CREWS: dict[tuple[str, str], Crew] = {}


def in_phase_of(phase: str, rules: RuleSet) -> Crew:
    key = (phase, f"{rules.code} {rules.season_from}")
    if key not in _CREWS:
        _CREWS[key] = in_phase(phase, rules)
    crew = copy.copy(_CREWS[key])
    crew.clock, crew.said = copy.copy(crew.clock), []
    return crew


@pytest.mark.parametrize(
    "most", [pytest.param(2, marks=pytest.mark.full), pytest.param(3, marks=pytest.mark.long)]
)
@pytest.mark.parametrize("name", SETS)
def test_a_down_told_in_any_order_has_the_rule_sets_ruling(name: str, most: int) -> None:
    """Up to ``most`` endings of a down, one of each class, fed in every order.

    Where the order of two injuries counts, it is known as a fact.
    """
    rules = SETS[name][0]
    ends = [each[0] for each in Words(rules).classes(0)]
    ends = [each for each in ends if rules.rulings[each.ending].starts_on is not StartsOn.SIGNAL]
    base = Crew(rules)
    base(SNAP, 50)
    for count in range(1, most + 1):
        for told in itertools.combinations(ends, count):
            if {each.ending for each in told} >= ONE_OR_THE_OTHER:
                continue
            for order in itertools.permutations(told):
                named = frozenset(each.ending for each in order)
                wanted = rules.in_force(named | noted([each.ending for each in order], rules))
                assert wanted is not None
                crew = Crew(rules)
                crew.clock = copy.copy(base.clock)
                for at_s, each in enumerate(order):
                    crew(each, 60 + at_s)
                down = crew.clock.state.down
                assert down.ruling is not None
                found = (down.ruling.seconds, down.ruling.starts_on)
                assert found == (wanted.seconds, wanted.starts_on), order


def noted(endings: Sequence[str], rules: RuleSet) -> set[str]:
    """The fact that the order of these tells."""
    first, second, fact = INJURED_FIRST
    told = [each for each in endings if each in first | second]
    in_order = NaiveRules.of_rule_set(rules).in_order
    return {fact} if in_order and told and told[0] in first and second & set(told) else set()
