"""Every published situation of ``scenarios.csv``, put to ``playclock ruling``.

The source stands in the row, and the code: by its own name, or by one that ``how_asked.toml`` gives
a season too. That file also says what a situation tells besides the ending. A row read from memory
is marked so by its ``confidence`` and counted apart.
"""

from __future__ import annotations

import csv
import json
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main
from controller.rulebook.loader import codes

HERE = Path(__file__).parent
with (HERE / "scenarios.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))
HOW: dict[str, Any] = tomllib.loads((HERE / "how_asked.toml").read_text("utf-8"))
TOLD, DISAGREEMENTS = HOW["told"], HOW["disagreements"]
MEMORY = [row for row in ROWS if row["confidence"] == "memory"]
PUBLISHED = [row for row in ROWS if row["confidence"] != "memory"]

Answer = tuple[str, str]


def code_of(row: dict[str, str]) -> dict[str, Any]:
    """The code of a row, with a season where its name tells one."""
    return HOW["codes"].get(row["code"]) or {"code": row["code"]}


def season_of(row: dict[str, str]) -> int | None:
    """The season asked for; None for the newest."""
    where = code_of(row)
    if where["code"] == "ncaa":
        named = [y for words, y in HOW["editions"].items() if words in row["source"]]
        named += [y for words, y in HOW["editions"].items() if words in row["situation"]]
        return named[0] if named else None
    season: int | None = TOLD.get(row["id"], {}).get("season", where.get("season"))
    return season


def asked(row: dict[str, str], *, option: bool = True) -> list[str]:
    """The words of the command line for one row."""
    more = {**TOLD.get(row["id"], {}), **DISAGREEMENTS.get(row["id"], {})}
    words = [row["ending"], *more.get("endings", [])]
    words += ["--rules", code_of(row)["code"], "--json"]
    season = season_of(row)
    words += ["--season", str(season)] if season else []
    for fact in more.get("facts", []):
        words += ["--fact", fact]
    if option and "option" in more:
        words += ["--option", more["option"]]
    return words


def answer(capsys: pytest.CaptureFixture[str], words: list[str]) -> Answer:
    """Seconds and start, spelled as in the rows."""
    assert main(["ruling", *words]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["citation"] and found["read_as"] in ("text", "table", "memory")
    return ("none" if found["seconds"] is None else str(found["seconds"]), found["starts_on"])


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: row["id"])
def test_a_published_situation(capsys: pytest.CaptureFixture[str], row: dict[str, str]) -> None:
    assert answer(capsys, asked(row)) == (row["seconds"], row["starts_on"]), row["source"]


@pytest.mark.parametrize("row", MEMORY, ids=lambda row: row["id"])
def test_a_situation_from_memory(capsys: pytest.CaptureFixture[str], row: dict[str, str]) -> None:
    assert answer(capsys, asked(row)) == (row["seconds"], row["starts_on"]), row["source"]


def by_id(name: str) -> dict[str, str]:
    (row,) = (row for row in ROWS if row["id"] == name)
    return row


@pytest.mark.parametrize("name", DISAGREEMENTS)
def test_a_documented_disagreement_is_settled_by_its_option_alone(
    capsys: pytest.CaptureFixture[str], name: str
) -> None:
    row = by_id(name)
    without = answer(capsys, asked(row, option=False))
    assert without != (row["seconds"], row["starts_on"])


@pytest.mark.parametrize("name", TOLD)
def test_what_a_situation_tells_is_what_makes_the_answer(
    capsys: pytest.CaptureFixture[str], name: str
) -> None:
    row = by_id(name)
    told = TOLD[name]
    bare = [row["ending"], "--rules", code_of(row)["code"], "--json"]
    season = code_of(row).get("season") if "season" in told else season_of(row)
    bare += ["--season", str(season)] if season else []
    assert answer(capsys, bare) != (row["seconds"], row["starts_on"])


def test_every_row_is_here_with_its_source_and_counted() -> None:
    held = Counter(row["confidence"] for row in ROWS)
    assert held >= Counter({"published-text": 147, "published-table": 25, "memory": 14})
    assert len(held) == 3
    assert all(row["source"] and row["situation"] for row in ROWS)
    assert len({row["id"] for row in ROWS}) == len(ROWS)
    for name, how in [*TOLD.items(), *DISAGREEMENTS.items()]:
        assert by_id(name) and how["why"]
    assert not TOLD.keys() & DISAGREEMENTS.keys()
    assert not any(row["id"] in DISAGREEMENTS for row in MEMORY)


def test_every_code_has_a_situation_of_its_own() -> None:
    """A code that nobody has published anything of here is told by its name."""
    untested = set(codes()) - {code_of(row)["code"] for row in ROWS}
    assert not untested, f"no row in scenarios.csv: {', '.join(sorted(untested))}"
