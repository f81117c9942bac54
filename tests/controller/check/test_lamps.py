"""Which lamps are stuck, from a board's answers."""

from __future__ import annotations

import pytest

from controller.check.lamps import Answer, lamp_findings
from controller.check.report import Verdict
from drivers.base import Face
from drivers.board.messages import NodeFlag, Status
from drivers.board.segments import LAMP_TEST_SEGMENTS, segments
from drivers.board.verification import Query, judge, silence

FACES = (Face(None), Face(None, lamp_test=True), Face(40), Face(25), Face(7), Face(0))


def answers(
    lit: tuple[int, int] = (0, 0), dead: tuple[int, int] = (0, 0), brightness: int = 15
) -> list[Answer]:
    """A board with lamps that are always lit, or dead."""
    made = [Answer(silence("north", Query(1, 0, FACES[0], True, 0), 0), None, None)]
    for stamp, face in enumerate(FACES):
        question = Query(1, stamp, face, True, 0)
        tens, units = LAMP_TEST_SEGMENTS if face.lamp_test else segments(face.numerals)
        lamps = (tens | lit[0]) & ~dead[0], (units | lit[1]) & ~dead[1]
        status = Status(1, stamp, lamps, brightness, NodeFlag(0), 120, 0, 0, 9, 1)
        made.append(Answer(judge("north", question, status), 11.0, status))
    return made


def test_a_good_board_is_told_with_its_brightness() -> None:
    (found,) = lamp_findings("north", answers())
    assert found.verdict is Verdict.OK and "brightness 15 of 15" in found.what


@pytest.mark.parametrize(
    ("lit", "dead", "words"),
    [
        ((0, 0), (0x40, 0), ["tens: middle bar never lit"]),
        ((0, 0), (0, 0x81), ["units: top bar never lit", "units: point never lit"]),
        ((0x10, 0), (0, 0), ["tens: lower left bar never dark"]),
        ((0, 0x02), (0x20, 0), ["tens: upper left bar never lit", "units: upper right bar never"]),
        ((0, 0), (0, 0xFF), ["units: every lamp never lit"]),
    ],
)
def test_stuck_lamps_are_named_with_their_digit(
    lit: tuple[int, int], dead: tuple[int, int], words: list[str]
) -> None:
    (found,) = lamp_findings("north", answers(lit, dead))
    assert found.verdict is Verdict.WRONG
    for each in words:
        assert each in found.what
    assert found.what.count("never") == len(words)


def test_a_lie_names_what_was_shown_and_what_was_told() -> None:
    (found,) = lamp_findings("north", answers(dead=(0x6D ^ 0x06, 0)))
    assert "when told 25" in found.what and "when told 7" not in found.what


def test_another_brightness_wants_a_look() -> None:
    (found,) = lamp_findings("north", answers(brightness=3))
    assert found.verdict is Verdict.LOOK and "brightness 3, not 15" in found.what
