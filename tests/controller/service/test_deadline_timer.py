"""One timer: the newest instant counts, and it is never called with an earlier one."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from controller.service.deadline_timer import OneTimer
from tests.shared.virtual_time import VirtualClock, run, virtual

MS, S = 1_000_000, 1_000_000_000


class Noted(OneTimer):
    """Notes with which instants it fires."""

    def __init__(self, clock: Callable[[], int]) -> None:
        self.fired: list[int] = []
        super().__init__(clock, self.fired.append)


@virtual
async def test_it_fires_at_its_instant_once(clock: VirtualClock) -> None:
    timer, start_at = Noted(clock), clock()
    timer.arm(start_at + 123_456_789, start_at)
    await asyncio.sleep(5)
    assert timer.fired == [start_at + 123_456_789]


@virtual
async def test_arming_again_replaces_whether_earlier_or_later(clock: VirtualClock) -> None:
    timer, start_at = Noted(clock), clock()
    timer.arm(start_at + 3 * S, start_at)
    timer.arm(start_at + S, start_at)
    await asyncio.sleep(1.5)
    timer.arm(start_at + 2 * S, clock())
    timer.arm(start_at + 4 * S, clock())
    await asyncio.sleep(5)
    assert timer.fired == [start_at + S, start_at + 4 * S]


@virtual
async def test_disarmed_it_stays_quiet_and_may_be_disarmed_twice(clock: VirtualClock) -> None:
    timer = Noted(clock)
    timer.arm(clock() + S, clock())
    timer.disarm()
    timer.disarm()
    await asyncio.sleep(2)
    assert timer.fired == []


@virtual
async def test_what_is_overdue_fires_at_once_with_the_clock_s_instant(clock: VirtualClock) -> None:
    timer = Noted(clock)
    timer.arm(clock() - 5 * S, clock())
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert timer.fired == [clock()]


@virtual
async def test_a_loop_that_is_early_by_its_resolution_is_given_the_due_instant(
    clock: VirtualClock,
) -> None:
    timer, due_at = Noted(lambda: clock() - 400), clock() + S
    timer.arm(due_at, clock())
    await asyncio.sleep(2)
    assert timer.fired == [due_at]


def test_a_late_loop_gives_the_late_instant() -> None:
    async def main(clock: VirtualClock) -> None:
        timer, due_at = Noted(clock), clock() + S
        timer.arm(due_at, clock())
        await asyncio.sleep(2)
        assert timer.fired == [due_at + 900 * MS]

    run(main, lateness=lambda: 900 * MS)


@virtual
async def test_it_may_be_armed_again_from_within(clock: VirtualClock) -> None:
    fired: list[int] = []
    start_at = clock()

    def act(now: int) -> None:
        fired.append(now)
        if len(fired) < 100:
            timer.arm(start_at + len(fired) * 100 * MS, now)

    timer = OneTimer(clock, act)
    timer.arm(start_at, start_at)
    await asyncio.sleep(30)
    assert fired == [start_at + k * 100 * MS for k in range(100)]


@virtual
async def test_it_is_overdue_20_ms_after_it_should_have_called(clock: VirtualClock) -> None:
    timer, due_at = Noted(clock), clock() + S
    assert not timer.overdue(due_at + 60 * S), "never armed"
    timer.arm(due_at, clock())
    assert [timer.overdue(due_at + late_ns) for late_ns in (0, 20 * MS, 20 * MS + 1)] == [
        False,
        False,
        True,
    ]
    timer.disarm()
    assert timer.overdue(due_at + S), "whoever lost it, it did not call"
    timer.arm(due_at + S, clock())
    assert not timer.overdue(due_at + S)


def test_it_is_not_overdue_while_it_calls_however_late() -> None:
    async def main(clock: VirtualClock) -> None:
        said: list[bool] = []
        timer = OneTimer(clock, lambda now: said.append(timer.overdue(now)))
        timer.arm(clock() + S, clock())
        await asyncio.sleep(2)
        assert said == [False]
        assert timer.overdue(clock()), "it was not armed again from within"

    run(main, lateness=lambda: 900 * MS)
