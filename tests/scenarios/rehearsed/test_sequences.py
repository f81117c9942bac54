"""Press sequences of a game and the numeral that a referee wants after the last press.

Each row of ``sequences.csv`` is put to ``playclock rehearse``, with the published mechanics behind
it in ``source``; how a source was read stands in brackets. ``seconds`` and ``state`` bind; ``says``
are pieces that the record's sentence must hold, whatever the case of its letters.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from controller.cli import main

with (Path(__file__).parent / "sequences.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))


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
