"""Gestures of both layouts: taps, doubles, holds, two number keys at once."""

from __future__ import annotations

import pytest

from controller.rules import events
from controller.rules.gestures import (
    FOUR,
    HOLD_NS,
    LAYOUTS,
    REPEAT_NS,
    TOGETHER_NS,
    TWELVE,
    Gesture,
    Gestures,
)
from controller.rules.phases import Live, Set
from drivers.base import Key
from tests.controller.rules import orders
from tests.controller.rules.crew import SCHOOL, Crew, in_phase

MS = 1_000_000
S = 1000 * MS


def test_twelve_keys_and_four_are_keys_of_the_drivers() -> None:
    assert set(TWELVE) == {key.name for key in Key}
    assert set(FOUR) == {"NUMBER_40", "NUMBER_25", "READY", "UNDO"}
    assert set(FOUR) < set(TWELVE)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_hold_has_taps_that_mean_the_same(layout: str) -> None:
    for key, meaning in LAYOUTS[layout].items():
        if meaning.held is not None:
            assert meaning.held in meaning.taps, key


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_ending_of_a_key_is_known_to_the_rule_set(layout: str) -> None:
    for meaning in LAYOUTS[layout].values():
        for event in (*meaning.taps, meaning.held):
            if isinstance(event, events.PlayEnded):
                SCHOOL.check(event.ending, event.facts)


# The design's keys, typed in: what one, two, ... taps mean in the end.
MEANT: dict[str, dict[str, list[events.Event | None]]] = {
    "twelve": {
        "DEAD_BALL": [orders.DEAD_BALL, orders.DEAD_BALL, orders.DEAD_BALL],
        "READY": [orders.READY, orders.READY],
        "NUMBER_25": [orders.HOLD_25, orders.RUN_25, events.Score(), events.Score()],
        "SNAP": [events.Snap(), events.Snap()],
        "NUMBER_40": [orders.HOLD_40, orders.RUN_40, orders.RUN_40],
        "STOP": [orders.STOP, orders.STOP],
        "FLAG": [
            orders.ending("foul"),
            orders.ending("foul_defense"),
            orders.ending("foul_defense"),
        ],
        "TIME_OUT": [orders.ending("charged_timeout"), orders.ending("official_timeout")],
        "INJURY": [orders.ending("injury_or_helmet_any"), orders.ending("injury_defense")],
        "UNDO": [events.Undo(), events.Undo(), events.Undo(), events.Undo(), events.Undo()],
        "NO_COUNT": [events.NoCount(), events.NoCount(), events.NoCount(True)],
        "BOARDS_OFF": [
            events.MarkMoment(),
            None,
            None,
            events.ToggleBoards(),
            events.ToggleBoards(),
        ],
    },
    "four": {
        "NUMBER_40": [orders.DEAD_BALL, orders.DEAD_BALL, orders.HOLD_40, orders.HOLD_40],
        "NUMBER_25": [orders.HOLD_25, orders.RUN_25, events.Score()],
        "READY": [orders.READY, orders.READY],
        "UNDO": [
            events.Undo(),
            events.Undo(),
            events.Undo(),
            events.ToggleBoards(),
            events.ToggleBoards(),
        ],
    },
}
HELD: dict[str, dict[str, events.Event]] = {
    "twelve": {
        "NUMBER_25": events.Score(),
        "NO_COUNT": events.NoCount(True),
        "BOARDS_OFF": events.ToggleBoards(),
    },
    "four": {
        "NUMBER_25": events.Score(),
        "NUMBER_40": orders.HOLD_40,
        "UNDO": events.ToggleBoards(),
    },
}
KEYS = [(layout, key) for layout in MEANT for key in MEANT[layout]]


