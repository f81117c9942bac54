"""The one timer of the service."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from controller.rules.numerals import SECOND_NS

OVERDUE_NS = 20_000_000
"""More than a loop that works is ever late; little of the 1.5 s that a board keeps a numeral."""


class OneTimer:
    """Calls ``act`` with the instant at the newest due instant given to :meth:`arm`.

    The event loop may call up to its own resolution early or any time late: ``act`` gets the
    clock's instant, but never one before the instant that was due.
    """

    def __init__(self, clock: Callable[[], int], act: Callable[[int], None]) -> None:
        self._clock, self._act = clock, act
        self._loop = asyncio.get_running_loop()
        self._handle: asyncio.TimerHandle | None = None
        self._due_at: int | None = None
        self._calling = False

    def arm(self, due_at: int, now: int) -> None:
        """Be called at ``due_at`` instead of whatever was armed before."""
        self.disarm()
        self._due_at = due_at
        delay_s = max(0, due_at - now) / SECOND_NS
        self._handle = self._loop.call_at(self._loop.time() + delay_s, self._fired)

    def disarm(self) -> None:
        """Not be called any more."""
        if self._handle is not None:
            self._handle.cancel()
            self._handle = None

    def overdue(self, now: int) -> bool:
        """True when it should have called 20 ms ago and has not: the event loop has slept and calls
        next, or nobody will call any more."""
        if self._due_at is None or self._calling:
            return False
        return now - self._due_at > OVERDUE_NS

    def _fired(self) -> None:
        self._handle = None
        assert self._due_at is not None
        self._calling = True
        try:
            self._act(max(self._clock(), self._due_at))
        finally:
            self._calling = False
