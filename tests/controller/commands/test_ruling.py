"""``playclock ruling``: one answer, the same whatever the order, or one line that says why not."""

from __future__ import annotations

import argparse
import functools
import itertools
import json
from collections.abc import Callable

import pytest

from controller.commands import ruling
from controller.rulebook import field_words, loader
from controller.rulebook.loader import codes, load_rule_set
from controller.rules.endings import FACTS as FACTS_KNOWN
from tests.shared.told import LEFT_OPEN, TOLD

RULES = load_rule_set("nfhs")
NFHS = ["--rules", "nfhs"]
FACTS = [*sorted(RULES.facts), None]

PARSER = argparse.ArgumentParser()
ruling.add_arguments(PARSER)
Asked = tuple[int, str, str]
Ask = Callable[..., Asked]
Answer = Callable[..., dict[str, object]]
read_once = functools.cache(loader.load_seasons)


@pytest.fixture(autouse=True)
def each_file_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Thousands of questions, of files that stay as they are."""
    monkeypatch.setattr(loader, "load_seasons", read_once)


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]) -> Ask:
    """Gives exit code, what went to the output and what went to the error stream."""

    def asked(*arguments: str) -> Asked:
        code = ruling.run(PARSER.parse_intermixed_args(arguments))
        said = capsys.readouterr()
        return code, said.out, said.err

    return asked


@pytest.fixture
def answer(ask: Ask) -> Answer:
    """Gives the JSON answer to a question that has one."""

    def answered(*arguments: str) -> dict[str, object]:
        code, out, err = ask(*arguments, *NFHS, "--json")
        assert (code, err) == (0, "")
        assert out.count("\n") == 1
        found = json.loads(out)
        assert isinstance(found, dict)
        return found

    return answered


@pytest.mark.parametrize("ending", sorted(RULES.rulings))
def test_every_ending_has_its_ruling_and_how_it_was_read(answer: Answer, ending: str) -> None:
    found = answer(ending)
    ruled = RULES.rulings[ending]
    assert list(found)[:4] == ["seconds", "starts_on", "citation", "read_as"]
    unsettled = {"unsettled": ruled.unsettled} if ruled.unsettled else {}
    assert found == {
        "seconds": ruled.seconds,
        "starts_on": ruled.starts_on.value,
        "citation": ruled.citation,
        "read_as": ruled.read_as,
        **unsettled,
    }


# The numbers as published for officials: 40 at the dead ball unless listed, 25 on the ready when
# listed in NFHS rule 3-6-1a(1); 2019 and later.
@pytest.mark.parametrize(
    ("arguments", "seconds", "starts_on"),
    [
        (["incomplete_pass"], 40, "dead_ball"),
        (["incomplete_pass", "--fact", "fourth_down"], 25, "ready_for_play"),
        (["touchdown"], 25, "ready_for_play"),
        (["injury_defense"], 40, "ready_for_play"),
        (["injury_offense"], 25, "ready_for_play"),
        (["foul_defense"], 40, "ready_for_play"),
        (["charged_timeout"], 25, "ready_for_play"),
        (["premature_start_reset40"], 40, "referee_signal"),
        (["snap"], 40, "dead_ball"),
        (["zero_no_foul"], 40, "dead_ball"),
        (["boards_disagree"], None, "referee_signal"),
        (["kick_no_new_series", "--fact", "new_series"], 25, "ready_for_play"),
        (["foul", "--fact", "by_defense_only"], 40, "ready_for_play"),
        (["injury_offense", "injury_defense"], 40, "ready_for_play"),
        (["charged_timeout", "injury_defense"], 25, "ready_for_play"),
        (["foul_offense", "foul_defense"], 25, "ready_for_play"),
        (["foul_defense", "touchdown"], 25, "ready_for_play"),
        (["foul_defense", "touchdown", "--fact", "cancelled"], 40, "ready_for_play"),
        (["incomplete_pass", "foul_defense", "--fact", "fourth_down"], 25, "ready_for_play"),
    ],
)
def test_the_published_numbers(
    answer: Answer, arguments: list[str], seconds: int | None, starts_on: str
) -> None:
    found = answer(*arguments)
    assert (found["seconds"], found["starts_on"]) == (seconds, starts_on)


@pytest.mark.parametrize(
    "endings",
    [
        ["incomplete_pass", "foul_defense", "injury_defense"],
        ["touchdown", "foul_defense", "charged_timeout"],
        ["injury_offense", "injury_defense", "incomplete_pass"],
    ],
)
@pytest.mark.parametrize("fact", FACTS)
def test_the_order_of_the_words_does_not_matter(
    answer: Answer, endings: list[str], fact: str | None
) -> None:
    given = ["--fact", fact] if fact else []
    answers = {json.dumps(answer(*given, *order)) for order in itertools.permutations(endings)}
    answers |= {json.dumps(answer(*order, *given)) for order in [endings, endings[::-1]]}
    assert len(answers) == 1


@pytest.mark.parametrize("facts", [["fourth_down", "cancelled"], ["new_series", "fourth_down"]])
def test_the_order_of_the_facts_does_not_matter(answer: Answer, facts: list[str]) -> None:
    for ending in RULES.rulings:
        given = [["--fact", one, "--fact", two] for one, two in itertools.permutations(facts)]
        first, second = (answer(ending, *each) for each in given)
        assert first == second


def test_an_ending_named_twice_is_named_once(answer: Answer) -> None:
    for ending in RULES.rulings:
        for fact in FACTS:
            given = ["--fact", fact] if fact else []
            assert answer(ending, ending, *given) == answer(ending, *given)


def test_plain_words_tell_the_three_starts_and_no_count_apart(
    ask: Ask,
) -> None:
    questions = ["touchdown", "referee_pump", "boards_disagree", "snap"]
    first = [ask(each, *NFHS)[1].splitlines()[0] for each in questions]
    assert len(set(first)) == len(questions)
    assert "25 seconds, held" in first[0] and "on the ready" in first[0]
    assert ask("incomplete_pass", *NFHS)[1].splitlines() == [
        "40 seconds, starts when the ball is dead",
        "NFHS 3-6-1a(2) (2019): every other down (wording read)",
    ]
    assert "25 seconds" in first[1] and "signal" in first[1]
    assert "no new count" in first[2] and "None" not in first[2]


def test_every_plain_answer_is_two_lines_of_plain_characters_and_one_for_a_default(
    ask: Ask,
) -> None:
    for ending in RULES.rulings:
        code, out, err = ask(ending, *NFHS)
        unsettled = RULES.rulings[ending].unsettled
        assert (code, err, out.count("\n")) == (0, "", 3 if unsettled else 2)
        assert unsettled in out
        assert out.isascii() and "None" not in out


@pytest.mark.parametrize("season", ["2022", "2025", "2026"])
def test_a_season_has_the_rules_in_force_then(ask: Ask, season: str) -> None:
    code, out, _ = ask("foul_defense", *NFHS, "--season", season)
    assert code == 0 and "40 seconds" in out
    in_force = "" if season == "2022" else f", in force {season}"
    assert out.splitlines()[-1] == f"High school (NFHS), rules of 2022{in_force}"


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["incomplet", *NFHS], ["'incomplet'", "nearest: incomplete"]),
        (["touchdwn", *NFHS], ["'touchdwn'", "touchdown"]),
        (["routine", "tuchdown", *NFHS], ["'tuchdown'", "touchdown"]),
        (["", *NFHS], ["no ending named"]),
        (["fourth_down", *NFHS], ["'fourth_down'", "turnover on downs"]),
        (["kick", *NFHS], ["'kick'", "punt", "field goal", "before kickoff"]),
        (["routine", "--fact", "forth_down", *NFHS], ["'forth'", "fourth down"]),
        (["routine", "--fact", "zzz", *NFHS], ["'zzz'"]),
        (["routine", "--fact", "touchdown", *NFHS], ["'touchdown'", "an ending, not a fact"]),
        (["routine", *NFHS, "--season", "3000"], ["season 3000", "nfhs", "from 1990 to 20"]),
        (["routine", "--rules", "nfsh"], ["code 'nfsh'", "nfhs"]),
        (["routine", "--rules", ""], ["code ''", "nfhs"]),
        (["routine", "--rules", "../codes/nfhs"], ["../codes/nfhs: cannot be read: No such"]),
        (["routine", *NFHS, "--season", "1980"], ["season 1980", "nfhs", "1990"]),
        (["routine", *NFHS, "--season", "-5"], ["season -5", "1990"]),
        (["routine", *NFHS, "--season", "0"], ["season 0", "1990"]),
    ],
)
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_mistake_is_one_line_that_names_what_and_what_is_near(
    ask: Ask, arguments: list[str], named: list[str], form: list[str]
) -> None:
    code, out, err = ask(*arguments, *form)
    assert (code, out) == (2, "")
    assert err.startswith("playclock ruling: ") and err.count("\n") == 1
    for each in named:
        assert each in err


@pytest.mark.parametrize(
    ("arguments", "same_as"),
    [
        (["incomplete pass"], ["incomplete_pass"]),
        (["Incomplete-Pass,"], ["incomplete_pass"]),
        (["incomplete", "pass", "fourth", "down"], ["incomplete_pass", "--fact", "fourth_down"]),
        (["incomplete_pass", "fourth_down"], ["incomplete_pass", "--fact", "fourth_down"]),
        (["4th down", "incomplete pass"], ["incomplete_pass", "--fact", "fourth_down"]),
        (["foul", "by", "the", "defense", "only"], ["foul", "--fact", "by_defense_only"]),
        (["foul", "--fact", "Defense only"], ["foul", "--fact", "by_defense_only"]),
        (["injury defense, injury offense"], ["injury_defense", "injury_offense"]),
        (["touchdown", "foul on defense"], ["foul_defense", "touchdown"]),
        (["first down"], ["line_to_gain_reached"]),
        (["declined"], ["foul", "--fact", "declined"]),
    ],
)
def test_field_words_are_read_in_one_argument_or_several(
    answer: Answer, arguments: list[str], same_as: list[str]
) -> None:
    assert answer(*arguments) == answer(*same_as)


@pytest.mark.parametrize("typed", TOLD)
def test_what_people_say(answer: Answer, typed: str) -> None:
    assert answer(typed) == answer(*typed.split()) == answer(*TOLD[typed].split())


@pytest.mark.parametrize("typed", LEFT_OPEN)
def test_what_leaves_it_open_asks(ask: Ask, typed: str) -> None:
    code, out, err = ask(typed, *NFHS)
    assert (code, out) == (2, "") and " say " in err


@pytest.mark.full
@pytest.mark.parametrize("gap", [" ", "-", "_", ""])
def test_every_phrase_however_it_is_typed(ask: Ask, gap: str) -> None:
    for phrase in field_words.vocabulary().phrases:
        plain, typed = ask(phrase, *NFHS), ask(phrase.upper().replace(" ", gap), *NFHS)
        assert typed[:2] == plain[:2]
        assert plain[0] == 0 or plain[2].endswith(typed[2].partition(": ")[2].partition(": ")[2])


def test_the_codes_named_in_an_error_can_be_asked(ask: Ask) -> None:
    _, _, err = ask("routine", "--rules", "x")
    known = err.strip().partition("known: ")[2].split(", ")
    assert known == codes()
    for code in known:
        assert ask("routine", "--rules", code)[0] == 0


def test_an_option_and_a_default_are_told_in_plain_words(
    ask: Ask,
) -> None:
    _, out, _ = ask("touchdown", *NFHS, "--option", "after_touchdown=40_dead_ball")
    assert out.splitlines()[2] == "LOCAL ADOPTION: option after_touchdown = 40_dead_ball"
    _, out, _ = ask("two_minute_timeout", *NFHS)
    assert out.splitlines()[2].startswith("no source settles this: NFHS has no two-minute")


@pytest.mark.parametrize(
    ("word", "ending"), [("time_out", "charged_timeout"), ("first_down", "line_to_gain_reached")]
)
def test_another_word_of_the_trade_is_answered_alike(
    answer: Answer, word: str, ending: str
) -> None:
    assert answer(word) == answer(ending)


def test_every_ending_of_every_code_is_answered_with_any_fact(
    ask: Ask,
    answer: Answer,
) -> None:
    """A fact that changes nothing in a code is not a mistake there."""
    for code in codes():
        plain = ask("touchdown", "--rules", code)
        assert plain[0] == 0
        for fact in FACTS_KNOWN:
            said = ask("touchdown", "--rules", code, "--fact", fact)
            assert said == plain
    given = ["touchdown", "foul_defense", "--fact", "last_three_minutes"]
    assert answer(*given) == answer(*given[:2])


def test_no_new_count_is_null_for_machines(ask: Ask) -> None:
    code, out, _ = ask("less_time_than_play_clock", "--rules", "ncaa", "--json")
    assert code == 0
    found = json.loads(out)
    assert (found["seconds"], found["starts_on"]) == (None, "dead_ball")
