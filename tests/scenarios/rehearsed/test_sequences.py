"""Press sequences of a game and the numeral that a referee wants after the last press.

Each row of ``sequences.csv`` is put to ``playclock rehearse``. ``seconds`` and ``state`` bind;
``says`` are pieces that the record's sentence must hold, whatever the case of its letters.
``source`` is the rule or published mechanics behind the row, and in brackets how that was read:
[memory] where no document was found.
"""

from __future__ import annotations

import csv
import functools
import json
from pathlib import Path

import pytest

from controller.cli import main
from controller.rulebook import loader

with (Path(__file__).parent / "sequences.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))
read_once = functools.cache(loader.load_seasons)


@pytest.fixture(autouse=True)
def each_file_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many sequences, of files that stay as they are."""
    monkeypatch.setattr(loader, "load_seasons", read_once)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_a_sequence_of_presses(capsys: pytest.CaptureFixture[str], row: dict[str, str]) -> None:
    words = ["rehearse", row["presses"], "--rules", row["code"], "--season", row["season"]]
    assert main([*words, "--json"]) == 0, capsys.readouterr().err
    found = json.loads(capsys.readouterr().out)
    shown = "none" if found["seconds"] is None else str(found["seconds"])
    assert (shown, found["state"]) == (row["seconds"], row["state"]), found["record"]
    missing = [
        each for each in row["says"].lower().split("|") if each not in found["record"].lower()
    ]
    assert not missing, found["record"]


def test_every_row_is_a_sequence_of_its_own_with_its_source() -> None:
    assert len({row["id"] for row in ROWS}) == len(ROWS) >= 40
    assert len({(row["code"], row["season"], row["presses"]) for row in ROWS}) == len(ROWS)
    assert all(row["says"] and row["source"] for row in ROWS)
