"""Tasks that live and die together: until told to stop, or until a bug ends one of them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Iterable
from typing import Any


class TaskScope:
    """One life of a service; made inside or outside the event loop, lived once."""

    def __init__(self) -> None:
        self._stop = asyncio.Event()
        self._failed: BaseException | None = None

    @property
    def stopping(self) -> bool:
        """True once :meth:`stop` was called."""
        return self._stop.is_set()

    def stop(self) -> None:
        """End it: :meth:`run_until_stopped` cancels its tasks, waits for them and returns."""
        self._stop.set()

    async def run_until_stopped(
        self, coroutines: Iterable[Coroutine[Any, Any, None]], begin: Callable[[], None]
    ) -> None:
        """Run all of them beside each other; ``begin`` is called when they are about to start.

        Raises what went wrong in any of them, or in any callback of the event loop.
        """
        loop = asyncio.get_running_loop()
        before = loop.get_exception_handler()
        loop.set_exception_handler(self._loop_error)
        try:
            async with asyncio.TaskGroup() as group:
                tasks = [group.create_task(each) for each in coroutines]
                begin()
                await self._stop.wait()
                for task in tasks:
                    task.cancel()
        finally:
            loop.set_exception_handler(before)
        if self._failed is not None:
            raise self._failed

    def _loop_error(self, loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        error = context.get("exception")
        self._failed = error if isinstance(error, BaseException) else RuntimeError(str(context))
        self.stop()
