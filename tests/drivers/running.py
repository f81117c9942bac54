"""A driver at work for as long as a test needs it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Coroutine


@contextlib.asynccontextmanager
async def running(run: Coroutine[None, None, None]) -> AsyncIterator[asyncio.Task[None]]:
    """The task of a driver's ``run``, which is cancelled, and waited for, at the end."""
    task = asyncio.create_task(run)
    await asyncio.sleep(0)
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.wait({task})
