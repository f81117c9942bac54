"""``playclock rehearse``: lines for people, one object for machines, one line for a mistake."""

from __future__ import annotations

import argparse
import json
import shlex
from pathlib import Path

import pytest

from controller.commands import rehearse

PARSER = argparse.ArgumentParser()
rehearse.add_arguments(PARSER)
NFHS = ["--rules", "nfhs"]
README = Path(__file__).parents[3] / "README.md"


def run(*arguments: str) -> int:
    return rehearse.run(PARSER.parse_args(arguments))


def test_each_press_has_its_instant_keys_count_and_record(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run("d@0; ff@20.25; r@30; N@40", *NFHS) == 0
    said = capsys.readouterr()
    lines = said.out.splitlines()
    heads = [line.split() for line in lines if not line.startswith(" " * 12)]
    assert heads == [
        ["0", "s", "DEAD", "BALL", "40", "running"],
        ["20.45", "s", "FLAG", "twice", "40", "held"],
        ["30", "s", "READY", "40", "running"],
        ["41", "s", "NO", "COUNT", "held", "down", "none"],
    ]
    assert all(len(line) <= 80 for line in lines) and said.err == ""
    assert "NFHS 3-6-1a(1)e EXC 2 (2022)" in " ".join(said.out.split())


@pytest.mark.parametrize(
    ("presses", "seconds", "state"),
    [
        ("d@0;r@11.5", 29, "running"),
        ("n@0", None, "none"),
        ("s@0", 40, "live"),
        (":charged timeout@0", 25, "held"),
    ],
)
def test_the_last_press_as_one_object(
    capsys: pytest.CaptureFixture[str], presses: str, seconds: int | None, state: str
) -> None:
    assert run(presses, *NFHS, "--json") == 0
    out = capsys.readouterr().out
    found = json.loads(out)
    assert list(found) == ["seconds", "state", "record"] and out.count("\n") == 1
    assert (found["seconds"], found["state"]) == (seconds, state)
    assert found["record"]


def test_season_and_option_choose_the_rules(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("ff@0", *NFHS, "--season", "2019", "--json") == 0
    assert json.loads(capsys.readouterr().out)["seconds"] == 25
    option = ["--option", "after_touchdown=40_dead_ball"]
    assert run(":touchdown@0", *NFHS, *option, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["seconds"], found["state"]) == (40, "running")
    assert "LOCAL ADOPTION: option after_touchdown = 40_dead_ball" in found["record"]


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["", *NFHS], ["the sequence is empty"]),
        (["d@0; q@2", *NFHS], ["press 2 (character 6)", "'q@2'"]),
        (["d@0; :tuchdown@2", *NFHS], ["press 2 (character 6)", "'tuchdown'", "touchdown"]),
        (["d@0; :count 100@2", *NFHS], ["press 2", "0 to 99"]),
        (["d@3; f@2", *NFHS], ["never run back"]),
        (["d@0", "--rules", "nfsh"], ["code 'nfsh'", "nfhs"]),
        (["d@0", *NFHS, "--season", "1980"], ["season 1980"]),
        (["d@0", *NFHS, "--option", "x"], ["'x'", "NAME=VALUE"]),
    ],
)
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_mistake_is_one_line_that_says_what_and_where(
    capsys: pytest.CaptureFixture[str], arguments: list[str], named: list[str], form: list[str]
) -> None:
    assert run(*arguments, *form) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1
    assert said.err.startswith("playclock rehearse: ")
    for words in named:
        assert words in said.err


def test_the_readme_shows_what_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    prompt = "$ python3 -m controller rehearse "
    _, *examples = (
        README.read_text("utf-8").partition("\n```\n\nA press is a letter")[0].split(prompt)
    )
    assert len(examples) == 2
    for example in examples:
        words, _, printed = example.partition("\n")
        assert run(*shlex.split(words)) == 0
        assert capsys.readouterr().out.rstrip() == printed.rstrip()