@pytest.mark.parametrize(("layout", "key"), KEYS)
def test_taps(layout: str, key: str) -> None:
    gestures = Gestures(layout)
    at = 1000 * S
    for count, meant in enumerate(MEANT[layout][key]):
        gesture = gestures.pressed(key, False, at + count * REPEAT_NS)
        assert gesture.event == meant
        assert gesture.started_at == at
        if count == 0:
            assert not gesture.amends


@pytest.mark.parametrize(("layout", "key"), KEYS)
def test_a_tap_after_the_gap_is_a_new_gesture(layout: str, key: str) -> None:
    gestures = Gestures(layout)
    gestures.pressed(key, False, 0)
    later = gestures.pressed(key, False, REPEAT_NS + 1)
    assert (later.event, later.started_at, later.amends) == (
        MEANT[layout][key][0],
        REPEAT_NS + 1,
        False,
    )


@pytest.mark.parametrize(("layout", "key"), KEYS)
def test_a_hold_amends_its_own_tap(layout: str, key: str) -> None:
    gestures = Gestures(layout)
    gestures.pressed(key, False, 0)
    held = gestures.pressed(key, True, 1500 * MS)
    assert held.event == HELD[layout].get(key)
    if held.event is None:
        assert held.reason
    else:
        assert (held.started_at, held.amends) == (0, True)


def test_a_hold_whose_tap_was_not_heard_or_is_long_past_stands_alone() -> None:
    gestures = Gestures("twelve")
    assert gestures.pressed("NO_COUNT", True, 100) == Gesture(events.NoCount(True), 100)
    gestures.pressed("NO_COUNT", False, 5 * S)
    late = 5 * S + HOLD_NS + 1
    assert gestures.pressed("NO_COUNT", True, late) == Gesture(events.NoCount(True), late)


def test_a_hold_after_another_key_does_not_amend_that_key() -> None:
    gestures = Gestures("twelve")
    gestures.pressed("FLAG", False, 0)
    held = gestures.pressed("BOARDS_OFF", True, 500 * MS)
    assert held == Gesture(events.ToggleBoards(), 500 * MS)


def test_another_key_between_two_taps_makes_them_two_gestures() -> None:
    gestures = Gestures("twelve")
    gestures.pressed("FLAG", False, 0)
    gestures.pressed("STOP", False, 200 * MS)
    assert gestures.pressed("FLAG", False, 400 * MS) == Gesture(orders.ending("foul"), 400 * MS)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("first", ["NUMBER_25", "NUMBER_40"])
def test_two_number_keys_at_once_give_the_held_administrative_number(
    layout: str, first: str
) -> None:
    gestures = Gestures(layout)
    crew = in_phase("LIVE")
    other = {"NUMBER_25": "NUMBER_40", "NUMBER_40": "NUMBER_25"}[first]
    at = 100 * S
    for key, when in ((first, at), (other, at + TOGETHER_NS - 1)):
        gesture = gestures.pressed(key, False, when)
        give(crew, gesture, when)
    assert gesture.doubtful
    assert crew.phase == Set(25)


def test_two_number_keys_150_ms_apart_are_two_presses() -> None:
    gestures = Gestures("twelve")
    gestures.pressed("NUMBER_25", False, 0)
    later = gestures.pressed("NUMBER_40", False, TOGETHER_NS)
    assert later == Gesture(orders.HOLD_40, TOGETHER_NS)


def test_a_key_that_the_handset_lacks_asks_for_nothing_and_says_so() -> None:
    gesture = Gestures("four").pressed("FLAG", False, 7)
    assert gesture.event is None
    assert "FLAG" in gesture.reason


def test_an_unknown_layout_is_named() -> None:
    with pytest.raises(ValueError, match=r"layout 'five': one of twelve, four"):
        Gestures("five")


# With the clock behind


def give(crew: Crew, gesture: Gesture, at: int) -> None:
    if gesture.event is not None:
        order = events.Order(
            gesture.event, at, 1, events.Role.KEEPER, gesture.started_at, gesture.amends
        )
        crew.order(order)


