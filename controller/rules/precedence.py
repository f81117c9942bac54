"""Two who press at once: when the press of one stands against the other's.

The field official's does, for a moment (``field_stands_s``). Presses that merely follow each other,
as a snap follows the ready, do not contradict each other, and neither do facts that add up.
"""

from __future__ import annotations

from controller.rules.events import (
    Event,
    HoldNumber,
    NoCount,
    PlayEnded,
    Ready,
    RunNumber,
    Score,
    Snap,
    Stop,
)

_FOLLOWS: dict[type[Event], tuple[type[Event], ...]] = {
    PlayEnded: (PlayEnded, Score),
    Score: (PlayEnded, Score),
    HoldNumber: (Ready,),
    RunNumber: (Snap,),
    Ready: (Snap,),
    Snap: (PlayEnded, Score),
    Stop: (),
    NoCount: (),
}
"""The events that can contradict each other, and what may follow each at once without doing so."""


def conflicts(first: Event, second: Event) -> bool:
    """True when ``second``, given at once after ``first``, asks for something else."""
    if first == second or type(second) not in _FOLLOWS or type(first) not in _FOLLOWS:
        return False
    return type(second) not in _FOLLOWS[type(first)]
