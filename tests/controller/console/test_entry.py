"""The entry line: what a keeper types in plain words, and what a wrong line answers."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller.console.entry import HELP, EntryError, HandOver, parse_entry
from controller.rulebook import field_words
from controller.rulebook.loader import load_rule_set
from controller.rules.endings import FACTS as FACTS_KNOWN
from controller.rules.events import PlayEnded, SetCount
from controller.rules.rulings import NOT_ENDINGS
from tests.shared.told import LEFT_OPEN, TOLD

RULES = load_rule_set("nfhs")
ENDINGS = sorted(set(RULES.rulings) - NOT_ENDINGS)
FACTS = sorted(FACTS_KNOWN.keys() - RULES.only_asked)


def ended(ending: str, *facts: str) -> PlayEnded:
    return PlayEnded(ending, frozenset(facts))


def refused(typed: str) -> str:
    """What a wrong line answers."""
    with pytest.raises(EntryError) as caught:
        parse_entry(typed, RULES)
    return str(caught.value).replace("_", " ")


@settings(deadline=None)  # a busy machine is not a failure
@given(
    ending=st.sampled_from(ENDINGS),
    facts=st.lists(st.sampled_from(FACTS), unique=True),
    gap=st.sampled_from([" ", "_", ", ", "  ", " , "]),
    shape=st.sampled_from([str.lower, str.upper, str.title]),
)
def test_every_ending_with_any_facts_however_it_is_typed(
    ending: str, facts: list[str], gap: str, shape: object
) -> None:
    assert callable(shape)
    assume(ending != "touchdown" or "waved_off" not in facts)  # the flag, or the touchdown?
    typed = shape(gap.join([ending, *facts]).replace("_", gap))
    assert parse_entry(f" {typed} ", RULES) == ended(ending, *facts)


@pytest.mark.parametrize(
    ("typed", "event"),
    [
        ("incomplete pass fourth down", ended("incomplete_pass", "fourth_down")),
        ("incomplete pass, fourth down", ended("incomplete_pass", "fourth_down")),
        ("foul", ended("foul")),
        ("foul defense", ended("foul_defense")),
        ("foul by defense only", ended("foul", "by_defense_only")),
        ("foul before snap by defense only", ended("foul_before_snap", "by_defense_only")),
        ("injury defense", ended("injury_defense")),
        ("charged timeout", ended("charged_timeout")),
        (
            "charged timeout after injury defense",
            ended("charged_timeout_after_injury_defense"),
        ),
        ("kick no new series new series", ended("kick_no_new_series", "new_series")),
        ("kick new series", ended("kick_new_series")),
        ("touchdown cancelled", ended("touchdown", "cancelled")),
        ("touchdown cancelled cancelled", ended("touchdown", "cancelled")),
    ],
)
def test_the_longest_name_is_meant(typed: str, event: PlayEnded) -> None:
    assert parse_entry(typed, RULES) == event


@settings(deadline=None)  # a busy machine is not a failure
@given(st.integers(0, 99))
def test_every_count(number: int) -> None:
    assert parse_entry(f"count {number}", RULES) == SetCount(number)
    assert parse_entry(f"COUNT  {number:02d} ", RULES) == SetCount(number)


@pytest.mark.parametrize(
    "typed", ["count", "count 100", "count -1", "count +5", "count 1.5", "count x", "count 1 7"]
)
def test_a_count_out_of_range_says_the_range_and_what_was_typed(typed: str) -> None:
    said = refused(typed)
    assert "0 to 99" in said
    assert typed.removeprefix("count").strip() in said


@pytest.mark.parametrize("typed", ["", " ", ",", " _ , "])
def test_nothing_typed_says_what_would_mean_something(typed: str) -> None:
    assert HELP in refused(typed)


@pytest.mark.parametrize("typed", ["incomplet", "incomplet pass", "incompletes", "incomplete pas"])
def test_a_slip_is_told_the_nearest_phrase(typed: str) -> None:
    said = refused(typed)
    assert "nearest: incomplete" in said


def test_a_slip_with_facts_is_told_the_nearest_phrase() -> None:
    assert "incomplete pass" in refused("incomplet pass fourth down")


@pytest.mark.parametrize("typed", TOLD)
def test_what_people_say(typed: str) -> None:
    names = TOLD[typed].split()
    endings = [name for name in names if name in RULES.rulings]
    if len(endings) > 1:
        assert "two endings" in refused(typed)
    else:
        assert parse_entry(typed, RULES) == ended(endings[0], *names[1:])


@pytest.mark.parametrize("typed", LEFT_OPEN)
def test_what_leaves_it_open_asks(typed: str) -> None:
    assert " say " in refused(typed)


@settings(deadline=None)
@given(
    phrase=st.sampled_from(sorted(field_words.vocabulary().phrases)),
    gap=st.sampled_from([" ", "-", "_", ""]),
    shape=st.sampled_from([str.lower, str.upper, str.title]),
)
def test_every_phrase_however_it_is_typed(phrase: str, gap: str, shape: object) -> None:
    assert callable(shape)
    typed = shape(phrase.replace(" ", gap))
    try:
        told = field_words.read_words(phrase, RULES)
    except field_words.WordsError as error:
        assert refused(typed).partition(": ")[2] == str(error).partition(": ")[2]
    else:
        [ending] = told.endings
        if RULES.only_asked & {ending, *told.facts}:
            assert "does not say how a play ended" in refused(typed)
        else:
            assert parse_entry(typed, RULES) == PlayEnded(ending, told.facts)


def test_what_leaves_open_how_the_play_ended_is_answered_with_the_choices() -> None:
    assert refused("try").endswith("say before try or try over")


def test_one_ending_a_line() -> None:
    assert refused("touchdown, foul offense") == (
        "touchdown and foul offense are two endings: type one, then the other"
    )


@settings(deadline=None)  # a busy machine is not a failure
@given(st.integers(1, 999))
def test_a_hand_over(keeper: int) -> None:
    for typed in (f"keeper {keeper}", f"Keeper #{keeper:03d}", f"keeper {keeper} has it"):
        assert parse_entry(typed, RULES) == HandOver(keeper)


@pytest.mark.parametrize(
    "typed", ["keeper", "keeper 0", "keeper 1000", "keeper -1", "keeper Smith"]
)
def test_a_keeper_is_a_number(typed: str) -> None:
    said = refused(typed)
    assert "1 to 999" in said and typed.removeprefix("keeper").strip().lower() in said


@pytest.mark.parametrize("name", sorted(NOT_ENDINGS))
def test_what_only_ruling_answers_is_no_ending(name: str) -> None:
    assert "does not say how a play ended" in refused(name.replace("_", " "))


def test_an_unknown_fact_names_itself() -> None:
    assert refused("incomplete pass zzz").startswith("'zzz' is not known")


@settings(deadline=None)  # a busy machine is not a failure
@given(st.text(max_size=64))
def test_whatever_is_typed_gives_an_event_or_one_clear_line(typed: str) -> None:
    try:
        event = parse_entry(typed, RULES)
    except EntryError as error:
        assert str(error)
        assert len(str(error).splitlines()) == 1
    else:
        assert isinstance(event, PlayEnded | SetCount | HandOver)


@settings(deadline=None)  # a busy machine is not a failure
@given(st.lists(st.sampled_from(["count", "foul", "cancelled", "down", "0", "99", "defense"])))
def test_known_words_in_any_order_never_break_it(typed: list[str]) -> None:
    try:
        event = parse_entry(" ".join(typed), RULES)
    except EntryError:
        return
    if isinstance(event, SetCount):
        assert 0 <= event.seconds <= 99
    else:
        assert isinstance(event, PlayEnded)
        assert event.ending in ENDINGS and event.facts <= set(FACTS)
