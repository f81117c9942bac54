"""Field words: each has one meaning, however it is typed, and a wrong one is told what is near."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.rulebook import field_words
from controller.rulebook.field_words import Told, WordsError, ending_named, read_facts, read_words
from controller.rulebook.loader import load_rule_set
from controller.rules.endings import ENDINGS, FACTS
from tests.shared.told import LEFT_OPEN, TOLD

RULES = load_rule_set("nfhs")
KNOWN = field_words.vocabulary()
MEANINGS = {phrase: KNOWN.meanings["".join(KNOWN.phrases[phrase])] for phrase in KNOWN.phrases}
CLEAR = sorted(phrase for phrase, meaning in MEANINGS.items() if not meaning.say)
UNCLEAR = sorted(MEANINGS.keys() - set(CLEAR))
ENDING_PHRASES = [each for each in CLEAR if MEANINGS[each].names[0] in ENDINGS]
FACT_PHRASES = [each for each in CLEAR if MEANINGS[each].names[0] in FACTS]

Shape = Callable[[str], str]
SHAPES: list[Shape] = [str.lower, str.upper, str.title, lambda typed: f"  {typed}!, "]
GAPS = [" ", "-", "_", ", ", "  ", " - ", "/", ""]


def told(*names: str) -> Told:
    return Told(
        tuple(name for name in names if name in ENDINGS),
        frozenset(name for name in names if name in FACTS),
    )


def refused(typed: str) -> str:
    with pytest.raises(WordsError) as caught:
        read_words(typed, RULES)
    assert len(str(caught.value).splitlines()) == 1
    return str(caught.value)


def offered(typed: str) -> list[str]:
    """The phrases suggested for a word that is not known."""
    found = re.search("; nearest: (.*)$", refused(typed))
    return found[1].split(", ") if found else []


@pytest.mark.parametrize("typed", TOLD)
def test_what_people_say(typed: str) -> None:
    assert read_words(typed, RULES) == told(*TOLD[typed].split())


@pytest.mark.parametrize("typed", [*LEFT_OPEN, *UNCLEAR])
def test_what_leaves_open_how_the_play_ended_is_answered_with_words_that_do_not(typed: str) -> None:
    [meaning] = [KNOWN.meanings["".join(field_words.fold(typed, KNOWN.spelling))]]
    said = refused(typed)
    assert meaning.say and repr(typed) in said
    assert len(said) < 80
    for choice in meaning.say:
        assert choice in said
        assert read_words(choice, RULES).endings


@settings(deadline=None)  # a busy machine is not a failure
@given(
    phrase=st.sampled_from(CLEAR),
    gap=st.sampled_from(GAPS),
    shape=st.sampled_from(SHAPES),
)
def test_every_phrase_however_it_is_typed(phrase: str, gap: str, shape: Shape) -> None:
    typed, names = shape(phrase.replace(" ", gap)), MEANINGS[phrase].names
    if names[0] in ENDINGS:
        assert read_words(typed, RULES) == told(*names)
    else:
        assert read_facts(typed, RULES) == frozenset(names)


@settings(deadline=None)  # a busy machine is not a failure
@given(
    phrases=st.lists(st.sampled_from(FACT_PHRASES), max_size=3),
    ending=st.sampled_from(sorted(ENDINGS)),
    data=st.data(),
)
def test_an_ending_and_facts_in_any_order(
    phrases: list[str], ending: str, data: st.DataObject
) -> None:
    facts = {name for phrase in phrases for name in MEANINGS[phrase].names}
    wanted = told(ending, *facts)
    order = data.draw(st.permutations([ending.replace("_", " "), *phrases]))
    assert read_words(", ".join(order), RULES) in (wanted, _run_together(order))


def _run_together(order: list[str]) -> Told | None:
    """What two of them say where together they are a phrase of their own."""
    for first, second in itertools.pairwise(order):
        if "".join(field_words.fold(f"{first} {second}", KNOWN.spelling)) in KNOWN.meanings:
            return read_words(", ".join(order), RULES)
    return None


def test_several_endings_in_the_order_told_each_once() -> None:
    assert read_words("touchdown injury defense touchdown", RULES) == Told(
        ("touchdown", "injury_defense"), frozenset()
    )


@pytest.mark.parametrize("name", sorted(ENDINGS))
def test_a_name_is_read_without_the_synonyms(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.setattr(field_words, "_LOADED", [])
    monkeypatch.setattr(field_words, "FILE", "/nothing")
    assert read_words(name, RULES) == told(name)
    assert read_words(f"{name} fourth_down", RULES) == told(name, "fourth_down")
    assert read_facts("fourth_down", RULES) == {"fourth_down"}


@pytest.mark.parametrize(
    ("typed", "facts"),
    [
        ("by_defense_only", {"by_defense_only"}),
        ("Defense only", {"by_defense_only"}),
        ("kickoff", {"free_kick"}),
        ("4th down", {"fourth_down"}),
        ("kickoff, declined", {"free_kick", "declined"}),
    ],
)
def test_words_told_as_facts(typed: str, facts: set[str]) -> None:
    assert read_facts(typed, RULES) == facts


@pytest.mark.parametrize("typed", ["touchdown", "punt", "kick", "fourth down sack"])
def test_an_ending_is_no_fact(typed: str) -> None:
    with pytest.raises(WordsError, match="it is an ending, not a fact"):
        read_facts(typed, RULES)


@pytest.mark.parametrize("typed", ["", " ", ",", "the"])
def test_nothing_is_asked_for(typed: str) -> None:
    assert "no ending named" in refused(typed)
    with pytest.raises(WordsError, match="no fact named"):
        read_facts(typed, RULES)


@pytest.mark.parametrize(
    "fact", sorted(FACTS.keys() - KNOWN.alone.keys() - {"free_kick", "fourth_down"})
)
def test_what_only_bears_on_an_ending_asks_for_one(fact: str) -> None:
    assert "incomplete pass" in refused(fact.replace("_", " "))


# Suggestions


@pytest.mark.parametrize(
    ("typed", "near"),
    [
        ("incomplet", "incomplete"),
        ("incomplet pass fourth down", "incomplete pass"),
        ("incomplete pas", "incomplete pass"),
        ("tuchdown", "touchdown"),
        ("frist down", "first down"),
        ("first dwn", "first down"),
        ("declned", "declined"),
        ("foul defense declned", "declined"),
        ("kikoff", "kickoff"),
        ("goal", "field goal"),
        ("ball out of play", "out of bounds"),
    ],
)
def test_a_slip_is_told_what_is_near(typed: str, near: str) -> None:
    assert near in offered(typed)


@pytest.mark.parametrize("typed", ["frist down", "first dwn", "firs down", "down first"])
def test_a_first_down_is_no_touchdown(typed: str) -> None:
    assert not [each for each in offered(typed) if "touchdown" in each]


@pytest.mark.parametrize("typed", ["declned", "declind", "foul declinde", "penalty declne"])
def test_declined_is_not_cancelled(typed: str) -> None:
    near = offered(typed)
    assert near and not [each for each in near if "cancelled" in each]


@pytest.mark.parametrize("typed", ["incomplt", "incompletd", "incomplet pass"])
def test_incomplete_is_not_complete(typed: str) -> None:
    near = offered(typed)
    assert near and all(each.startswith("incomplet") for each in near)


@settings(deadline=None)  # a busy machine is not a failure
@given(st.text(max_size=64))
def test_whatever_is_typed_is_read_or_refused_in_a_line(typed: str) -> None:
    try:
        found = read_words(typed, RULES)
    except WordsError as error:
        said = str(error)
        assert len(said.splitlines()) == 1 and said.isprintable()
        assert said.count(", ") <= 2 or "nearest: " not in said
    else:
        assert found.endings and found.facts <= FACTS.keys()


def test_what_is_not_known_names_itself() -> None:
    assert refused("foul zzz").startswith("'zzz' is not known; ")
    assert refused("Zz z").startswith("'Zz z' is not known; ")
    assert len(refused("z" * 999)) < 80


def test_few_phrases_are_suggested_each_of_another_meaning() -> None:
    for phrase in CLEAR[::12]:
        near = offered(f"{phrase}qx")
        assert len(near) <= field_words.SUGGESTED
        assert len({MEANINGS[each].names for each in near}) == len(near)


# An ending's name


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("First Down", "line_to_gain_reached"),
        ("touchdown", "touchdown"),
        ("punt", "punt"),  # with a fact of its own
        ("kick", "kick"),
        ("fourth down", "fourth down"),
        ("touchdown safety", "touchdown safety"),
        ("nothing", "nothing"),
    ],
)
def test_one_ending_by_its_name(typed: str, name: str) -> None:
    assert ending_named(typed) == name


# The file


def test_a_fact_of_one_rule_set_alone_is_known_there() -> None:
    rules = replace(RULES, with_fact={("foul", "muddy_field"): "foul_defense"})
    assert read_words("foul, muddy field", rules).facts == {"muddy_field"}
    assert "muddy" in refused("foul, muddy field")


def test_every_phrase_is_one_thing_and_plain() -> None:
    document = tomllib.loads(Path(field_words.FILE).read_text("utf-8"))
    for table in ("endings", "facts"):
        phrases = [phrase for row in document[table].values() for phrase in row]
        assert len(phrases) == len(set(phrases))
    for phrase in MEANINGS:
        assert re.fullmatch(r"[a-z0-9]+( [a-z0-9]+)*", phrase)
        assert len(phrase) <= 40


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[endings", "synonyms.toml: "),
        ('[endings]\nsackk = ["sack"]', "endings: 'sackk' is not known"),
        ('[endings]\n"touchdown safety" = ["both"]', "'touchdown safety' is not known"),
        ('[facts]\nfoul = ["flag"]', "facts: 'foul' is not known"),
        ('[beside]\nfoul = ["flag"]', "beside: 'foul' is not a fact"),
        ('[alone]\ndeclined = "declined"', "alone: declined = 'declined'"),
        (
            '[endings]\nfoul = ["flag"]\ntouchdown = ["flag"]',
            "'flag' means ('foul',) and ('touchdown',)",
        ),
    ],
)
def test_a_damaged_file_is_named(text: str, named: str) -> None:
    with pytest.raises(WordsError) as caught:
        field_words.parse_vocabulary(text)
    assert named in str(caught.value)
