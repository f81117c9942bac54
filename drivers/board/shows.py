"""Makes the SHOW frames of one installation, with stamps that only rise."""

from __future__ import annotations

from drivers.base import Face
from drivers.board import messages
from drivers.board.messages import Show

TICK_NS = 10_000_000
"""A stamp counts 10 ms of the clock, or one more than the last."""


class Shows:
    """``controller_id``, 0-65535, is that of the installation."""

    def __init__(self, controller_id: int) -> None:
        self._controller_id = controller_id
        self._ticks = 0

    def make(self, face: Face, node_mask: int, ask: int, now: int) -> tuple[int, bytes]:
        """The stamp and the whole frame that puts up ``face``; ``ask`` is a node, or 0 for none."""
        self._ticks = max(now // TICK_NS, self._ticks + 1)
        stamp = self._ticks & 0xFFFF
        numerals = face.numerals
        if numerals is None:
            numerals = messages.LAMP_TEST if face.lamp_test else messages.DARK
        show = Show(self._controller_id, stamp, numerals, face.brightness, ask, node_mask)
        return stamp, messages.encode_show(show)