def press(crew: Crew, gestures: Gestures, *edges: tuple[str, float, bool]) -> None:
    for key, at_s, held in edges:
        at = round(at_s * S)
        give(crew, gestures.pressed(key, held, at), at)


def test_a_double_runs_from_its_second_tap() -> None:
    crew = in_phase("LIVE")
    press(crew, Gestures("twelve"), ("NUMBER_25", 100, False), ("NUMBER_25", 100.5, False))
    assert crew.clock.expires_at == round(125.5 * S)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize(
    "edges",
    [
        [("NUMBER_25", 100, False), ("NUMBER_25", 100.8, True)],
        [("NUMBER_25", 100, False), ("NUMBER_25", 100.5, False), ("NUMBER_25", 101, False)],
    ],
)
def test_a_score_takes_the_place_of_what_its_first_taps_did(
    layout: str, edges: list[tuple[str, float, bool]]
) -> None:
    crew = in_phase("LIVE")
    press(crew, Gestures(layout), *edges)
    assert (crew.phase, crew.clock.state.down.named) == (Set(25), frozenset({"touchdown"}))
    crew(events.Undo(), 110)
    assert isinstance(crew.phase, Live)


def test_injury_once_says_that_the_team_is_not_told_and_gives_way_to_the_defense() -> None:
    crew, gestures = in_phase("LIVE"), Gestures("twelve")
    press(crew, gestures, ("INJURY", 100, False))
    assert (crew.phase, crew.clock.state.down.named) == (
        Set(25),
        frozenset({"injury_or_helmet_any"}),
    )
    press(crew, gestures, ("INJURY", 109, False), ("INJURY", 109.4, False))
    assert crew.phase == Set(40)


def test_a_third_tap_starts_no_second_count() -> None:
    crew = in_phase("LIVE")
    taps = [("NUMBER_40", 100 + k / 2, False) for k in range(3)]
    press(crew, Gestures("twelve"), *taps)
    assert crew.clock.expires_at == round(140.5 * S)


def test_four_keys_dead_ball_and_then_held() -> None:
    crew = in_phase("LIVE")
    gestures = Gestures("four")
    press(crew, gestures, ("NUMBER_40", 100, False))
    assert crew.clock.expires_at == 140 * S
    press(crew, gestures, ("NUMBER_40", 100.8, True))
    assert crew.phase == Set(40)
    assert crew.clock.state.down.named == frozenset()


def test_four_keys_three_quick_undos_take_back_three_presses_and_a_fourth_the_boards() -> None:
    crew = in_phase("LIVE")
    gestures = Gestures("four")
    crew(orders.DEAD_BALL, 90)
    crew(orders.HOLD_25, 92)
    crew(orders.READY, 94)
    before = crew.clock.state.down
    press(crew, gestures, *[("UNDO", 100 + k / 2, False) for k in range(3)])
    assert isinstance(crew.phase, Live)
    press(crew, gestures, ("UNDO", 101.5, False))
    assert crew.clock.state.down == before
    assert crew.clock.boards.value == "off"


def test_the_hold_of_undo_takes_back_nothing() -> None:
    crew = in_phase("SET")
    crew(orders.READY, 95)
    press(crew, Gestures("four"), ("UNDO", 100, False), ("UNDO", 101.5, True))
    assert (crew.shows(101.5), crew.clock.boards.value) == (34, "off")


def test_four_taps_of_boards_off_and_four_more_relight() -> None:
    crew = in_phase("SET")
    gestures = Gestures("twelve")
    for begin, boards in ((100, "off"), (110, "lit")):
        before = crew.clock.boards
        for tap in range(4):
            assert crew.clock.boards is before
            press(crew, gestures, ("BOARDS_OFF", begin + tap / 2, False))
        assert crew.clock.boards.value == boards


