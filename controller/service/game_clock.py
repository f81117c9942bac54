"""What a feed last said of the game clock, for the orders that depend on it.

The play clock never drives the game clock. It only asks whether a running one has less time left
than the count that would be started.
"""

from __future__ import annotations

from controller.rules.events import Order

FRESH_NS = 2_000_000_000
"""An older reading is no reading: the game clock may have been stopped since. A feed speaks at
least once a second."""

LONGEST_S = 99 * 60 + 59
"""More than any period has."""


class GameClock:
    """The newest reading of a feed."""

    def __init__(self) -> None:
        self._left_s: int | None = None
        self._read_at = 0

    def read(self, left_s: int, running: bool, at: int) -> None:
        """Take a reading: the whole seconds, 0-5999, that the game clock showed at ``at``.

        Raises ``ValueError`` for anything else; the reading before then stands.
        """
        if not 0 <= left_s <= LONGEST_S:
            raise ValueError(f"game clock {left_s}: must be 0 to {LONGEST_S} seconds")
        self._left_s = left_s if running else None
        self._read_at = at

    def known_to(self, order: Order) -> Order:
        """``order`` with what a running game clock showed, if that is known."""
        if self._left_s is None or order.at - self._read_at >= FRESH_NS:
            return order
        return order._replace(game_clock_s=self._left_s)
