"""What is said of displays that are no nodes."""

from __future__ import annotations

import pytest

from controller.check.displays import Displays
from controller.check.report import Verdict
from drivers.base import Answered
from tests.controller.fakes import FakeBoard, report
from tests.shared.virtual_time import VirtualClock

RIGHT = report("north", Answered.RIGHT, "25")
WRONG = report("north", Answered.WRONG, "28")
SILENT = report("north", Answered.SILENT)


@pytest.mark.parametrize(
    ("reports", "verdict", "words"),
    [
        ([RIGHT, RIGHT], Verdict.OK, "north showed all that it was told"),
        ([RIGHT, WRONG], Verdict.WRONG, "north showed 28 when told 28"),
        ([RIGHT, SILENT], Verdict.LOOK, "north: 1 of 2 answers missing"),
        ([SILENT] * 3, Verdict.WRONG, "north does not answer: asked 3 times"),
        ([], Verdict.WRONG, "north does not answer: asked 0 times"),
    ],
)
def test_a_display_that_can_answer_is_judged_by_its_answers(
    reports: list[object], verdict: Verdict, words: str
) -> None:
    displays = Displays()
    for each in reports:
        displays.board_answered(each)  # type: ignore[arg-type]
    first, switch = displays.findings(FakeBoard(VirtualClock(), "north"))
    assert (first.verdict, first.what) == (verdict, words)
    assert switch.verdict is Verdict.LOOK and "supply switch" in switch.do


def test_one_that_cannot_is_never_ok_and_its_switch_is_named() -> None:
    (found,) = Displays().findings(FakeBoard(VirtualClock(), "north", mute=True))
    assert found.verdict is Verdict.LOOK and "cannot say what it shows" in found.what
    assert "only its supply switch darkens it" in found.do
