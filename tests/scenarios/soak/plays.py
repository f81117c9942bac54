"""What a keeper presses in play after play."""

from __future__ import annotations

import random
from collections.abc import Iterator

from drivers.base import Key

Press = tuple[float, Key]
"""The pause in seconds before it, and the key."""


def plays(chance: random.Random, pace: float = 1.0) -> Iterator[Press]:
    """Plays without end, each from the dead ball to the snap, of 17 s times ``pace`` on average.

    Pauses keep clear of the windows in which the same key again changes nothing, for a ``pace`` of
    1 to 2.5: every press changes something. They are whole milliseconds.
    """
    while True:
        for shortest_s, longest_s, key in _play(chance.random()):
            yield round(pace * chance.uniform(shortest_s, longest_s), 3), key


def _play(kind: float) -> Iterator[tuple[float, float, Key]]:
    yield 2, 5, Key.DEAD_BALL
    if kind < 0.15:
        yield 2, 4, Key.NUMBER_25
        yield 2, 4, Key.READY
    elif kind < 0.25:
        yield 7, 12, Key.TIME_OUT
        yield 3, 5, Key.READY
    elif kind < 0.3:
        yield 1, 2, Key.UNDO
        yield 1, 2, Key.DEAD_BALL
    elif kind < 0.35:
        yield 41, 42, Key.NUMBER_25  # after zero
        yield 1, 2, Key.READY
    yield 4, 14, Key.SNAP
