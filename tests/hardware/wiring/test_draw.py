"""A drawing is what its text gives, and a sheet that could not be read is refused."""

from __future__ import annotations

import re
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from tests.shared import scripts

WIRING = scripts.ROOT / "hardware" / "wiring"
SHEETS = sorted(path.stem for path in WIRING.glob("*.toml"))
draw = scripts.load("hardware/wiring/draw.py")


@pytest.mark.parametrize("sheet", SHEETS)
def test_a_drawing_is_what_its_text_gives(sheet: str) -> None:
    picture = (WIRING / f"{sheet}.svg").read_text(encoding="utf-8")
    assert picture == draw.drawn(WIRING / f"{sheet}.toml"), "run hardware/wiring/draw.py"
    root = ET.fromstring(picture)  # our own file
    words = "".join(root.itertext())
    for part in tomllib.loads((WIRING / f"{sheet}.toml").read_text("utf-8"))["part"]:
        assert part["name"] in words


PART = '[[part]]\nid = "{0}"\nat = [{1}, 80]\nwidth = 150\nname = "part {0}"\nright = ["1 | NET"]\n'


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        (PART.format("a", 40) + PART.format("b", 180), "a meets b"),
        (PART.format("a", 40) + PART.format("b", 200), "'NET' meets the edge of b"),
        (PART.format("a", 290), "'NET' leaves the sheet"),
        ('[[note]]\nat = [30, 40]\nlines = ["over the title"]', "'Sheet' meets 'over the title'"),
        (PART.format("a", 40) + '[[wire]]\npath = ["a.1", "a.2"]', "there is no a.2"),
        (PART.format("a", 40) + '[[wire]]\npath = ["a.l", "y120", "a.1"]', "goes through a"),
        (PART.format("a", 40) + '[[wire]]\npath = ["a.l", "a.r"]\nkind = "red"', "kind 'red'"),
    ],
)
def test_a_sheet_that_could_not_be_read_is_refused(tmp_path: Path, tables: str, said: str) -> None:
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(f'[sheet]\ntitle = "Sheet"\nwidth = 420\nheight = 300\n{tables}\n')
    with pytest.raises(draw.SheetError, match=re.escape(said)):
        draw.drawn(sheet)


SHEET = f'[sheet]\ntitle = "Sheet"\nwidth = 420\nheight = 300\n{PART.format("a", 40)}\n'


def test_drawing_writes_what_the_check_then_finds_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(draw, "FOLDER", tmp_path)
    (tmp_path / "sheet.toml").write_text(SHEET)
    assert draw.main(["--check"]) == 1
    assert capsys.readouterr().err == "not what their text gives: sheet.svg\n"
    assert draw.main([]) == 0
    assert (tmp_path / "sheet.svg").read_text() == draw.drawn(tmp_path / "sheet.toml")
    assert draw.main(["--check"]) == 0
    (tmp_path / "sheet.svg").write_text("another drawing")
    assert draw.main(["--check"]) == 1
    (tmp_path / "sheet.toml").write_text("no table")
    assert draw.main([]) == 2
    assert (tmp_path / "sheet.svg").read_text() == "another drawing"
