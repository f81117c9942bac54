"""An asyncio event loop in virtual time: hours of play in milliseconds, to the nanosecond.

Time stands still while callbacks run and jumps to the next timer when nothing is ready. The clock
counts whole nanoseconds; ``loop.time()`` is that count in seconds, and a double holds it exactly
enough to give the same count back for 52 days. So ``clock()`` stands in for CLOCK_BOOTTIME and
never drifts from the loop.

Real descriptors (pipes, ptys) and threads work: whatever they have ready goes before a jump, and
when no timer is pending they get ``PATIENCE_S`` of real time before the wait counts as a deadlock.
"""

from __future__ import annotations

import asyncio
import functools
import inspect
import selectors
import threading
from collections.abc import Callable, Coroutine
from contextlib import AbstractAsyncContextManager
from typing import Any, Concatenate, ParamSpec, TypeVar

C = TypeVar("C")
P = ParamSpec("P")
T = TypeVar("T")

PATIENCE_S = 2.0
START_AT = 1_000_000_000_000


class DeadlockError(RuntimeError):
    """Every task waits, no timer is pending and nothing real is coming: the test would hang."""


class VirtualClock:
    """The present instant in nanoseconds; only the loop moves it.

    ``lateness``, if given, is called at each jump and says by how many nanoseconds the loop wakes
    after the timer that it slept for (a busy machine: 0 to 900 ms).
    """

    def __init__(self, start_at: int = START_AT, lateness: Callable[[], int] | None = None) -> None:
        self._now = start_at
        self.lateness = lateness

    def __call__(self) -> int:
        return self._now

    def jump(self, duration_ns: int) -> None:
        late_ns = self.lateness() if self.lateness else 0
        self._now += duration_ns + late_ns


class _JumpingSelector(selectors.DefaultSelector):
    """Where a selector would sleep until the next timer, moves the clock there instead."""

    def __init__(self, clock: VirtualClock) -> None:
        super().__init__()
        self._clock = clock
        self.closing = False
        """Threads are being joined: their real time comes before a jump to the loop's timeout."""

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            return self._wait_for_something_real()
        ready = super().select(0)
        if not ready and timeout > 0 and self.closing and threading.active_count() > 1:
            ready = super().select(PATIENCE_S)
        if not ready and timeout > 0:
            self._clock.jump(max(1, round(timeout * 1e9)))  # a rest below 0.5 ns must end too
        return ready

    def _wait_for_something_real(self) -> list[tuple[selectors.SelectorKey, int]]:
        # One descriptor is the loop's own wake-up pipe, which threads write to.
        something_real = len(self.get_map()) > 1 or threading.active_count() > 1
        ready = super().select(PATIENCE_S if something_real else 0)
        if not ready:
            raise DeadlockError("all tasks wait and no timer is pending")
        return ready


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """An event loop whose time is a :class:`VirtualClock`."""

    def __init__(self, clock: VirtualClock) -> None:
        self._jumping = _JumpingSelector(clock)
        super().__init__(self._jumping)
        self._virtual_clock = clock
        # The loop runs timers up to this far ahead: enough for rounding, less than a nanosecond.
        self._clock_resolution = 0.5e-9

    def time(self) -> float:
        return self._virtual_clock() / 1e9

    async def shutdown_default_executor(self, *args: Any) -> None:
        self._jumping.closing = True
        await super().shutdown_default_executor(*args)


def run(
    main: Callable[[VirtualClock], Coroutine[Any, Any, T]],
    lateness: Callable[[], int] | None = None,
) -> T:
    """Run ``main(clock)`` to its end in virtual time and give its result."""
    clock = VirtualClock(lateness=lateness)
    with asyncio.Runner(loop_factory=lambda: VirtualTimeLoop(clock)) as runner:
        return runner.run(main(clock))


def virtual(
    test: Callable[Concatenate[VirtualClock, P], Coroutine[Any, Any, None]],
) -> Callable[P, None]:
    """Make a plain pytest function of ``async def test_...(clock)``, run in virtual time.

    Parameters after the clock stay pytest's.
    """

    def run_in_virtual_time(*args: P.args, **kwargs: P.kwargs) -> None:
        run(lambda clock: test(clock, *args, **kwargs))

    signature = inspect.signature(test)
    rest = list(signature.parameters.values())[1:]
    run_in_virtual_time.__signature__ = signature.replace(  # type: ignore[attr-defined]
        parameters=rest, return_annotation=None
    )
    run_in_virtual_time.__name__ = test.__name__
    run_in_virtual_time.__qualname__ = test.__qualname__
    run_in_virtual_time.__module__ = test.__module__
    run_in_virtual_time.__doc__ = test.__doc__
    return run_in_virtual_time


def virtual_with(
    opened: Callable[[VirtualClock], AbstractAsyncContextManager[C]],
) -> Callable[[Callable[Concatenate[C, P], Coroutine[Any, Any, None]]], Callable[P, None]]:
    """As :func:`virtual`, for tests that are given what ``opened(clock)`` yields."""

    def decorate(test: Callable[Concatenate[C, P], Coroutine[Any, Any, None]]) -> Callable[P, None]:
        @functools.wraps(test)
        async def within(clock: VirtualClock, /, *args: P.args, **kwargs: P.kwargs) -> None:
            async with opened(clock) as made:
                await test(made, *args, **kwargs)

        return virtual(within)

    return decorate


async def sleep_until(clock: VirtualClock, instant_at: int) -> None:
    """Sleep to an instant of ``clock``; at once if it has passed."""
    await asyncio.sleep(max(0, instant_at - clock()) / 1e9)
