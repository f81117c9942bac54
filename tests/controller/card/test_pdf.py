"""The pocket card, read back from the PDF: every ruling under its count, all within its panel."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from controller.card import pdf
from controller.card.words import ENDING_WORDS
from controller.cli import main
from controller.rulebook.loader import codes, load_rule_set, load_seasons
from controller.rulebook.wording import in_short
from controller.rules.endings import ENDINGS

EVERY = [(code, each.season_from) for code in codes() for each in load_seasons(code)]
HEADING = re.compile(
    r"(\d\d) (at the dead ball|on the ready|on the signal)(?= runs| up| at once|, continued)"
    r"|(No new count)(?= CORRECTIONS| SET| STOPPAGES| NEW| STARTS)"
)


def read(path: Path, *options: str) -> str:
    command = ["pdftotext", *options, str(path), "-"]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def made(folder: Path, *arguments: str) -> Path:
    path = folder / "card.pdf"
    assert main(["rules", *arguments, "--card", str(path)]) == 0
    return path


def check_card(path: Path, code: str, season: int) -> None:
    """Headings and bullets as printed, against the rule set; words against their panels."""
    text = read(path, "-raw")
    assert text.count("\f") == 1
    rulings = " ".join(text.split()).partition("WHAT A FACT CHANGES")[0]
    parts = HEADING.split(rulings)
    named = {words: ending for ending, words in ENDING_WORDS.items()}
    rules, seen = load_rule_set(code, season), []
    for number, starts, none, body in zip(*(parts[i::4] for i in (1, 2, 3, 4)), strict=True):
        for bullet in body.split("•")[1:]:
            ending = max((w for w in named if bullet.strip().startswith(w)), key=len)
            ruling = rules.ruling(named[ending])
            seen.append(named[ending])
            assert ("†" in bullet) == bool(ruling.unsettled), ending
            assert in_short(ruling) == (none.lower() if none else f"{number} {starts}"), ending
    assert sorted(seen) == sorted(ENDINGS)
    boxes = pdf.panels("letter")
    words = re.findall(r'xMin="(.+?)" yMin="(.+?)" xMax="(.+?)" yMax="(.+?)">', read(path, "-bbox"))
    assert len(words) > 400
    for left, top, right, bottom in (map(float, each) for each in words):
        x, y = (left + right) / 2, 792 - (top + bottom) / 2
        fold = abs(x - 306) < pdf.FOLD or abs(y - 396) < 4.5
        assert fold or any(
            each.x - 1 <= left
            and right <= each.x + each.width + 1
            and each.y - 2 <= y <= each.y + each.height
            for each in boxes
        ), (left, top)


@pytest.mark.full
@pytest.mark.needs_poppler
def test_every_ruling_stands_under_its_count(tmp_path: Path) -> None:
    check_card(made(tmp_path, "nfhs"), "nfhs", 2022)


@pytest.mark.full
@pytest.mark.needs_poppler
@pytest.mark.parametrize(("code", "season"), EVERY)
def test_every_card(tmp_path: Path, code: str, season: int) -> None:
    check_card(made(tmp_path, code, "--season", str(season)), code, season)


@pytest.mark.full
@pytest.mark.needs_poppler
def test_an_adoption_is_marked_and_cards_can_be_compared(tmp_path: Path) -> None:
    asked = ("nfhs", "--option", "after_touchdown=40_dead_ball", "--paper", "a4")
    path = made(tmp_path, *asked)
    text, first = " ".join(read(path, "-raw").split()), path.read_bytes()
    assert "LOCAL ADOPTION: option after_touchdown = 40_dead_ball" in text
    assert "Touchdown, before the try LOCAL" in text
    assert made(tmp_path, *asked).read_bytes() == first


def test_a_missing_library_is_named_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "reportlab.lib.styles", None)
    assert main(["rules", "nfhs", "--card", str(tmp_path / "card.pdf")]) == 2
    assert pdf.INSTALL in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_bad_path_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for bad in (tmp_path, Path("/dev/null")):
        assert main(["rules", "nfhs", "--card", str(bad)]) == 2
        assert str(bad) in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
