"""A rule set is one file: a made-up code, added as DEVELOPERS.md says, and one as in the README."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from controller.cli import main
from controller.config.load import parse_config
from controller.rulebook import loader

OWN = """\
code = "sandlot"
title = "Sandlot eight"

[sources]
card = { citation = "Sandlot card 1", read_as = "text" }

[sources.guess]
citation = "Sandlot card"
read_as = "memory"
unsettled = "the card does not name it: 20 on the ready"

[[seasons]]
from = 2024
routine_s = 30
administrative_s = 20
marks = [10, 5, 4, 3, 2, 1, 0]
routine_marks = [20]
rest = { seconds = 20, starts_on = "ready_for_play", source = "guess" }

[seasons.rulings]
routine = { seconds = 30, starts_on = "dead_ball", source = "card" }
incomplete_pass = { seconds = 30, starts_on = "dead_ball", source = "card" }
referee_pump = { seconds = 20, starts_on = "referee_signal", source = "card" }
boards_disagree = { starts_on = "referee_signal", source = "card" }

[[seasons.facts]]
fact = "fourth_down"
endings = ["incomplete_pass"]
mean = "change_of_possession"

[[seasons]]
from = 2020
like = 2024

[seasons.rulings]
incomplete_pass = { seconds = 20, starts_on = "ready_for_play", source = "card" }
"""


@pytest.mark.full
def test_one_file_is_a_whole_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As "A rule set" in DEVELOPERS.md says: no line of code knows of it, and all of it answers."""
    (tmp_path / "sandlot.toml").write_text(OWN, encoding="utf-8")
    monkeypatch.setattr(loader, "FOLDER", str(tmp_path))

    def say(*words: str) -> str:
        assert main(list(words)) == 0
        return capsys.readouterr().out

    ask = ("ruling", "incomplete_pass", "--rules", "sandlot")
    now = "30 seconds, starts when the ball is dead\nSandlot card 1 (wording read)\n"
    assert say(*ask) == now
    assert say(*ask, "--fact", "fourth_down").startswith("20 seconds, held, starts on the ready")
    assert say(*ask, "--season", "2021").startswith("20 seconds, held, starts on the ready")
    assert "sandlot           2020 2024" in say("rules")
    assert "20 signal" in say("rules", "sandlot")
    assert "20 seconds" not in say("rules", "sandlot", "--against", "sandlot:2020")
    card = tmp_path / "card.pdf"
    assert "the card of sandlot: Sandlot eight, rules of 2024" in say(
        "rules", "sandlot", "--card", str(card)
    )
    assert card.read_bytes().startswith(b"%PDF")
    assert parse_config('rules = "sandlot"', "own.toml").rules == "sandlot"


README = Path(__file__).parent.parent / "README.md"


def test_the_file_in_the_readme_answers_as_the_readme_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = README.read_text("utf-8").partition("### Your own rules")[2]
    toml, console = (
        re.search(rf"```{kind}\n(.*?)```", words, re.DOTALL) for kind in ("toml", "console")
    )
    assert toml and console
    (tmp_path / "summer_cup.toml").write_text(toml[1], "utf-8")
    monkeypatch.chdir(tmp_path)
    said = ""
    for line in console[1].splitlines():
        if line.startswith("$ python3 -m controller "):
            assert main(shlex.split(line)[4:]) == 0
            said += f"{line}\n{capsys.readouterr().out}"
    assert said == console[1]


@pytest.mark.full
def test_a_file_of_ones_own_is_taken_wherever_a_code_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "cup:1.toml"
    file.write_text('code = "cup"\ntitle = "Cup"\nfollows = "nfhs"\nroutine_s = 30\n')
    card = tmp_path / "card.pdf"
    for words, says in (
        (["rules", str(file)], "cup: Cup, rules of 2022"),
        (["rules", str(file), "--card", str(card)], "the card of cup: Cup, rules of 2022"),
        (["rules", "nfhs", "--against", str(file)], "against cup since 2022, Cup"),
        (["rules", "nfhs", "--against", f"{file}:2024"], "against cup 2024, Cup"),
    ):
        assert main(words) == 0
        assert says in capsys.readouterr().out
    assert card.read_bytes().startswith(b"%PDF")
    assert parse_config(f'rules = "{file}"', "own.toml").rules == str(file)
    file.write_text("code = 5\n")
    for command in (["rules", str(file)], ["ruling", "foul", "--rules"], ["run", "--rules"]):
        words = command if command[0] == "rules" else [*command, str(file)]
        assert main(words) == 2
        err = capsys.readouterr().err
        assert err == f"playclock {words[0]}: {file}: line 1: code = 5: must be text in one line\n"
