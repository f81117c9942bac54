"""A driver under supervision: faults with a growing pause, bugs through, cancellation clean."""

from __future__ import annotations

import asyncio
import itertools
import termios
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from controller.service.supervisor import PAUSES_S, TaskScope, supervise
from drivers.base import DriverError, FrameError, PortError
from tests.shared.virtual_time import VirtualClock, virtual

S = 1_000_000_000
Script = Callable[[int], Coroutine[Any, Any, None]]


NO_DEVICE, LOST = OSError(2, "no such device"), OSError(5, "lost")
WELL = (3600, None)


def runs(*each: tuple[float, Exception | None]) -> Script:
    """How many seconds each run lasts and what it then raises; all later ones are like the last."""

    async def script(number: int) -> None:
        lasts_s, error = each[min(number, len(each) - 1)]
        if lasts_s:
            await asyncio.sleep(lasts_s)
        if error is not None:
            raise error

    return script


class Ward:
    """One supervised driver. ``script`` is given the number of the run, from 0."""

    def __init__(self, clock: VirtualClock, script: Script) -> None:
        self.runs: list[int] = []
        self.started: list[int] = []
        self.told: list[tuple[int, str]] = []
        self._clock, self._script = clock, script
        self.task = asyncio.create_task(
            supervise(self._run, clock, self._has_started, self._was_told)
        )

    async def _run(self) -> None:
        self.runs.append(self._clock())
        await self._script(len(self.runs) - 1)

    def _has_started(self) -> None:
        self.started.append(self._clock())

    def _was_told(self, fault: str) -> None:
        self.told.append((self._clock(), fault))

    async def end(self) -> None:
        self.task.cancel()
        await asyncio.wait({self.task}, timeout=1)
        assert self.task.cancelled(), "cancelled, it must end"


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (DriverError("bent"), "bent"),
        (PortError("gone"), "gone"),
        (FrameError("odd"), "odd"),
        (OSError(5, "I/O"), "[Errno 5] I/O"),
        (termios.error(5, "I/O"), "(5, 'I/O')"),
        (OSError(), "OSError"),
    ],
)
@virtual
async def test_a_driver_s_error_is_a_fault_told_once_and_its_end_too(
    clock: VirtualClock, error: Exception, words: str
) -> None:
    start_at = clock()
    ward = Ward(clock, runs(*[(0, error)] * 4, WELL))
    await asyncio.sleep(10)
    assert ward.told == [(start_at, words), (start_at + int(1.5 * S), "")]
    assert ward.started == [start_at + S], "only with its device open"
    await ward.end()


@virtual
async def test_the_pauses_grow_and_stay(clock: VirtualClock) -> None:
    ward = Ward(clock, runs((0, NO_DEVICE)))
    await asyncio.sleep(12)
    gaps = [(b - a) / S for a, b in itertools.pairwise(ward.runs)]
    assert gaps[:11] == [*PAUSES_S, PAUSES_S[-1], PAUSES_S[-1]]
    assert len(ward.told) == 1
    await ward.end()


@virtual
async def test_after_10_s_of_service_the_next_fault_starts_with_the_shortest_pause(
    clock: VirtualClock,
) -> None:
    ward = Ward(clock, runs(*[(0, LOST)] * 4, (11, LOST), (0, LOST)))
    await asyncio.sleep(14)
    assert ward.runs[5] - ward.runs[4] == int(11.1 * S)
    assert [fault for _, fault in ward.told[:3]] == ["[Errno 5] lost", "", "[Errno 5] lost"]
    await ward.end()


@pytest.mark.parametrize("back_after_s", [0.05, 0.4, 1.2, 2.0, 2.4])
@virtual
async def test_a_device_back_in_time_is_found_in_time_for_its_boards_to_return(
    clock: VirtualClock, back_after_s: float
) -> None:
    back_at = clock() + round(back_after_s * S)

    async def script(_: int) -> None:
        if clock() < back_at:
            raise OSError(2, "no such device")
        await asyncio.sleep(3600)

    ward = Ward(clock, script)
    await asyncio.sleep(3)
    assert ward.started[0] - back_at <= 0.5 * S
    assert ward.started[0] <= ward.runs[0] + 2.5 * S
    await ward.end()


