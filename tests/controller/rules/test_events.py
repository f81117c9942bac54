"""Events: their range, and that each can be told in plain words."""

from __future__ import annotations

from typing import get_args

import pytest

from controller.rules.effects import Result
from controller.rules.events import (
    BoardsFault,
    Event,
    HoldNumber,
    MarkMoment,
    NoCount,
    Number,
    Order,
    PlayEnded,
    Ready,
    Role,
    RunNumber,
    SetCount,
    Snap,
    Stop,
    ToggleBoards,
    Undo,
    plain,
)
from controller.rules.phases import Boards, Off, StartedBy

EVERY: list[Event] = [
    PlayEnded("incomplete_pass"),
    PlayEnded("foul", frozenset({"by_defense_only", "fourth_down"})),
    HoldNumber(Number.ROUTINE),
    HoldNumber(Number.ADMINISTRATIVE),
    RunNumber(Number.ROUTINE),
    RunNumber(Number.ADMINISTRATIVE),
    Ready(),
    Snap(),
    Stop(),
    NoCount(),
    NoCount(True),
    SetCount(0),
    SetCount(99),
    Undo(),
    ToggleBoards(),
    BoardsFault("no answer"),
    MarkMoment(),
]


@pytest.mark.parametrize("seconds", [-1, 100, 10**9])
def test_a_count_is_0_to_99(seconds: int) -> None:
    with pytest.raises(ValueError, match=rf"count {seconds}: must be 0 to 99 seconds"):
        SetCount(seconds)


def test_every_event_has_words_of_its_own() -> None:
    assert {type(event) for event in EVERY} == set(get_args(Event))
    words = [plain(event, 40, 25) for event in EVERY]
    assert all(words) and len(set(words)) == len(words)
    assert Order(Ready(), 7) == Order(Ready(), 7, 0, Role.KEEPER, None, False, None)
    assert not any("_" in each for each in words)


def test_the_words_name_ending_and_facts_in_one_order() -> None:
    assert plain(EVERY[0], 40, 25) == "play ended: incomplete pass"
    assert plain(BoardsFault("no answer"), 40, 25) == "boards off: no answer"
    assert plain(EVERY[1], 40, 25) == "play ended: foul (by defense only, fourth down)"


def test_the_words_of_the_record() -> None:
    """As the journal keeps them and its readers find them: a change is a new column, not a word."""
    words = {event: plain(event, 40, 25) for event in EVERY}
    assert words[NoCount()] == "no count"
    assert words[NoCount(True)] == "no count, period over"
    assert words[Ready()] == "ready for play"
    assert words[Snap()] == "snap or free kick"
    assert words[MarkMoment()] == "moment marked"
    assert {each.value for each in Role} == {"keeper", "field", "shadow", "service"}
    assert {each.value for each in Result} == {
        "running",
        "held",
        "no change",
        "refused",
        "assumed",
    }
    assert {each.value for each in Boards} == {"lit", "blank", "off"}
    assert {each.value for each in Off} == {"ordered", "fault"}
    assert {each.value for each in StartedBy} == {"dead ball", "ready", "referee"}
    assert {each.value for each in Number} == {"routine", "administrative"}
