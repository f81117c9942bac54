"""``playclock ruling``: one answer, the same whatever the order, or one line that says why not."""

from __future__ import annotations

import argparse
import functools
import itertools
import json
from collections.abc import Callable

import pytest

from controller.commands import ruling
from controller.rulebook import loader
from controller.rulebook.loader import codes, load_rule_set
from controller.rules.endings import FACTS as FACTS_KNOWN

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
        code = ruling.run(PARSER.parse_args(arguments))
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
        "NFHS 3-6-1a(2) (2019): every other down (read as text)",
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


@pytest.mark.parametrize("season", ["2022", "2025", "2099"])
def test_a_season_has_the_rules_in_force_then(ask: Ask, season: str) -> None:
    code, out, _ = ask("foul_defense", *NFHS, "--season", season)
    assert code == 0 and "40 seconds" in out


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["incomplet", *NFHS], ["ending 'incomplet'", "nfhs", "incomplete_pass"]),
        (["touchdwn", *NFHS], ["ending 'touchdwn'", "touchdown"]),
        (["routine", "tuchdown", *NFHS], ["ending 'tuchdown'", "touchdown"]),
        (["incomplete pass", *NFHS], ["ending 'incomplete pass'", "incomplete_pass"]),
        (["", *NFHS], ["ending ''", "touchdown"]),
        (["Touchdown", *NFHS], ["ending 'Touchdown'", "touchdown"]),
        (["routine", "--fact", "forth_down", *NFHS], ["fact 'forth_down'", "fourth_down"]),
        (["routine", "--fact", "zzz", *NFHS], ["fact 'zzz'", "fourth_down", "cancelled"]),
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
    for words in named:
        assert words in err


def test_a_fact_named_as_an_ending_is_pointed_to_its_option(
    ask: Ask,
) -> None:
    code, out, err = ask("incomplete_pass", "fourth_down", *NFHS)
    assert (code, out) == (2, "")
    assert "fourth_down" in err and "--fact" in err


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
