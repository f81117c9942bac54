"""The console: what a keeper must read is on the screen, at every size, whatever comes in."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from controller.console.digits import numeral_rows
from controller.console.layout import draw
from controller.console.panels import KEYS
from controller.console.sentences import DID_IT_END, boards_words, phase_words
from controller.console.style import Look
from controller.rules import phases
from controller.rules.events import PlayEnded, plain
from controller.status.document import BoardHealth, HandsetHealth, Status
from drivers.handset import terminal

SGR = re.compile(r"\x1b\[[0-9;]*m")
SIZES = [(80, 24), (100, 30), (40, 12), (20, 5), (200, 60), (79, 19), (40, 40), (120, 12), (1, 1)]
HOSTILE = "\x1b]0;owned\x07\x1b[2J\x1b[31m\r\n\x9b5A\u202e時時時" * 40

RUNNING = Status(
    rules="High school (NFHS) 2025",
    phase="RUNNING",
    numerals=38,
    remaining_ms=37_200,
    boards="lit",
    boards_why="",
    last=plain(PlayEnded("routine"), 40, 25),
    by="console",
    result="running",
    event="PlayEnded",
    became="RUNNING",
    ending="routine",
    ruling_seconds=40,
    starts_on="dead_ball",
    citation="NFHS 3-6-1a(2): every other down",
    game=3,
    down=41,
    board_health=(
        BoardHealth("north", "right", "38", "24.1 V"),
        BoardHealth("south", "right", "38", "23.9 V"),
    ),
    handset_health=(
        HandsetHealth("console", "keeper", "heard"),
        HandsetHealth("belt pack", "field", "heard", 7, 61),
    ),
)
FOUL = replace(
    RUNNING,
    phase="SET",
    numerals=40,
    remaining_ms=None,
    last=plain(PlayEnded("foul_defense"), 40, 25),
    by="handset 2",
    result="held",
    became="SET",
    ending="foul_defense",
    next_s=40,
    starts_on="ready_for_play",
    citation="NFHS 3-6-1a(1)e EXC 2 (2022): foul by the defense only",
)
PHASES = {
    "IDLE": replace(RUNNING, phase="IDLE", numerals=None, remaining_ms=None, boards="blank"),
    "SET": FOUL,
    "RUNNING": RUNNING,
    "LIVE": replace(RUNNING, phase="LIVE", numerals=40, remaining_ms=None),
    "STOPPED": replace(RUNNING, phase="STOPPED", numerals=13, remaining_ms=12_400, next_s=25),
    "EXPIRED": replace(RUNNING, phase="EXPIRED", numerals=0, remaining_ms=None, next_s=25),
}
FAULTY = replace(
    RUNNING,
    boards="off",
    boards_why="south: no answer three times in a row",
    board_health=(
        BoardHealth("north", "wrong", "33", "segment d stuck"),
        BoardHealth("south", "silent"),
        BoardHealth("west", "port fault", "", "adapter unplugged"),
        BoardHealth("east", "waiting"),
    ),
    handset_health=(
        HandsetHealth("belt pack", "field", "silent", 44, 2),
        HandsetHealth("radio", "keeper", "port fault", detail="stick unplugged"),
        HandsetHealth("console", "keeper", "heard"),
    ),
    journal="disk full since 19:01:44",
    alarms=("forged presses on the air", "another controller is on the boards' pair"),
    unauthenticated=True,
)
TEXTS = ("rules", "phase", "boards", "boards_why", "last", "by", "result", "reason", "starts_on")
HOSTILE_TEXTS: dict[str, Any] = dict.fromkeys((*TEXTS, "citation", "override", "journal"), HOSTILE)
WILD = Status(
    **HOSTILE_TEXTS,
    numerals=1_000_000,
    remaining_ms=-5,
    ruling_seconds=40,
    board_health=tuple(BoardHealth(HOSTILE, HOSTILE, HOSTILE, HOSTILE) for _ in range(40)),
    handset_health=tuple(HandsetHealth(HOSTILE, HOSTILE, HOSTILE, 1, 1, HOSTILE) for _ in range(9)),
    alarms=(HOSTILE,) * 9,
)
ALL = {**PHASES, "faulty": FAULTY, "wild": WILD}


def bare(status: Status, columns: int = 80, rows: int = 24, **more: Any) -> list[str]:
    """The lines of the screen without their styles."""
    about = {"keys": KEYS, "clock_text": "19:03:12"} | more
    return [SGR.sub("", each) for each in draw(status, columns=columns, rows=rows, **about)]


def words(status: Status, columns: int = 80, rows: int = 24) -> str:
    """All words of the screen, without the large ones and with single spaces."""
    return " ".join(re.sub("[█▓▒▀▄]", "", " ".join(bare(status, columns, rows))).split())


def styles_of(text: str, status: Status, look: Look) -> set[str]:
    drawn = draw(status, columns=80, rows=24, look=look)
    return set(re.findall(r"\x1b\[([0-9;]*)m[^\x1b]*" + re.escape(text), "\n".join(drawn)))


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", ALL)
def test_no_line_is_too_wide_and_none_too_many(name: str, size: tuple[int, int]) -> None:
    columns, rows = size
    for look in (Look(), Look(blocks=False, colour=False)):
        for entry, error in ((None, ""), ("", "no such ending"), (HOSTILE, HOSTILE), (None, "x")):
            drawn = bare(ALL[name], columns, rows, entry=entry, entry_error=error, look=look)
            assert 1 <= len(drawn) <= rows
            assert {len(each) for each in drawn} == {columns}
            assert all(each.isprintable() for each in drawn)
            assert look.blocks or all(each.isascii() for each in drawn)


def test_every_size_down_to_nothing_is_drawn() -> None:
    for columns in range(0, 130, 7):
        for rows in range(0, 45):
            drawn = draw(FAULTY, columns=columns, rows=rows)
            assert len(drawn) <= rows
            assert all(len(SGR.sub("", each)) == columns for each in drawn)


def test_nothing_but_styling_gets_through_from_outside() -> None:
    drawn = "".join(draw(WILD, columns=80, rows=24, entry=HOSTILE, clock_text=HOSTILE))
    assert set(re.findall(r"\x1b.{0,2}", SGR.sub("", drawn))) == set()


@pytest.mark.parametrize(
    ("phase", "brief", "said"),
    [
        (
            "IDLE",
            "NO COUNT",
            ("NO COUNT", "next: any number or DEAD BALL", "boards blank: no count"),
        ),
        ("SET", "HELD 40", ("HELD for the ready", "next: READY runs 40", "boards lit")),
        ("RUNNING", "RUNNING 38", ("RUNNING", "next: SNAP")),
        ("LIVE", "BALL LIVE 40", ("BALL LIVE", "next: DEAD BALL")),
        (
            "STOPPED",
            "STOPPED 13",
            ("STOPPED with 12.4 s left", "next: READY runs 25"),
        ),
        (
            "EXPIRED",
            "ZERO",
            ("ZERO", "next: as the official decides"),
        ),
    ],
)
def test_each_phase_is_said_in_a_keepers_words(
    phase: str, brief: str, said: tuple[str, ...]
) -> None:
    for size in ((80, 24), (100, 30), (60, 18)):
        assert [each for each in said if each not in words(PHASES[phase], *size)] == []
    assert phase_words(PHASES[phase]) == brief
    assert bare(PHASES[phase], 20, 5)[0].strip() == brief


@pytest.mark.parametrize(
    ("size", "height"), [((80, 24), 9), ((100, 30), 15), ((40, 12), 5), ((80, 20), 5)], ids=str
)
def test_the_numerals_are_as_large_as_the_screen_allows(size: tuple[int, int], height: int) -> None:
    drawn = bare(RUNNING, *size)
    expected = numeral_rows(38, height)
    assert [each[1 : 1 + len(expected[0])] for each in drawn[2 : 2 + height]] == list(expected)


def test_the_ink_tells_a_held_count_from_a_running_one() -> None:
    inks = {phase: {*"█▓▒#%:"} & {*bare(PHASES[phase])[10]} for phase in PHASES if phase != "IDLE"}
    held, runs = {"▓"}, {"█"}
    assert inks == {"SET": held, "STOPPED": held, "LIVE": {"▒"}, "RUNNING": runs, "EXPIRED": runs}
    ascii_row = bare(FOUL, look=Look(blocks=False))[2]
    assert ascii_row.startswith(" %%%      %%%")


def test_a_numeral_out_of_range_is_drawn_at_the_edge_of_it() -> None:
    for numerals, drawn_as in ((140, 99), (-3, 0)):
        row = bare(replace(RUNNING, numerals=numerals))[2]
        assert row[1:28] == numeral_rows(drawn_as, 9)[0]


def test_the_last_seconds_and_zero_stand_out_in_word_and_style() -> None:
    plain = Look(colour=False)
    five, six = replace(RUNNING, numerals=5), replace(RUNNING, numerals=6)
    assert "LAST 5 SECONDS" in words(five)
    assert "LAST 5 SECONDS" not in words(six)
    assert styles_of("RUNNING: LAST", five, plain) == {"1;7"}
    assert styles_of("█", five, plain) >= {"1;5"}
    assert styles_of("RUNNING", six, plain) == {"1"}
    assert styles_of("ZERO", PHASES["EXPIRED"], plain) == {"1;7"}


def test_a_mark_is_said_while_the_count_runs() -> None:
    assert "RUNNING (25 cued)" in words(replace(RUNNING, numerals=24, marked=25))


def test_the_last_order_and_the_ruling_are_said() -> None:
    assert "last: FLAG, defense only: 40 held (by handset 2)" in words(FOUL)
    assert f"ruling: 40 on the ready: {FOUL.citation}" in words(FOUL)
    assert "ruling: 40 at the dead ball: NFHS 3-6-1a(2)" in words(RUNNING)
    signal = replace(RUNNING, starts_on="referee_signal")
    assert "ruling: 40 on the referee's signal" in words(signal)
    none = replace(RUNNING, ruling_seconds=None, starts_on="")
    assert "ruling: no new count: NFHS 3-6-1a(2)" in words(none)
    assert "ruling" not in words(replace(RUNNING, citation="", ruling_seconds=None))
    assert "last:" not in words(replace(RUNNING, last=""))


def test_a_local_adoption_is_loud() -> None:
    adopted = "Pine County by-law 7: 25 after any foul"
    local = replace(FOUL, override=adopted, citation=adopted, ruling_seconds=25)
    assert f"LOCAL ADOPTION: {adopted} ruling: 25 on the ready" in words(local)
    assert styles_of("LOCAL ADOPTION", local, Look(colour=False)) == {"7"}
    both = replace(local, citation="NFHS 3-6-1a(1)e")
    assert "ruling: 25 on the ready: NFHS 3-6-1a(1)e" in words(both)


@pytest.mark.parametrize(
    ("result", "reason", "said", "style"),
    [
        ("refused", "the ball is in play", "DEAD BALL REFUSED: the ball is in play", "1;7"),
        ("assumed", "assumed: snap", "DEAD BALL: 40 running (assumed: nobody pressed SNAP)", "7"),
        ("no change", "the same press again", "DEAD BALL: no change, the same press again", "1"),
        ("running", "", "DEAD BALL: 40 running", "1"),
    ],
)
def test_a_result_out_of_the_ordinary_stands_out_with_its_reason(
    result: str, reason: str, said: str, style: str
) -> None:
    assumed = "snap" if result == "assumed" else ""
    status = replace(RUNNING, result=result, reason=reason, assumed=assumed)
    assert said in words(status)
    first = said.partition(": ")[0]
    assert styles_of(f"last: {first}", status, Look(colour=False)) == {style}
    assert first in words(status, 40, 12)


def test_a_play_without_an_end_is_asked_about_at_every_size() -> None:
    live = replace(PHASES["LIVE"], nudged=True)
    for size in ((80, 24), (60, 18), (60, 5)):
        assert DID_IT_END in words(live, *size)
    assert styles_of(DID_IT_END, live, Look(colour=False)) == {"7"}
    assert "next: DEAD BALL" not in words(live)


def test_the_wall_time_of_a_mark_is_said() -> None:
    marked = replace(RUNNING, event="MarkMoment", last="moment marked", result="held")
    said = " ".join(bare(marked, ordered_text="19:03:12", clock_text="19:04:00"))
    assert "last: marked 19:03:12" in said


@pytest.mark.parametrize(
    "said",
    [
        "BOARDS OFF: south: no answer three times in a row (BOARDS OFF key relights)",
        "ALARM forged presses on the air",
        "ALARM another controller is on the boards' pair",
        "WRONG board north: shows 33, segment d stuck",
        "SILENT board south",
        "PORT FAULT board west: adapter unplugged",
        "SILENT handset belt pack (field): 44 s ago, battery 2 h",
        "PORT FAULT handset radio (keeper): stick unplugged",
        "JOURNAL not written: disk full since 19:01:44",
        "OPEN INPUT unauthenticated",
        "waiting board east",
    ],
)
def test_each_fault_is_said(said: str) -> None:
    assert said in words(FAULTY, 80, 26)
    label = re.split(" (?=[a-z])|:", said)[0]
    if said != "waiting board east":
        assert any(style.endswith("7") for style in styles_of(label, FAULTY, Look(colour=False)))


def test_boards_that_do_not_show_the_count_are_said_in_large_letters() -> None:
    rows = {name: bare(status)[2:5] for name, status in ALL.items()}
    assert rows["faulty"] != rows["RUNNING"]
    assert all(
        "1;7" in styles_of(row[31:70].strip(), FAULTY, Look(colour=False)) for row in rows["faulty"]
    )
    assert "RUNNING" in words(FAULTY)
    dark = replace(RUNNING, boards_why="boards differ")
    assert boards_words(dark) == ("BOARDS DARK: boards differ", True)
    assert boards_words(replace(RUNNING, boards="off")) == ("BOARDS OFF: reason unknown", True)
    assert boards_words(replace(FAULTY, board_health=()))[0].startswith("no boards")


def test_a_long_reason_for_dark_boards_is_said_to_its_end() -> None:
    why = "port fault: " + " ".join(f"part{n}" for n in range(20)) + " end"
    assert words(replace(RUNNING, boards="off", boards_why=why)).replace("BOARDS", "").count("end")


def test_faults_come_before_what_is_well_and_the_keys_go_first() -> None:
    said = words(FAULTY, 60, 18)
    assert "JOURNAL" in said
    assert "TIME-OUT" not in said
    small = bare(FAULTY, 40, 12)
    assert small[-1].strip() == "and 5 more faults"
    assert "ALARM" in small[7]


def test_one_line_keeps_count_boards_and_fault() -> None:
    (only,) = bare(FAULTY, 120, 3)
    assert only.startswith("RUNNING 38 BOARDS OFF: south: no answer three times in a row  ALARM")
    assert bare(RUNNING, 20, 5) == ["RUNNING 38".ljust(20)]
    assert bare(RUNNING, 30, 5, entry="count 1") == [":count 1  RUNNING 38".ljust(30)]
    assert bare(RUNNING, 30, 5, entry_error="no")[0].rstrip() == "RUNNING 38 no"


def test_the_header_names_rules_game_down_and_time() -> None:
    assert words(RUNNING).startswith(
        "PLAY CLOCK High school (NFHS) 2025 game 3 play 41 19:03:12 boards lit"
    )


def test_all_keys_are_explained_where_there_is_room() -> None:
    for size in ((80, 24), (100, 30), (130, 24)):
        said = words(RUNNING, *size)
        assert [key for key in KEYS if " ".join(key) not in said] == []
    crowded = words(replace(RUNNING, alarms=("a", "b", "c", "d")))
    assert (
        "d DEAD BALL r READY s SNAP 2 25 4 40 x STOP f FLAG t TIME-OUT i INJURY p SCORE" in crowded
    )


def test_the_explained_keys_are_the_terminals_keys() -> None:
    expected = {*terminal.KEYS, *terminal.HOLDS, terminal.OPEN_ENTRY, terminal.QUIT}
    assert {key for key, _ in KEYS} == expected


def test_the_entry_line_shows_what_is_typed_its_help_and_its_error() -> None:
    asked, typed = bare(RUNNING, entry="incomplete pa")[-2:]
    assert "count 17" in asked
    assert typed.startswith(" :incomplete pa   Enter gives it, Esc drops it")
    error, typed = bare(RUNNING, entry="", entry_error="unknown fact 'fou'")[-2:]
    assert error.strip() == "unknown fact 'fou'"
    assert typed.startswith(" :  ")
    assert bare(RUNNING, entry_error="unknown fact 'fou'")[-1].strip() == "unknown fact 'fou'"
    assert bare(RUNNING, 40, 12, entry="count 17")[-1].startswith(" :count 17")
    assert bare(RUNNING, entry="x" * 60 + "end")[-1].startswith(" :" + "x" * 37 + "end ")


def test_the_phases_are_those_of_the_rules() -> None:
    assert {phase.__name__.upper() for phase in phases.PHASES} == set(PHASES)
