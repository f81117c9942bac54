"""Hold times and debounce, from the table of hardware/PROTOCOL.md."""

from __future__ import annotations

import asyncio
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import Edge, Key
from drivers.handset.key_timer import DEBOUNCE_MS, Debouncer, KeyTimer
from drivers.handset.layouts import LAYOUTS
from tests.controller.fakes import MS
from tests.drivers.handset.listeners import KeysListener, bug
from tests.shared.virtual_time import START_AT, VirtualClock, sleep_until, virtual

# hardware/PROTOCOL.md, PRESS: 25 0.8 s, NO COUNT and BOARDS OFF 1.0 s; four keys: 40 0.8 s too,
# UNDO 1.5 s; the other keys never report HELD.
HOLDS_MS = {
    ("twelve", Key.NUMBER_25): 800,
    ("twelve", Key.NO_COUNT): 1000,
    ("twelve", Key.BOARDS_OFF): 1000,
    ("four", Key.NUMBER_25): 800,
    ("four", Key.NUMBER_40): 800,
    ("four", Key.UNDO): 1500,
}


def no_failure(error: Exception) -> None:
    raise error


def thumb(layout: str = "twelve") -> tuple[KeyTimer, KeysListener]:
    listener = KeysListener()
    return KeyTimer(7, layout, listener, no_failure), listener


@pytest.mark.parametrize(
    ("layout", "key"), [(layout, key) for layout, keys in LAYOUTS.items() for key in keys]
)
@virtual
async def test_a_key_that_stays_down_reports_its_hold_once_or_never(
    clock: VirtualClock, layout: str, key: Key
) -> None:
    keys, listener = thumb(layout)
    keys.down(key, clock(), clock())
    await asyncio.sleep(30)
    down, *held = listener.presses
    assert (down.handset, down.key, down.edge, down.edge_at) == (7, key, Edge.DOWN, START_AT)
    hold_ms = HOLDS_MS.get((layout, key))
    expected = [] if hold_ms is None else [(Edge.HELD, START_AT + hold_ms * MS)]
    assert [(press.edge, press.edge_at) for press in held] == expected


@virtual
async def test_a_key_that_goes_up_before_its_hold_time_is_a_tap(clock: VirtualClock) -> None:
    keys, listener = thumb()
    keys.down(Key.NO_COUNT, clock(), clock())
    await sleep_until(clock, START_AT + 999 * MS)
    keys.up(Key.NO_COUNT)
    await asyncio.sleep(5)
    assert listener.edges == [(Key.NO_COUNT, Edge.DOWN)]


@virtual
async def test_a_key_is_down_once_however_often_that_is_said(clock: VirtualClock) -> None:
    keys, listener = thumb()
    keys.up(Key.SNAP)
    for _ in range(3):
        keys.down(Key.SNAP, clock(), clock())
    keys.let_go()
    keys.down(Key.SNAP, clock(), clock())
    assert listener.edges == [(Key.SNAP, Edge.DOWN)] * 2


@virtual
async def test_a_hold_is_timed_from_the_edge_not_from_when_it_was_heard_of(
    clock: VirtualClock,
) -> None:
    keys, listener = thumb()
    keys.down(Key.BOARDS_OFF, clock() - 300 * MS, clock())
    await sleep_until(clock, START_AT + 701 * MS)
    assert listener.presses[-1].edge is Edge.HELD
    assert listener.presses[-1].edge_at == START_AT + 700 * MS


@virtual
async def test_what_goes_wrong_with_a_press_is_given_to_the_driver(clock: VirtualClock) -> None:
    listener, errors = KeysListener(acting=bug), list[Exception]()
    KeyTimer(7, "twelve", listener, errors.append).down(Key.SNAP, clock(), clock())
    assert [type(error) for error in errors] == [ZeroDivisionError]


def follow(
    contact: Debouncer, levels: list[tuple[int, bool]], until: int
) -> list[tuple[int, bool]]:
    """Play edges of a contact in ms; what counted, in ms."""
    counted: list[tuple[int, bool]] = []
    settle_at: int | None = None

    def settle(before: int) -> None:
        nonlocal settle_at
        while settle_at is not None and settle_at <= before:
            at, settle_at = settle_at, contact.settle(settle_at)
            if settle_at is not None:
                counted.append((at // MS, contact.closed))

    for ms, closed in levels:
        settle(ms * MS)
        due = contact.moved(closed, ms * MS)
        if due is not None:
            settle_at = due
            counted.append((ms, contact.closed))
    settle(until * MS)
    return counted


def test_the_first_edge_counts_at_once_and_its_bouncing_not_at_all() -> None:
    bounces = [(100, True), (101, False), (103, True), (104, False), (110, True)]
    release = [(300, False), (302, True), (305, False)]
    contact = Debouncer(closed=False)
    assert follow(contact, bounces + release, 500) == [(100, True), (300, False)]


def test_a_contact_that_came_to_rest_elsewhere_is_seen_when_the_bouncing_is_over() -> None:
    contact = Debouncer(closed=False)
    levels = [(100, True), (110, False)]
    assert follow(contact, levels, 500) == [(100, True), (100 + DEBOUNCE_MS, False)]


def test_a_key_closed_from_the_start_counts_only_after_it_was_open() -> None:
    contact = Debouncer(closed=True)
    levels = [(50, True), (100, False), (200, True)]
    assert follow(contact, levels, 500) == [(200, True)]


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 40), st.booleans()), max_size=60))
def test_however_it_bounces_edges_alternate_keep_apart_and_end_where_it_rests(
    steps: list[tuple[int, bool]],
) -> None:
    contact, levels, at = Debouncer(closed=False), list[tuple[int, bool]](), 0
    for gap, closed in steps:
        at += gap
        levels.append((at, closed))
    counted = follow(contact, levels, at + 1000)
    assert [closed for _, closed in counted] == [n % 2 == 0 for n in range(len(counted))]
    gaps = [b[0] - a[0] for a, b in pairwise(counted)]
    assert all(gap >= DEBOUNCE_MS for gap in gaps)
    assert contact.closed is (levels[-1][1] if levels else False)