@virtual
async def test_a_fault_that_takes_another_s_place_is_told_and_a_repeated_one_is_not(
    clock: VirtualClock,
) -> None:
    denied = OSError(13, "permission denied")
    ward = Ward(clock, runs((1, OSError(5, "hung up")), *[(0, NO_DEVICE)] * 3, (0, denied)))
    await asyncio.sleep(10)
    assert [fault for _, fault in ward.told] == [
        "[Errno 5] hung up",
        "[Errno 2] no such device",
        "[Errno 13] permission denied",
    ]
    await ward.end()


@pytest.mark.parametrize("after_s", [0, 0.01, 0.6])
@pytest.mark.parametrize("failures", [0, 1])
@virtual
async def test_a_bug_of_ours_is_raised_whenever_it_comes(
    clock: VirtualClock, after_s: float, failures: int
) -> None:
    ward = Ward(clock, runs(*[(0, LOST)] * failures, (after_s, ValueError("ours"))))
    with pytest.raises(ValueError, match="ours"):
        await ward.task


@virtual
async def test_a_driver_that_returns_has_a_fault_and_is_run_again(clock: VirtualClock) -> None:
    ward = Ward(clock, runs((0.2, None), WELL))
    began_at = clock()
    await asyncio.sleep(5)
    assert [at - began_at for at in ward.runs] == [0, int(0.3 * S)]
    assert ward.told == [
        (began_at + int(0.2 * S), "its driver ended without saying why"),
        (began_at + int(0.8 * S), ""),
    ]
    await ward.end()


@pytest.mark.parametrize("after_s", [0, 0.001, 0.05, 0.1, 0.15, 0.4, 0.7, 5])
@virtual
async def test_cancelled_at_any_await_the_driver_has_left_before_it_ends(
    clock: VirtualClock, after_s: float
) -> None:
    inside = 0

    async def script(number: int) -> None:
        nonlocal inside
        inside += 1
        try:
            await asyncio.sleep(0.05 if number == 0 else 3600)
            raise OSError(5, "lost")
        finally:
            try:
                await asyncio.sleep(0.025)  # dark frames
            finally:
                inside -= 1

    ward = Ward(clock, script)
    if after_s:
        await asyncio.sleep(after_s)
    await ward.end()
    assert inside == 0


@virtual
async def test_an_error_on_the_way_out_does_not_undo_a_cancellation(clock: VirtualClock) -> None:
    async def script(_: int) -> None:
        try:
            await asyncio.sleep(3600)
        finally:
            raise OSError(5, "lost while leaving")

    ward = Ward(clock, script)
    await asyncio.sleep(1)
    ward.task.cancel()
    await asyncio.sleep(10)
    assert ward.task.cancelled()
    assert len(ward.runs) == 1


@virtual
async def test_a_device_lost_again_before_it_counts_as_well_is_told_again(
    clock: VirtualClock,
) -> None:
    ward = Ward(clock, runs((20, LOST), (0.4, LOST), (0, LOST)))
    await asyncio.sleep(30)
    assert len(ward.started) == 2
    lost_again_at = ward.runs[1] + int(0.4 * S)
    told_at = [at for at, fault in ward.told if fault]
    await ward.end()
    assert lost_again_at in told_at


@virtual
async def test_a_stop_cancels_all_and_waits_for_their_ends(clock: VirtualClock) -> None:
    scope, ended = TaskScope(), []

    async def one(name: str) -> None:
        try:
            await asyncio.Event().wait()
        finally:
            await asyncio.sleep(0.025)
            ended.append(name)

    asyncio.get_running_loop().call_later(1, scope.stop)
    before = asyncio.get_running_loop().get_exception_handler()
    await scope.run_until_stopped([one("a"), one("b")], lambda: ended.append("begun"))
    assert sorted(ended) == ["a", "b", "begun"]
    assert asyncio.get_running_loop().get_exception_handler() is before


@virtual
async def test_a_bug_in_a_callback_ends_it(clock: VirtualClock) -> None:
    scope = TaskScope()

    def bug() -> None:
        raise ZeroDivisionError("a bug")

    asyncio.get_running_loop().call_later(1, bug)
    with pytest.raises(ZeroDivisionError):
        await scope.run_until_stopped([asyncio.sleep(9)], lambda: None)


@virtual
async def test_a_bug_in_a_task_ends_the_others(clock: VirtualClock) -> None:
    scope, ended = TaskScope(), []

    async def other() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            ended.append("other")

    async def bug() -> None:
        await asyncio.sleep(1)
        raise ZeroDivisionError("a bug")

    with pytest.raises(ExceptionGroup) as caught:
        await scope.run_until_stopped([other(), bug()], lambda: None)
    assert caught.group_contains(ZeroDivisionError)
    assert ended == ["other"]
