from __future__ import annotations

import csv
import io
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from controller.journal.file import COLUMNS
from controller.journal.format import LINE_WIDTH, line, write_csv
from controller.journal.reader import Entry
from tests.controller.journal_rows import row


@pytest.fixture(autouse=True)
def four_hours_behind_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "EST5EDT,M3.2.0,M11.1.0")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def entry(**changes: Any) -> Entry:
    moment = datetime(2026, 9, 11, 23, 3, 12, 400_000, tzinfo=UTC)
    return Entry(5, moment, True, "boot-a", row(12, **changes), "0.1.0", "rules-1", "ab" * 32)


@pytest.mark.parametrize(
    ("changes", "shown"),
    [
        (
            {
                "role": "keeper",
                "handset": 1,
                "phase_after": "running",
                "ruling_seconds": 40,
                "citation": "NFHS 3-6-1a(2)",
                "boards": '{"north": "40", "south": "40"}',
            },
            "play ended by keeper (handset 1) -> running 40 (NFHS 3-6-1a(2)) boards 40 40",
        ),
        (
            {"facts": ("foul", "defense"), "handset": 0, "commanded": "25"},
            "play ended (foul, defense) by console boards told 25",
        ),
        (
            {"kind": "refused", "event": "stop", "reason": "nothing runs in LIVE"},
            "REFUSED stop: nothing runs in LIVE",
        ),
        (
            {"event": "ready", "phase_after": "running", "assumed": "ready", "override": "20 s"},
            "ready -> running [local: 20 s] assumed ready",
        ),
        (
            {"kind": "confirmed", "event": "", "boards": '{"north": "40", "south": "dark"}'},
            "confirmed boards north 40 south dark",
        ),
        ({"kind": "confirmed", "event": "", "boards": '["40", "40"]'}, "confirmed boards 40 40"),
        ({"boards": "40 40", "commanded": "40"}, "play ended boards told 40, 40 40"),
        ({"boards": "40"}, "play ended boards 40"),
        (
            {"kind": "fault", "event": "port lost", "detail": "north: Input/output error"},
            "FAULT port lost north: Input/output error",
        ),
    ],
)
def test_a_line(changes: dict[str, Any], shown: str) -> None:
    assert line(entry(**changes)) == f"19:03:12.4 down 12 {shown}"


@pytest.mark.parametrize("synchronised", [False, None])
def test_a_doubtful_time_is_marked(synchronised: bool | None) -> None:
    shown = line(replace(entry(), wall_synchronised=synchronised))
    assert shown == "19:03:12.4~ down 12 play ended"


def test_a_line_is_one_line_of_at_most_100_columns() -> None:
    shown = line(entry(detail="two\nlines \x1b[2J " + "x" * 200))
    assert len(shown) == LINE_WIDTH == 100
    assert shown.startswith("19:03:12.4 down 12 play ended two?lines ?[2J xxx")
    assert shown.endswith("x…")
    fitting = line(entry(detail="x" * (LINE_WIDTH - len(line(entry())) - 1)))
    assert len(fitting) == LINE_WIDTH
    assert fitting.endswith("x")


def as_csv(*entries: Entry) -> list[dict[str, str]]:
    file = io.StringIO(newline="")
    write_csv(entries, file)
    return list(csv.DictReader(io.StringIO(file.getvalue(), newline="")))


def test_the_csv_has_every_column() -> None:
    (found,) = as_csv(entry(facts=("foul", "defense"), detail='a "b",\nc', edge_at=-5))
    assert list(found) == [*COLUMNS, "digest"]
    expected = {
        "seq": "5",
        "wall_time": "2026-09-11T23:03:12.400000Z",
        "wall_synchronised": "1",
        "boot_id": "boot-a",
        "event_number": "12",
        "edge_at": "-5",
        "handset": "",
        "facts": "foul, defense",
        "detail": 'a "b",\nc',
        "rules_hash": "rules-1",
        "digest": "ab" * 32,
    }
    assert {name: found[name] for name in expected} == expected


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_no_cell_is_a_formula_to_a_spreadsheet(start: str) -> None:
    (found,) = as_csv(entry(detail=f"{start}1+2", event="1=2"))
    assert found["detail"] == f"'{start}1+2"
    assert found["event"] == "1=2"
