"""The one timer of the service."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from controller.rules.numerals import SECOND_NS


class OneTimer:
    """Calls ``act`` with the instant at the newest due instant given to :meth:`arm`.

    The event loop may call up to its own resolution early or any time late: ``act`` gets the
    clock's instant, but never one before the instant that was due.
    """

    def __init__(self, clock: Callable[[], int], act: Callable[[int], None]) -> None:
        self._clock, self._act = clock, act
        self._loop = asyncio.get_running_loop()
        self._handle: asyncio.TimerHandle | None = None
        self._due_at = 0

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

    def _fired(self) -> None:
        self._handle = None
        self._act(max(self._clock(), self._due_at))
