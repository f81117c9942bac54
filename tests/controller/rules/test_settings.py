"""Settings: the defaults of the design, and their ranges."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from controller.rules.settings import RANGES, Settings, check_settings


def test_the_defaults_are_those_of_the_design() -> None:
    assert Settings() == Settings(
        start_lag_s=0,  # by rule
        same_down_s=6,  # common practice, no source
        stoppage_holds_s=20,  # common practice, no source
        same_press_s=1.5,  # common practice, no source
        field_stands_s=1,
    )
    check_settings(Settings())


def test_the_ranges_are_those_of_the_design() -> None:
    """A lag above the longest known, 2 s; each of the others may be turned off."""
    assert RANGES == {
        "nudge_s": (0, 60),
        "start_lag_s": (0, 3),
        "same_down_s": (0, 8),
        "stoppage_holds_s": (0, 28),
        "same_press_s": (0, 5),
        "field_stands_s": (0, 5),
    }


def test_every_setting_has_a_range_and_a_unit() -> None:
    assert [each.name for each in fields(Settings)] == list(RANGES)
    assert all(each.endswith("_s") for each in RANGES)


@pytest.mark.parametrize("name", RANGES)
def test_a_value_outside_its_range_is_named(name: str) -> None:
    low, high = RANGES[name]
    for good in (low, high):
        check_settings(replace(Settings(), **{name: good}))
    for bad in (low - 0.001, high + 0.001, float("nan")):
        with pytest.raises(ValueError, match=rf"{name} = {bad!r}: must be {low:g} to {high:g}"):
            check_settings(replace(Settings(), **{name: bad}))


def test_the_windows_stay_below_the_shortest_observed_gaps() -> None:
    """8.4 s between routine dead balls, 28.8 s after a stoppage (common practice, no source)."""
    assert RANGES["same_down_s"][1] < 8.4
    assert RANGES["stoppage_holds_s"][1] < 28.8