@pytest.mark.parametrize("taps", [1, 2, 3])
def test_fewer_taps_of_boards_off_mark_the_moment_once_and_move_nothing(taps: int) -> None:
    crew = in_phase("RUNNING")
    before = crew.clock.state
    gestures = Gestures("twelve")
    found = [gestures.pressed("BOARDS_OFF", False, 100 * S + k * REPEAT_NS) for k in range(taps)]
    assert [each.event for each in found] == [events.MarkMoment(), None, None][:taps]
    assert all(each.reason for each in found[1:])
    give(crew, found[0], 100 * S)
    assert crew.clock.state == before


def test_the_hold_of_boards_off_leaves_the_order_before_its_mark_alone() -> None:
    crew = in_phase("LIVE")
    gestures = Gestures("twelve")
    press(crew, gestures, ("NUMBER_25", 100, False), ("BOARDS_OFF", 100.5, False))
    press(crew, gestures, ("BOARDS_OFF", 101.5, True))
    assert (crew.phase, crew.clock.boards.value) == (Set(25), "off")


def test_taps_beyond_the_last_meaning_still_belong_to_the_gesture() -> None:
    gestures = Gestures("twelve")
    assert [gestures.pressed("NUMBER_25", False, k * REPEAT_NS).amends for k in range(4)] == [
        False,
        True,
        True,
        True,
    ]
    assert not any(gestures.pressed("STOP", False, k * REPEAT_NS).amends for k in range(10, 13))


def test_the_times_of_a_gesture() -> None:
    """As the page of keys tells them (common practice, no source)."""
    assert (REPEAT_NS, HOLD_NS, TOGETHER_NS) == (600_000_000, 3_000_000_000, 150_000_000)


def test_a_tap_after_a_hold_begins_again() -> None:
    gestures = Gestures("twelve")
    gestures.pressed("NO_COUNT", False, 0)
    gestures.pressed("NO_COUNT", True, 10**9)
    tap = gestures.pressed("NO_COUNT", False, 10**9 + REPEAT_NS // 2)
    assert (tap.event, tap.started_at, tap.amends) == (
        events.NoCount(),
        10**9 + REPEAT_NS // 2,
        False,
    )
    assert tap.reason == ""


def test_one_thumb_on_two_number_keys_holds_25_whichever_came_first() -> None:
    """The administrative number, as a crew in doubt (PIAA play clock mechanics 2019, text)."""
    held = events.HoldNumber(events.Number.ADMINISTRATIVE)
    for first, then in (("NUMBER_40", "NUMBER_25"), ("NUMBER_25", "NUMBER_40")):
        gestures = Gestures("twelve")
        assert not gestures.pressed(first, False, 0).doubtful
        second = gestures.pressed(then, False, TOGETHER_NS - 1)
        assert second.doubtful
        if then == "NUMBER_25":
            assert (second.event, second.started_at, second.amends) == (held, 0, True)
        else:
            assert second.event is None and second.reason
    assert not Gestures("twelve").pressed("NUMBER_25", False, 0).doubtful


def test_a_hold_of_another_press_is_one_of_its_own() -> None:
    for late_ns, amends in ((HOLD_NS, True), (HOLD_NS + 1, False)):
        gestures = Gestures("twelve")
        gestures.pressed("NO_COUNT", False, 5)
        assert gestures.pressed("NO_COUNT", True, 5 + late_ns).amends is amends


def test_only_two_number_keys_are_one_thumb_on_two_keys() -> None:
    gestures = Gestures("twelve")
    gestures.pressed("NUMBER_25", False, 0)
    ready = gestures.pressed("READY", False, TOGETHER_NS // 2)
    assert ready.event is not None and not ready.doubtful


def test_25_that_won_over_40_is_its_first_tap() -> None:
    gestures = Gestures("twelve")
    gestures.pressed("NUMBER_40", False, 0)
    gestures.pressed("NUMBER_25", False, 10)
    again = gestures.pressed("NUMBER_25", False, REPEAT_NS // 2)
    assert (again.event, again.amends) == (events.RunNumber(events.Number.ADMINISTRATIVE), True)
