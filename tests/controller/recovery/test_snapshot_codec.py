"""A snapshot read back is what was kept, for every state that a game can come to."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.journal.recorder import Recent
from controller.journal.row import Dated, row_text
from controller.recovery.snapshot_codec import (
    FORM,
    Checkpoint,
    Identity,
    PendingOrder,
    SnapshotError,
    SnapshotText,
    read,
)
from controller.rules import events
from controller.rules.phases import Off
from controller.rules.play_clock import PlayClock, State
from tests.controller.fakes import RULES, S
from tests.controller.journal_rows import row

IDENTITY = Identity("/var/lib/playclock", "boot-a", "0.1.0", "rules-1")
EVENTS: list[events.Event] = [
    events.PlayEnded("incomplete_pass"),
    events.PlayEnded("incomplete_pass", frozenset({"fourth_down", "new_series"})),
    events.PlayEnded("time_out"),
    events.HoldNumber(events.Number.ROUTINE),
    events.RunNumber(events.Number.ADMINISTRATIVE),
    events.Ready(),
    events.Snap(),
    events.Stop(),
    events.NoCount(period_over=True),
    events.SetCount(17),
    events.Undo(),
    events.ToggleBoards(),
    events.BoardsFault("north does not answer"),
    events.MarkMoment(),
]


def checkpoint(**changes: Any) -> Checkpoint:
    usual = Checkpoint(
        saved_at=3_000 * S,
        game=4,
        event_number=17,
        numbered=True,
        state=State(),
    )
    return replace(usual, **changes)


@pytest.mark.full
@settings(max_examples=200, deadline=None)
@given(
    steps=st.lists(
        st.tuples(
            st.sampled_from(EVENTS),
            st.integers(0, 60 * S),
            st.sampled_from([events.Role.KEEPER, events.Role.FIELD]),
        ),
        max_size=30,
    )
)
def test_every_state_of_a_game_comes_back_the_same(
    steps: list[tuple[events.Event, int, events.Role]],
) -> None:
    play_clock, maker, at = PlayClock(RULES), SnapshotText(IDENTITY), 1_000 * S
    for event, later_ns, role in steps:
        at += later_ns
        play_clock.handle(events.Order(event, at, 1, role, at, amends=False), at)
        kept = checkpoint(state=play_clock.state, gesture=play_clock.gesture, saved_at=at)
        assert read(maker.whole(kept)) == (IDENTITY, kept, (), None)


def test_everything_else_comes_back_the_same() -> None:
    kept = checkpoint(
        in_order=True,
        numbered=False,
        state=State(off=Off.FAULT),
        off_why='a "quoted" reason, in Łódź',
        dark_why="north does not answer",
        rows_left_out=3,
    )
    rows = [Dated(row(5, facts=("fourth_down",), handset=1, detail="é"), 99), Dated(row(6), 100)]
    text = SnapshotText(IDENTITY).whole(replace(kept, rows=[row_text(each) for each in rows]))
    assert read(text) == (IDENTITY, kept, tuple(rows), None)


@pytest.mark.parametrize(
    "change",
    [
        {"form": FORM + 1},
        {"form": None},
        {"standing": []},
        {"moment": [1, 2]},
        {"state": [[["Nowhere"], [], None, None, 0], None, [], None]},
        {"state": [[["Running", 40], [], None, None, 0], None, [], None]},
        {"state": [[["Idle"], [], None, None, 0], "SLEEPY", [], None]},
        {"state": [[["Idle"], [], None, None, 0], None, [[["Idle"], "KEEPER"]], None]},
        {"state": [[["Idle"], [], None, None, 0], None, [], [["Sing"], 1, 1, "KEEPER", None, 1]]},
        {"gesture": [1]},
        {"rows": [[1, 2, 3]]},
    ],
)
def test_what_is_no_snapshot_is_said_to_be_none(change: dict[str, Any]) -> None:
    raw = json.loads(SnapshotText(IDENTITY).whole(checkpoint())) | change
    with pytest.raises(SnapshotError):
        read(json.dumps(raw).encode())


@given(st.one_of(st.binary(max_size=60), st.text(max_size=60).map(str.encode)))
def test_whatever_the_text_is_only_that_error_comes(text: bytes) -> None:
    with pytest.raises(SnapshotError):
        read(text)


@pytest.mark.parametrize("number", ["1e999", "1.5", "NaN", "-Infinity"])
def test_a_fraction_is_no_instant(number: str) -> None:
    text = SnapshotText(IDENTITY).whole(checkpoint()).replace(b"3000000000000", number.encode())
    with pytest.raises(SnapshotError, match="no whole number"):
        read(text)


def test_a_text_without_a_part_names_it() -> None:
    raw = json.loads(SnapshotText(IDENTITY).whole(checkpoint()))
    del raw["state"]
    with pytest.raises(SnapshotError, match="state"):
        read(json.dumps(raw).encode())


@pytest.mark.parametrize("event", EVENTS)
@pytest.mark.parametrize("handset", [None, 0, 254])
def test_an_order_comes_back_the_same(event: events.Event, handset: int | None) -> None:
    maker = SnapshotText(IDENTITY)
    taps_at, left_s = (None, 38) if handset else (6 * S, None)
    order = events.Order(event, 7 * S, handset, events.Role.FIELD, taps_at, bool(handset), left_s)
    pending = PendingOrder(order, 8 * S, 9 * S, 10)
    text = maker.whole(checkpoint())
    assert read(text, maker.line(pending)).pending == pending
    assert read(text, maker.line(pending)).pending == pending, "also from memory"


@given(st.binary(max_size=60))
def test_whatever_the_line_is_only_that_error_comes(line: bytes) -> None:
    with pytest.raises(SnapshotError):
        read(SnapshotText(IDENTITY).whole(checkpoint()), line)


def test_the_keeper_and_the_orders_that_may_be_taken_back_come_back() -> None:
    kept = checkpoint(keeper=17, recent=(Recent(5, 1, 3), Recent(6, None, 4)))
    found = read(SnapshotText(IDENTITY).whole(kept)).checkpoint
    assert (found.keeper, found.recent) == (17, kept.recent)
