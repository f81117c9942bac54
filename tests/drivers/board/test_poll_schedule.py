"""The rhythm on a real bus is in test_node.py; here are the choices one by one."""

from __future__ import annotations

from itertools import pairwise

from drivers.board.poll_schedule import (
    ASK_PERIOD_NS,
    DARK_PERIOD_NS,
    OVERDUE_NS,
    QUICK_RETRIES,
    REPLY_SHARE,
    WINDOW_NS,
    PollSchedule,
)

MS = 1_000_000
S = 1_000_000_000


def test_the_first_question_waits_for_a_calm_moment() -> None:
    asking = PollSchedule([1], 0)
    assert asking.next_node(0, changes=True) == 0
    assert asking.next_node(299 * MS, changes=False) == 0
    assert asking.next_node(300 * MS, changes=False) == 1
    assert asking.next_node(300 * MS, changes=True) == 0


def test_no_choice_falls_near_the_next_change_but_a_face_that_stays_is_asked_about() -> None:
    asking = PollSchedule([1], 100 * S)
    assert asking.next_node(100 * S, changes=True) == 0
    asking.asked(1, 100 * S)
    asking.answered(1, right=True)
    assert asking.next_node(100 * S + 1_250 * MS, changes=False) == 0
    assert asking.next_node(100 * S + OVERDUE_NS, changes=False) == 1


def test_overdue_a_question_rides_on_a_change() -> None:
    asking = PollSchedule([1], 0)
    asking.asked(1, 0)
    asking.answered(1, right=True)
    assert asking.next_node(OVERDUE_NS - 1, changes=True) == 0
    assert asking.next_node(OVERDUE_NS, changes=True) == 1


def test_nodes_take_turns() -> None:
    asking = PollSchedule([1, 2, 3], 0)
    asked = []
    for now in range(400 * MS, 6 * S, 100 * MS):
        node = asking.next_node(now, changes=now % S == 0)
        if node:
            asking.asked(node, now)
            asking.answered(node, right=True)
            asked.append(node)
    assert asked == [1, 2, 3] * (len(asked) // 3)
    assert len(asked) >= 9


def test_while_all_are_dark_a_failing_node_is_asked_four_times_a_second() -> None:
    asking = PollSchedule([1, 2], 0)
    asked = []
    for now in range(400 * MS, 6 * S, 50 * MS):
        node = asking.next_node(now, changes=False, dark=True)
        if node:
            asking.asked(node, now)
            asking.answered(node, right=node == 2)
            asked.append((node, now))
    tries = [now for node, now in asked if node == 1][QUICK_RETRIES:]
    gaps = [later - earlier for earlier, later in pairwise(tries)]
    assert set(gaps) <= {DARK_PERIOD_NS, DARK_PERIOD_NS + 50 * MS}
    assert len([node for node, _ in asked if node == 2]) >= 4


def test_a_bad_answer_is_asked_again_with_each_repetition_and_then_as_seldom_as_others() -> None:
    asking = PollSchedule([1, 2], 0)
    asking.asked(2, 300 * MS)
    asking.answered(2, right=False)
    for retry in range(1, QUICK_RETRIES + 1):
        now = (300 + retry) * MS
        assert asking.next_node(now, changes=True) == 0
        assert asking.next_node(now, changes=False) == 2
        asking.asked(2, now)
        asking.answered(2, right=False)
    assert asking.next_node(700 * MS, changes=False) == 1
    asking.asked(2, 800 * MS)
    asking.answered(2, right=True)
    assert asking.next_node(900 * MS, changes=False) == 1


def test_many_nodes_are_asked_less_often() -> None:
    asking = PollSchedule(range(1, 9), 0)
    for node in range(1, 9):
        asking.asked(node, 0)
        asking.answered(node, right=True)
    least_ns = round(8 * WINDOW_NS / REPLY_SHARE)
    assert least_ns > ASK_PERIOD_NS
    assert asking.next_node(least_ns - 1, changes=False) == 0
    assert asking.next_node(least_ns, changes=False) == 1
