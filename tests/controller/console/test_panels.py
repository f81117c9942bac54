"""What stands below the numerals: faults, what is well, the keys, the entry line."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.console.panels import KEYS, faults, footer, lower, refused, well
from controller.console.style import Piece
from controller.status.document import BoardHealth, HandsetHealth, Refused, Status
from tests.controller.fakes import Game, game_with

ALL_WELL = Status(
    rules="school 2026",
    phase="SET",
    numerals=25,
    remaining_ms=None,
    boards="lit",
    boards_why="",
    board_health=(BoardHealth("north", "right", "25", "24.1 V"), BoardHealth("south")),
    handset_health=(HandsetHealth("belt pack", "field", "heard", 7, 61),),
)
ILL = replace(
    ALL_WELL,
    board_health=(BoardHealth("north", "wrong", "33"), BoardHealth("south", "right", "25")),
    handset_health=(HandsetHealth("belt pack", "field", "silent", 44),),
    journal="disk full",
    alarms=("someone is transmitting",),
    unauthenticated=True,
)


def text(lines: list[list[Piece]]) -> list[str]:
    return ["".join(words for _, words in line).strip() for line in lines]


def styles(lines: list[list[Piece]]) -> list[str]:
    return [line[0][0] for line in lines]


def test_faults_come_most_urgent_first_and_the_rest_is_well() -> None:
    assert text(faults(ILL)) == [
        "ALARM      someone is transmitting",
        "WRONG      board north: shows 33",
        "SILENT     handset belt pack (field): 44 s ago",
        "JOURNAL    not written: disk full",
        "OPEN INPUT unauthenticated: a stranger could press its keys",
    ]
    assert styles(faults(ILL)) == ["loud"] * 4 + ["caution"]
    assert text(well(ILL)) == ["right      board south: shows 25"]


def test_a_record_that_is_not_the_one_that_was_left_is_said() -> None:
    cut = replace(ALL_WELL, journal_doubt="the journal ends at row 4: rows cut off")
    assert text(faults(cut)) == ["RECORD     the journal ends at row 4: rows cut off"]
    assert styles(faults(cut)) == ["loud"]


def test_the_record_s_head_is_there_to_be_noted_while_there_is_no_count() -> None:
    head = replace(ALL_WELL, journal_head="1234:7f3a-91c2-0d4e-88b1")
    assert text(well(head)) == text(well(ALL_WELL))
    over = text(well(replace(head, phase="IDLE")))
    assert over[-1] == "record     ends with 1234:7f3a-91c2-0d4e-88b1: for the game's sheet"


def test_what_is_well_is_good_once_it_was_heard() -> None:
    assert faults(ALL_WELL) == []
    assert text(well(ALL_WELL)) == [
        "right      board north: shows 25, 24.1 V",
        "waiting    board south",
        "heard      handset belt pack (field): 7 s ago, battery 61 h",
    ]
    assert styles(well(ALL_WELL)) == ["good", "waits", "good"]


def test_what_was_refused_is_one_line_with_its_counts_and_stands_out_while_it_goes_on() -> None:
    assert refused(ALL_WELL) == []
    counts = (Refused("bad tag", "handset 1", 1200, 97), Refused("unknown handset", "", 34, 0))
    lately = refused(replace(ALL_WELL, refused=counts))
    assert text(lately) == [
        "REFUSED    1234 frames, 97 in the last minute: "
        "bad tag 1200 (handset 1), unknown handset 34"
    ]
    over = tuple(replace(each, last_minute=0) for each in counts)
    assert styles(lately) + styles(refused(replace(ALL_WELL, refused=over))) == ["caution", "plain"]


def test_a_handset_is_not_called_one_twice() -> None:
    named = replace(ALL_WELL, handset_health=(HandsetHealth("handset 1", "keeper", "heard", 2),))
    assert text(well(named))[-1] == "heard      handset 1 (keeper): 2 s ago"


@game_with(mute_south=True)
async def test_a_board_that_cannot_answer_is_sent_and_never_in_the_style_of_right(
    game: Game,
) -> None:
    await game.present(2)
    status = game.status
    assert faults(status) == []
    lines = well(status)
    assert "sent       board south: cannot say what it shows" in text(lines)
    named = dict(zip((each.split()[0] for each in text(lines)), styles(lines), strict=True))
    assert (named["sent"], named["right"]) == ("waits", "good")


def test_the_lower_part_fills_its_room_exactly_and_loses_the_keys_first() -> None:
    bad, good = faults(ILL), well(ILL)
    roomy = text(lower(bad, good, KEYS, 80, 24))
    assert len(roomy) == 24
    assert any(each.startswith("d  DEAD BALL: runs the routine count") for each in roomy)
    brief = text(lower(bad, good, KEYS, 80, len(bad) + len(good) + 2))
    assert brief[-2].startswith("d  DEAD BALL  r  READY")
    assert text(lower(bad, good, KEYS, 80, len(bad) + len(good) + 1))[-1] == ""
    assert text(lower(bad, good, KEYS, 80, len(bad))) == text(bad)
    assert text(lower(bad, good, KEYS, 80, 3))[2] == "and 3 more faults"


@pytest.mark.parametrize(
    ("entry", "error", "tall", "said"),
    [
        (None, "", True, [":  types an ending or a count   q  quits, boards dark"]),
        (None, "", False, []),
        (None, "no such ending", True, ["no such ending"]),
        ("count 1", "", False, [":count 1   Enter gives it, Esc drops it"]),
        ("x", "what?", True, ["what?", ":x   Enter gives it, Esc drops it"]),
    ],
)
def test_the_footer(entry: str | None, error: str, tall: bool, said: list[str]) -> None:
    assert text(footer(KEYS, entry, error, 80, tall=tall)) == said


def test_an_open_entry_of_a_tall_screen_has_help_above_it() -> None:
    help_line, line = text(footer(KEYS, "", "", 80, tall=True))
    assert help_line.startswith("how the play ended") and line.startswith(":")
