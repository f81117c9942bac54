"""Keeps the drivers running: their errors become faults with a growing pause, never a crash.

Their tasks live and die together: until the service is told to stop, or until a bug ends one.
"""

from __future__ import annotations

import asyncio
import termios
from collections.abc import Callable, Coroutine, Iterable, Sequence
from typing import Any, Protocol

from drivers.base import Board, BoardListener, Clock, DriverError, Handset, HandsetListener

S_NS = 1_000_000_000
PAUSES_S = (0.1, 0.2, 0.2, 0.5, 0.5, 0.5, 0.5, 1.0, 2.0)
"""A device that is back 2.5 s after it was lost is found at once: early enough for its boards to
come back by themselves (:data:`controller.service.board_state.RETURN_WITHIN_NS`)."""
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


class Supervised(BoardListener, HandsetListener, Protocol):
    """The service, as the supervisors of its drivers see it. A ``fault`` in plain words is empty
    when the driver is well again."""

    def board_started(self, board: Board) -> None: ...

    def board_fault(self, board: Board, fault: str) -> None: ...

    def handset_started(self, handset: Handset) -> None: ...

    def handset_fault(self, handset: Handset, fault: str) -> None: ...


def driver_tasks(
    service: Supervised, boards: Sequence[Board], handsets: Sequence[Handset], clock: Clock
) -> list[Coroutine[Any, Any, None]]:
    """One coroutine for each driver: to be run until the service ends."""

    async def drive(board: Board) -> None:
        await supervise(
            lambda: board.run(service),
            clock,
            lambda: service.board_started(board),
            lambda fault: service.board_fault(board, fault),
        )

    async def listen(handset: Handset) -> None:
        await supervise(
            lambda: handset.run(service),
            clock,
            lambda: service.handset_started(handset),
            lambda fault: service.handset_fault(handset, fault),
        )

    return [*map(drive, boards), *map(listen, handsets)]


class TaskScope:
    """The tasks of one service; made inside or outside the event loop, run once."""

    def __init__(self) -> None:
        self._stop = asyncio.Event()
        self._failed: BaseException | None = None

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
