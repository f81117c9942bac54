"""The boards' answers of one count: which count they are of, and what they come to."""

from __future__ import annotations

import pytest

from controller.journal.recorder import Tally
from controller.rules.phases import (
    Expired,
    Idle,
    Live,
    Phase,
    Running,
    Set,
    StartedBy,
    Stopped,
)
from controller.service.answer_tally import AnswerTally
from drivers.base import Answered

RUNNING = Running(25, 0, 25, StartedBy.READY)
AGAIN = Running(25, 9, 34, StartedBy.REFEREE)


def one_answer_in(phase: Phase) -> AnswerTally:
    tally = AnswerTally(phase)
    tally.answered("north", Answered.RIGHT)
    return tally


def test_a_tally_names_the_boards_that_did_not_always_answer_right() -> None:
    tally = AnswerTally(RUNNING)
    for answered in (Answered.RIGHT, Answered.RIGHT, Answered.SILENT, Answered.WRONG):
        tally.answered("north", Answered.RIGHT)
        tally.answered("south", answered)
    assert tally.now_in(Live(40, 9)) == Tally(8, 6, 1, 1, "south 1 wrong, south 1 silent")


@pytest.mark.parametrize(
    ("before", "after"), [(Set(25), RUNNING), (RUNNING, Expired()), (RUNNING, RUNNING)]
)
def test_a_held_number_that_runs_and_a_count_that_runs_out_are_one_count(
    before: Phase, after: Phase
) -> None:
    tally = one_answer_in(before)
    assert tally.now_in(after) is None
    tally.answered("north", Answered.RIGHT)
    assert tally.now_in(Live(40, 9)) == Tally(2, 2, 0, 0)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (RUNNING, AGAIN),
        (RUNNING, Set(25)),
        (RUNNING, Stopped(25, 7)),
        (Set(40), Set(25)),
        (Set(40), RUNNING),
        (Expired(), Live(40, 9)),
        (Set(25), Idle()),
    ],
)
def test_anything_else_ends_the_count(before: Phase, after: Phase) -> None:
    tally = one_answer_in(before)
    assert tally.now_in(after) == Tally(1, 1, 0, 0)
    assert tally.ended() is None


@pytest.mark.parametrize("phase", [Idle(), Live(40, 9)])
def test_without_a_count_nothing_is_tallied(phase: Phase) -> None:
    tally = one_answer_in(phase)
    assert tally.now_in(RUNNING) is None
    assert tally.ended() is None
