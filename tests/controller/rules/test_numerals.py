"""Numerals: the ceiling of the seconds left, 0 exactly at expiry, never more than the count."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.rules.numerals import SECOND_NS, next_change_at, numerals


@pytest.mark.parametrize(
    ("remaining_ns", "shows"),
    [
        (40 * SECOND_NS, 40),
        (40 * SECOND_NS - 1, 40),
        (39 * SECOND_NS + 1, 40),
        (39 * SECOND_NS, 39),
        (1, 1),
        (SECOND_NS, 1),
        (SECOND_NS + 1, 2),
        (0, 0),
        (-1, 0),
        (-(10**18), 0),
        (42 * SECOND_NS, 40),
    ],
)
def test_edges_of_a_forty(remaining_ns: int, shows: int) -> None:
    assert numerals(remaining_ns, 40) == shows


@given(st.integers(-(10**18), 10**18), st.integers(1, 99), st.integers(0, 10**12))
def test_numerals_stay_in_range_and_never_rise_as_time_passes(
    remaining_ns: int, total_s: int, later_ns: int
) -> None:
    assert 0 <= numerals(remaining_ns, total_s) <= total_s
    assert numerals(remaining_ns - later_ns, total_s) <= numerals(remaining_ns, total_s)


@given(st.integers(0, 10**18), st.integers(1, 99), st.integers(0, 99 * SECOND_NS - 1))
def test_the_next_change_is_the_first_instant_that_shows_less(
    started_at: int, total_s: int, after_ns: int
) -> None:
    expires_at = started_at + total_s * SECOND_NS
    at = started_at + after_ns % (total_s * SECOND_NS)
    shown = numerals(expires_at - at, total_s)
    change = next_change_at(expires_at, shown)
    assert at < change <= at + SECOND_NS
    assert numerals(expires_at - change, total_s) == shown - 1
    assert numerals(expires_at - change + 1, total_s) == shown
