"""Keeps one driver running: its errors become faults with a growing pause, never a crash."""

from __future__ import annotations

import asyncio
import termios
from collections.abc import Callable, Coroutine
from typing import Any

from drivers.base import Clock, DriverError

S_NS = 1_000_000_000
PAUSES_S = (0.1, 0.2, 0.5, 1.0, 2.0)
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
    """Run a driver again and again until cancelled, or until it returns.

    ``started`` is called whenever it has begun to run, with its device open. ``told`` gets its
    fault in plain words when one begins, and "" when it is well again. Only a
    :class:`DriverError`, ``OSError`` or ``termios.error`` is a fault; everything else is a bug of
    ours and is raised.
    """
    failures = 0
    faulty = False
    while True:
        started_at = clock()
        task = asyncio.create_task(run())
        try:
            await asyncio.sleep(0)  # its first step, which opens the device
            opened = not task.done()
            if opened:
                started()
            if faulty and not (await asyncio.wait({task}, timeout=WELL_AFTER_S))[0]:
                faulty = False
                told("")
            await asyncio.wait({task})  # not the task itself: its error must not hide a cancel
            await task
            return
        except (DriverError, OSError, termios.error) as error:
            if clock() - started_at > STEADY_NS:
                failures = 0
            if opened or not faulty:
                faulty = True
                told(str(error) or type(error).__name__)
        finally:
            if not task.done():
                task.cancel()
                await asyncio.wait({task})  # it darkens its boards on the way out
            if not task.cancelled():
                task.exception()  # seen: a device lost while leaving is nobody's business any more
        await asyncio.sleep(PAUSES_S[min(failures, len(PAUSES_S) - 1)])
        failures += 1
