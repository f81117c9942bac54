"""Keeps one driver running: its errors become faults with a growing pause, never a crash."""

from __future__ import annotations

import asyncio
import termios
from collections.abc import Callable, Coroutine
from typing import Any

from drivers.base import Clock, DriverError

S_NS = 1_000_000_000
PAUSES_S = (0.1, 0.2, 0.2, 0.5, 0.5, 0.5, 0.5, 1.0, 2.0)
"""A device that is back 2.5 s after it was lost is found at once: early enough for its boards to
come back by themselves (:data:`controller.service.board_agreement.RETURN_WITHIN_NS`)."""
WELL_AFTER_S = 0.5
"""A driver that has run this long without an error has its device."""
STEADY_NS = 10 * S_NS
"""A driver that ran this long starts again with the shortest pause."""


async def supervise(
    run: Callable[[], Coroutine[Any, Any, None]],
    clock: Clock,
    started: Callable[[], None],
    told: Callable[[str], None],
) -> None:
    """Run a driver again and again until cancelled.

    ``started`` is called whenever it has begun to run, with its device open. ``told`` gets its
    fault in plain words when one begins or another takes its place, and "" when it is well again.
    Only a :class:`DriverError`, ``OSError`` or ``termios.error`` is a fault, and that it returns;
    everything else is a bug of ours and is raised.
    """
    failures = 0
    fault = ""
    while True:
        started_at = clock()
        task = asyncio.create_task(run())
        try:
            await asyncio.sleep(0)  # its first step, which opens the device
            opened = not task.done()
            if opened:
                started()
            if fault and not (await asyncio.wait({task}, timeout=WELL_AFTER_S))[0]:
                fault = ""
                told(fault)
            await asyncio.wait({task})  # not the task itself: its error must not hide a cancel
            await task
            raise DriverError("its driver ended without saying why")
        except (DriverError, OSError, termios.error) as error:
            if clock() - started_at > STEADY_NS:
                failures = 0
            before, fault = fault, str(error) or type(error).__name__
            if opened or fault != before:
                told(fault)
        finally:
            if not task.done():
                task.cancel()
                await asyncio.wait({task})  # it darkens its boards on the way out
            if not task.cancelled():
                task.exception()  # seen: a device lost while leaving is nobody's business any more
        await asyncio.sleep(PAUSES_S[min(failures, len(PAUSES_S) - 1)])
        failures += 1
