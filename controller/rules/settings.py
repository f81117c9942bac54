"""The numbers a crew may set. Every one has the unit in its name and a default with a reason."""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of the play clock; :data:`RANGES` gives the allowed range of each.

    Raises ``ValueError`` naming the setting, its value and the range.
    """

    start_lag_s: float = 0.0
    """From the end-of-play signal to the start of the count; dead-ball starts only.
    0 by rule; two state associations use 1 s, another 2 s."""

    same_down_s: float = 6.0
    """An end of play this soon after the last is the same one pressed again. The shortest routine
    dead ball to dead ball observed was 8.4 s (common practice, no source). 0 turns it off."""

    stoppage_holds_s: float = 20.0
    """An end of play this soon after a named stoppage is of the same down. The shortest observed
    after a stoppage was 28.8 s (common practice, no source). 0 turns it off."""

    same_press_s: float = 1.5
    """The same order this soon after itself, from whichever handset, changes nothing.
    Two keepers react within about a second of each other (common practice, no source)."""

    field_stands_s: float = 1.0
    """For so long the field official's press stands against one by the keeper."""

    nudge_s: float = 20.0
    """The ball live for longer than this: the crew is asked once whether the play has ended. The
    longest play observed lasted 16.4 s (common practice, no source). 0 never asks."""


RANGES: dict[str, tuple[float, float]] = {
    "start_lag_s": (0.0, 3.0),
    "same_down_s": (0.0, 8.0),
    "stoppage_holds_s": (0.0, 28.0),
    "same_press_s": (0.0, 5.0),
    "field_stands_s": (0.0, 5.0),
    "nudge_s": (0.0, 60.0),
}


def check_settings(settings: Settings) -> None:
    """Raise ``ValueError`` for the first setting outside its range."""
    for field in fields(settings):
        value = getattr(settings, field.name)
        low, high = RANGES[field.name]
        if not low <= value <= high:
            raise ValueError(f"{field.name} = {value!r}: must be {low:g} to {high:g} seconds")
