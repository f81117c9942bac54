from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.base import DARK, Answered, Face
from drivers.board.messages import NodeFlag, NodeStatus
from drivers.board.segments import DARK_SEGMENTS, LAMP_TEST_SEGMENTS, segments
from drivers.board.verification import Query, judge, silence

NO_FLAGS = NodeFlag(0)


def status(
    lamps: tuple[int, int], *, brightness: int = 15, flags: NodeFlag = NO_FLAGS
) -> NodeStatus:
    return NodeStatus(1, 7, lamps, brightness, flags, 118, 3, 2, 3600, 1)


@pytest.mark.parametrize(
    ("face", "lit", "lamps", "expected"),
    [
        (Face(25), True, segments(25), "25"),
        (Face(0), True, segments(0), "0"),
        (Face(25), False, DARK_SEGMENTS, "dark"),
        (DARK, True, DARK_SEGMENTS, "dark"),
        (Face(None, lamp_test=True), True, LAMP_TEST_SEGMENTS, "lamp test"),
    ],
)
def test_what_was_ordered_is_right(
    face: Face, lit: bool, lamps: tuple[int, int], expected: str
) -> None:
    report = judge("north", Query(1, 7, face, lit, 123), status(lamps))
    assert report.answered is Answered.RIGHT
    assert (report.board, report.expected, report.seen) == ("north", expected, expected)
    assert (report.shown_at, report.supply_v, report.uptime_s) == (123, 11.8, 3600)
    assert (report.frame_errors, report.foreign_frames, report.notes) == (3, 2, ())


def test_every_difference_and_flag_is_said_in_plain_words() -> None:
    flags = NodeFlag.WATCHDOG | NodeFlag.DARK_BY_SILENCE
    fresh = replace(status((0x5B, 0x7E), brightness=3, flags=flags), uptime_s=0)
    report = judge("south", Query(1, 7, Face(25), True, 0), fresh)
    assert report.answered is Answered.WRONG
    assert report.notes == (
        "shows segments 5B7E, not 25",
        "brightness 3, not 15",
        "went dark by silence",
        "last reset by its watchdog",
    )


def test_every_flag_has_its_words() -> None:
    question = Query(1, 7, Face(25), True, 0)
    fresh = [replace(status(segments(25), flags=flag), uptime_s=59) for flag in NodeFlag]
    notes = [judge("n", question, each).notes for each in fresh]
    assert all(len(words) == 1 for words in notes)
    assert len(set(notes)) == len(NodeFlag)


def test_the_cause_of_a_reset_is_told_for_a_minute_only() -> None:
    answer = status(segments(25), flags=NodeFlag.BROWN_OUT)
    told = [
        judge("n", Query(1, 7, Face(25), True, 0), replace(answer, uptime_s=s)).notes
        for s in (59, 60)
    ]
    assert told == [("last reset by a drop of its supply",), ()]


def test_only_the_asked_node_with_the_stamp_that_asked_answers() -> None:
    assert Query(1, 7, Face(25), True, 0).is_answered_by(status(segments(24)))
    assert not Query(1, 8, Face(25), True, 0).is_answered_by(status(segments(25)))
    assert not Query(2, 7, Face(25), True, 0).is_answered_by(status(segments(25)))


def test_silence_says_what_was_expected_and_whether_answers_came_late() -> None:
    question = Query(1, 7, Face(25), True, 9)
    assert silence("north", question, 0).answered is Answered.SILENT
    assert (silence("north", question, 0).expected, silence("north", question, 0).seen) == (
        "25",
        "",
    )
    assert silence("north", question, 0).notes == ()
    assert silence("north", question, 4).notes == ("answers that came too late: 4",)
