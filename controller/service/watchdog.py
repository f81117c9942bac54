"""Feeds the service manager's watchdog, but only while the boards are really being told.

That is: since it was fed last, the numerals were computed anew from the play clock, and of every
driver of boards a frame has left its port, unless that port is in a fault that was declared and is
being retried. A pulled cable so never restarts the service; a timer that is no longer set, a driver
that hangs or a port that takes frames and sends none does.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from controller.rules.phases import Boards
from controller.service.service import Service

FEEDS = 4
"""So often within the manager's patience: two feeds may be missed."""
LOOK_S = 0.02
"""How soon the first frame is looked for."""


class Watchdog:
    """Watches ``service`` and tells the manager with ``tell``. ``patience_s`` is the manager's,
    None when it has none."""

    def __init__(
        self, service: Service, tell: Callable[[str], None], patience_s: float | None
    ) -> None:
        self._service = service
        self._tell = tell
        self._patience_s = patience_s
        self._seen = self._evidence()
        self._said = ""

    async def run(self) -> None:
        """Say when the service is ready, how its boards are, and feed, until cancelled."""
        self._service.observers.append(self.say)
        while not self._alive():  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(LOOK_S)
        self._tell("READY=1")
        self.say()
        while self._patience_s is not None:
            self.feed()
            await asyncio.sleep(self._patience_s / FEEDS)

    def feed(self) -> None:
        """Feed once, if the boards were told since the last time."""
        if self._alive():
            self._seen = self._evidence()
            self._tell("WATCHDOG=1")

    def say(self) -> None:
        """Tell the boards' state in words, if it has changed."""
        play_clock, agreement = self._service.play_clock, self._service.watch.agreement
        words = f"boards {play_clock.boards.value}"
        why = agreement.why if agreement.dark else self._service.checkpointer.off_why
        if agreement.dark and play_clock.boards is not Boards.OFF:
            words = "boards dark"
        words += f": {why}" if why else ""
        if words != self._said:
            self._said = words
            self._tell(f"STATUS={words}")

    def _alive(self) -> bool:
        told, sent = self._evidence()
        told_before, sent_before = self._seen
        faults = self._service.watch.faults
        return told > told_before and all(
            now > before or all(faults[name] for name in board.boards)
            for board, now, before in zip(self._service.boards, sent, sent_before, strict=True)
        )

    def _evidence(self) -> tuple[int, list[int]]:
        """How often the numerals were computed for the boards, and frames sent by each driver."""
        return self._service.display.told, [board.sent for board in self._service.boards]
