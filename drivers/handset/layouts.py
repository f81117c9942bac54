"""The keys that a handset has, by its layout; how it reports them: ``hardware/PROTOCOL.md``,
PRESS."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, get_args

from drivers.base import Key

Layout = Literal["twelve", "four"]
LAYOUT_NAMES: tuple[Layout, ...] = get_args(Layout)

KEYS: Mapping[str, Key] = MappingProxyType(
    {key.name.lower().removeprefix("number_"): key for key in Key}
)
"""The keys by the names that a configuration gives them: dead_ball, ready, 25 ..."""

LAYOUTS: Mapping[str, tuple[Key, ...]] = MappingProxyType(
    {"twelve": tuple(Key), "four": (Key.NUMBER_40, Key.NUMBER_25, Key.READY, Key.UNDO)}
)
HOLD_MS: Mapping[str, Mapping[Key, int]] = MappingProxyType(
    {
        "twelve": {Key.NUMBER_25: 800, Key.NO_COUNT: 1000, Key.BOARDS_OFF: 1000},
        "four": {Key.NUMBER_25: 800, Key.NUMBER_40: 800, Key.UNDO: 1500},
    }
)
"""The keys of each layout that report a hold, and after how long."""


def keys_by_name(layout: str) -> dict[str, Key]:
    """The keys of ``layout`` by their names."""
    return {name: key for name, key in KEYS.items() if key in LAYOUTS[layout]}
