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
from controller.journal.format import line, lines, wrapped, write_csv
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
    return Entry(
        *(5, moment, True, "boot-a", row(12, **changes), "0.1.0", "rules-1", "ab" * 32),
        game_kind="varsity",
    )


@pytest.mark.parametrize(
    ("changes", "shown"),
    [
        (
            {
                "role": "keeper",
                "handset": 1,
                "phase_after": "RUNNING",
                "ruling_seconds": 40,
                "citation": "NFHS 3-6-1a(2)",
                "boards": '{"north": "40", "south": "40"}',
            },
            "play ended by keeper (handset 1) -> running; ruling 40 (NFHS 3-6-1a(2)); boards 40 40",
        ),
        ({"handset": 0, "role": "keeper"}, "play ended by keeper (console)"),
        (
            {"kind": "no change", "event": "stop", "reason": "that is how it is already"},
            "NO CHANGE stop: that is how it is already",
        ),
        ({"event": "boards off or on", "reason": "boards relit"}, "boards relit"),
        ({"event": "moment marked", "reason": "moment marked"}, "moment marked"),
        (
            {"facts": ("foul", "defense"), "handset": 0, "commanded": "25"},
            "play ended (foul, defense) by console; boards told 25",
        ),
        (
            {"event": "foul (fourth down)", "facts": ("fourth_down",)},
            "foul (fourth down)",
        ),
        (
            {"kind": "refused", "event": "stop", "reason": "nothing runs in LIVE"},
            "REFUSED stop: nothing runs in LIVE",
        ),
        (
            {"event": "ready", "phase_after": "RUNNING", "assumed": "ready", "override": "20 s"},
            "ready -> running; local adoption: 20 s; assumed, not pressed: ready",
        ),
        (
            {"event": "try over", "promised": "try over", "left_s": 0},
            "try over; as promised: try over; 0 left at the press",
        ),
        (
            {"event": "foul offense", "gave_way": "in_doubt", "gave_way_after_ms": 18_000},
            "foul offense; in doubt gave way after 18.0 s",
        ),
        (
            {"event": "undo", "takes_back": 9, "detail": "took back 25, held", "keeper": 17},
            "undo; took back 25, held (#9); keeper 17",
        ),
        (
            {
                "event": "the boards' answers",
                "answers_asked": 9,
                "answers_right": 6,
                "answers_wrong": 1,
                "answers_silent": 2,
            },
            "the boards' answers; asked 9 times: 6 right, 1 wrong, 2 silent",
        ),
        (
            {"kind": "confirmed", "event": "", "boards": '{"north": "40", "south": "dark"}'},
            "confirmed; boards north 40 south dark",
        ),
        ({"kind": "confirmed", "event": "", "boards": '["40", "40"]'}, "confirmed; boards 40 40"),
        ({"boards": "40 40", "commanded": "40"}, "play ended; boards told 40, 40 40"),
        ({"boards": "40"}, "play ended; boards 40"),
        (
            {"kind": "fault", "event": "port lost", "detail": "north: Input/output error"},
            "FAULT port lost; north: Input/output error",
        ),
        (
            {"event": "service started", "setup": "as before"},
            "service started; as before; kind of game: varsity",
        ),
    ],
)
def test_a_line(changes: dict[str, Any], shown: str) -> None:
    assert line(entry(**changes)) == f"19:03:12.4 play 12 #12 {shown}"


def test_a_row_of_the_check_before_a_game_says_so() -> None:
    shown = line(replace(entry(event_number=None), game_kind="check"))
    assert shown == "19:03:12.4 play 12 [check] play ended"
    assert line(entry(event_number=None)) == "19:03:12.4 play 12 play ended"


@pytest.mark.parametrize("synchronised", [False, None])
def test_a_doubtful_time_is_marked(synchronised: bool | None) -> None:
    shown = line(replace(entry(), wall_synchronised=synchronised))
    assert shown == "19:03:12.4~ play 12 #12 play ended"


def test_a_line_is_one_line_and_whole() -> None:
    shown = line(entry(detail="two\nlines \x1b[2J " + "x" * 200))
    assert shown == "19:03:12.4 play 12 #12 play ended; two?lines ?[2J " + "x" * 200


def test_every_game_has_a_heading_with_its_day_and_the_zone_of_its_times() -> None:
    shown = list(lines([entry(), entry(), entry(game=2)]))
    assert [each for each in shown if each.startswith("game")] == [
        "game 1, 2026-09-11, times are EDT (UTC-0400)",
        "game 2, 2026-09-11, times are EDT (UTC-0400)",
    ]
    assert shown[1] == line(entry())


def test_the_keeper_is_named_where_another_one_begins() -> None:
    told = entry(kind="hand-over", event="keeper 17 has it", keeper=17)
    shown = list(
        lines([entry(), told, entry(keeper=17), entry(keeper=17, game=2), entry(keeper=4)])
    )
    named = [each.partition("#12 ")[2] for each in shown if not each.startswith("game")]
    assert named == [
        "play ended",
        "keeper 17 has it",
        "play ended",
        "play ended; keeper 17",
        "play ended; keeper 4",
    ]


def test_the_taps_of_one_gesture_name_the_first() -> None:
    taps = [
        entry(event_number=7, gesture=5, handset=1),
        entry(event_number=8, gesture=5, handset=2),
        entry(event_number=9, gesture=5, handset=1),
        entry(event_number=10, gesture=6, handset=1),
    ]
    shown = [each.partition("; same gesture as ")[2] for each in lines(taps)]
    assert shown == ["", "", "", "#7", ""]


@pytest.mark.parametrize(("columns", "width"), [(60, 59), (20, 40)])
def test_a_terminal_gets_lines_that_fit_with_what_follows_indented(
    columns: int, width: int
) -> None:
    whole = line(entry(detail="a word " * 20))
    first, *more = wrapped(whole, columns).splitlines()
    assert max(map(len, (first, *more))) <= width
    assert all(each.startswith(" " * 11) and each[11] != " " for each in more)
    assert " ".join([first, *map(str.strip, more)]) == whole.rstrip()


def test_a_pipe_gets_the_line_whole() -> None:
    whole = line(entry(detail="x" * 500))
    assert wrapped(whole, None) == whole


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
        "game_kind": "varsity",
        "play": "12",
        "digest": "ab" * 32,
    }
    assert {name: found[name] for name in expected} == expected


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_no_cell_is_a_formula_to_a_spreadsheet(start: str) -> None:
    (found,) = as_csv(entry(detail=f"{start}1+2", event="1=2"))
    assert found["detail"] == f"'{start}1+2"
    assert found["event"] == "1=2"
