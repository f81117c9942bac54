"""A rule set is one file: a made-up code, added as DEVELOPERS.md says."""

from __future__ import annotations

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
