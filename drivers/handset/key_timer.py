"""Keys that only go down and up, made into presses as a handset's own firmware makes them.

Debounce, hold times and what reports a hold are those of ``hardware/PROTOCOL.md``, PRESS.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from drivers.base import MS_NS, S_NS, Edge, HandsetListener, Key, Press
from drivers.handset.layouts import HOLD_MS

DEBOUNCE_MS = 30


class KeyTimer:
    """The keys of one handset, 1-254, of ``layout``; every call comes from the event loop.

    ``pressed`` gets the presses; what it raises is given to ``failed``.
    """

    def __init__(
        self,
        handset: int,
        layout: str,
        listener: HandsetListener,
        failed: Callable[[Exception], None],
    ) -> None:
        self._handset, self._holds = handset, HOLD_MS[layout]
        self._listener, self._failed = listener, failed
        self._loop = asyncio.get_running_loop()
        self._down: dict[Key, asyncio.TimerHandle | None] = {}

    def down(self, key: Key, at: int, now: int) -> None:
        """A key went down at ``at``; one that is down already does not go down again."""
        if key in self._down:
            return
        self._down[key] = None
        hold_ms = self._holds.get(key)
        if hold_ms is not None:
            left_s = max(0, at + hold_ms * MS_NS - now) / S_NS
            self._down[key] = self._loop.call_later(left_s, self._held, key, at + hold_ms * MS_NS)
        self._press(key, Edge.DOWN, at, now)

    def up(self, key: Key) -> None:
        """A key went up; one that was never down changes nothing."""
        timer = self._down.pop(key, None)
        if timer is not None:
            timer.cancel()

    def let_go(self) -> None:
        """No key counts as down any more."""
        for key in list(self._down):
            self.up(key)

    def _held(self, key: Key, at: int) -> None:
        self._press(key, Edge.HELD, at, at)

    def _press(self, key: Key, edge: Edge, at: int, now: int) -> None:
        try:
            self._listener.key_pressed(Press(self._handset, key, edge, at, now))
        except Exception as error:
            self._failed(error)


class Debouncer:
    """One bouncing contact: its first edge counts at once, the next after ``DEBOUNCE_MS``. Pure.

    One that is closed from the start counts as open until it has been seen open.
    """

    def __init__(self, *, closed: bool) -> None:
        self.closed = False
        """Whether the key counts as down."""
        self._level, self._stuck = closed, closed
        self._settled_at: int | None = None

    def moved(self, closed: bool, at: int) -> int | None:
        """The contact was seen open or closed. Gives when to call :meth:`settle`, if at all."""
        self._level = closed
        self._stuck = self._stuck and closed
        if self._settled_at is None:
            return self._take(at)
        return None

    def settle(self, at: int) -> int | None:
        """The bouncing is over: take the level it came to rest at, as of ``at``."""
        self._settled_at = None
        return self._take(at)

    def _take(self, at: int) -> int | None:
        closed = self._level and not self._stuck
        if closed is self.closed:
            return None
        self.closed = closed
        self._settled_at = at + DEBOUNCE_MS * MS_NS
        return self._settled_at
