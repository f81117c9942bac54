"""The keys of the layouts, and that the rules core, which knows them by name, has the same."""

from __future__ import annotations

from controller.rules import gestures
from drivers.base import Key
from drivers.handset.layouts import HOLD_MS, KEYS, LAYOUT_NAMES, LAYOUTS, keys_by_name


def test_the_rules_core_has_the_same_layouts() -> None:
    drivers = {layout: {key.name for key in keys} for layout, keys in LAYOUTS.items()}
    assert drivers == {layout: set(keys) for layout, keys in gestures.LAYOUTS.items()}
    assert tuple(LAYOUTS) == LAYOUT_NAMES


def test_a_hold_is_reported_of_keys_that_the_layout_has() -> None:
    for layout, holds in HOLD_MS.items():
        assert holds.keys() < set(LAYOUTS[layout])


def test_keys_have_the_names_of_the_configuration() -> None:
    names = "dead_ball ready 25 snap 40 stop flag time_out injury undo no_count boards_off"
    assert " ".join(KEYS) == names
    assert keys_by_name("four") == {
        "ready": Key.READY,
        "25": Key.NUMBER_25,
        "40": Key.NUMBER_40,
        "undo": Key.UNDO,
    }
