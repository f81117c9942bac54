"""Events: their range, and that each can be told in plain words."""

from __future__ import annotations

from typing import get_args

import pytest

from controller.rules import events
from controller.rules.effects import Result
from controller.rules.phases import Boards, Off, StartedBy

EVERY: list[events.Event] = [
    events.PlayEnded("incomplete_pass"),
    events.PlayEnded("foul", frozenset({"by_defense_only", "fourth_down"})),
    events.HoldNumber(events.Number.ROUTINE),
    events.HoldNumber(events.Number.ADMINISTRATIVE),
    events.RunNumber(events.Number.ROUTINE),
    events.RunNumber(events.Number.ADMINISTRATIVE),
    events.Ready(),
    events.Snap(),
    events.Stop(),
    events.NoCount(),
    events.NoCount(True),
    events.SetCount(0),
    events.SetCount(99),
    events.Undo(),
    events.ToggleBoards(),
    events.BoardsFault("no answer"),
    events.MarkMoment(),
    events.Score(),
]


@pytest.mark.parametrize("seconds", [-1, 100, 10**9])
def test_a_count_is_0_to_99(seconds: int) -> None:
    with pytest.raises(ValueError, match=rf"count {seconds}: must be 0 to 99 seconds"):
        events.SetCount(seconds)


def test_every_event_has_words_of_its_own() -> None:
    assert {type(event) for event in EVERY} == set(get_args(events.Event))
    words = [events.plain(event, 40, 25) for event in EVERY]
    assert all(words) and len(set(words)) == len(words)
    assert events.Order(events.Ready(), 7) == events.Order(
        events.Ready(), 7, 0, events.Role.KEEPER, None, False, None
    )
    assert not any("_" in each for each in words)


def test_the_words_name_ending_and_facts_in_one_order() -> None:
    assert events.plain(EVERY[0], 40, 25) == "incomplete pass"
    assert events.plain(events.BoardsFault("no answer"), 40, 25) == "boards off: no answer"
    assert events.plain(EVERY[1], 40, 25) == "foul (by defense only, fourth down)"


def test_the_words_of_the_record() -> None:
    """As the journal keeps them and its readers find them: a change is a new column, not a word."""
    words = {event: events.plain(event, 40, 25) for event in EVERY}
    assert words[events.NoCount()] == "no count"
    assert words[events.NoCount(True)] == "no count, period over"
    assert words[events.Ready()] == "ready for play"
    assert words[events.Snap()] == "snap or free kick"
    assert words[events.MarkMoment()] == "moment marked"
    assert {each.value for each in events.Role} == {"keeper", "field", "shadow", "service"}
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
    assert {each.value for each in events.Number} == {"routine", "administrative"}
