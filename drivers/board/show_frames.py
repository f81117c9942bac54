"""Makes the SHOW frames of one installation, with stamps that only rise."""

from __future__ import annotations

from collections import deque

from drivers.base import MS_NS, Face
from drivers.board import messages
from drivers.board.messages import Show

TICK_NS = 10 * MS_NS
"""A stamp counts 10 ms of the clock, or one more than the last."""
ECHOES = 16
"""How many frames may be on their way out and back through an adapter that echoes."""


class ShowFrameBuilder:
    """``controller_id``, 0-65535, is that of the installation."""

    def __init__(self, controller_id: int) -> None:
        self._controller_id = controller_id
        self._ticks = 0
        self._stamps: deque[int] = deque(maxlen=ECHOES)

    def make(self, face: Face, node_mask: int, ask: int, now: int) -> tuple[int, bytes]:
        """The stamp and the whole frame that puts up ``face``; ``ask`` is a node, or 0 for none."""
        self._ticks = max(now // TICK_NS, self._ticks + 1)
        stamp = self._ticks & 0xFFFF
        self._stamps.append(stamp)
        numerals = face.numerals
        if numerals is None:
            numerals = messages.LAMP_TEST if face.lamp_test else messages.DARK
        show = Show(self._controller_id, stamp, numerals, face.brightness, ask, node_mask)
        return stamp, messages.encode_show(show)

    def is_echo(self, body: bytes) -> bool:
        """True for the body of a SHOW that was made here a moment ago: it has come back through
        an adapter that hears itself. Any other is another controller's."""
        controller_id, stamp = int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")
        return controller_id == self._controller_id and stamp in self._stamps
