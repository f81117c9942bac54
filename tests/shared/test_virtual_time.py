from __future__ import annotations

import asyncio
import os
import time

import pytest

from tests.shared.virtual_time import (
    START_AT,
    DeadlockError,
    VirtualClock,
    run,
    sleep_until,
    virtual,
)

MS = 1_000_000
S = 1_000_000_000


@virtual
async def test_clock_and_loop_agree_to_the_nanosecond_over_a_whole_game(
    clock: VirtualClock,
) -> None:
    loop = asyncio.get_running_loop()
    for k in range(1, 5000):
        await sleep_until(clock, START_AT + k * 3_333_333_331)
        assert clock() == START_AT + k * 3_333_333_331
        assert round(loop.time() * 1e9) == clock()


@virtual
async def test_timers_fire_in_order_each_at_its_own_nanosecond(clock: VirtualClock) -> None:
    loop = asyncio.get_running_loop()
    fired: list[tuple[str, int]] = []
    start = loop.time()
    for name, offset_ns in (("c", 3), ("a", 1), ("d", 40 * S), ("b", 2)):
        loop.call_at(start + offset_ns / 1e9, lambda n=name: fired.append((n, clock())))  # type: ignore[misc]
    await asyncio.sleep(41)
    assert fired == [
        ("a", START_AT + 1),
        ("b", START_AT + 2),
        ("c", START_AT + 3),
        ("d", START_AT + 40 * S),
    ]


@pytest.mark.parametrize("hours", [1, 100])  # the longest wait of one select is 24
def test_an_hour_takes_next_to_no_real_time(hours: int) -> None:
    async def main(clock: VirtualClock) -> int:
        await asyncio.sleep(hours * 3600)
        return clock()

    began = time.perf_counter()
    assert run(main) == START_AT + hours * 3600 * S
    assert time.perf_counter() - began < 0.25


def test_injected_lateness_is_added_at_each_jump() -> None:
    late = iter([0, 900 * MS, 7])

    async def main(clock: VirtualClock) -> list[int]:
        seen = []
        for k in (1, 2, 3):
            await sleep_until(clock, START_AT + k * S)
            seen.append(clock() - START_AT)
        return seen

    assert run(main, lateness=lambda: next(late, 0)) == [1 * S, 2 * S + 900 * MS, 3 * S + 7]


def test_nothing_to_wait_for_is_an_error_and_not_a_hang() -> None:
    async def main(_clock: VirtualClock) -> None:
        await asyncio.get_running_loop().create_future()

    with pytest.raises(DeadlockError, match="no timer is pending"):
        run(main)


@virtual
async def test_task_groups_and_timeouts_run_in_virtual_time(clock: VirtualClock) -> None:
    async def slow() -> None:
        await asyncio.sleep(10)

    with pytest.raises(TimeoutError):
        async with asyncio.timeout(2.5), asyncio.TaskGroup() as group:
            group.create_task(slow())
    assert clock() == START_AT + 2_500 * MS


@virtual
async def test_a_ready_descriptor_goes_before_a_jump(clock: VirtualClock) -> None:
    loop = asyncio.get_running_loop()
    reader, writer = os.pipe()
    heard: asyncio.Future[int] = loop.create_future()
    loop.add_reader(reader, lambda: heard.set_result(clock()) if not heard.done() else None)
    os.write(writer, b"x")
    try:
        async with asyncio.timeout(5):
            assert await heard == START_AT
    finally:
        loop.remove_reader(reader)
        os.close(reader)
        os.close(writer)


@virtual
async def test_a_thread_can_hand_a_result_to_the_loop(clock: VirtualClock) -> None:
    assert await asyncio.to_thread(lambda: 40) == 40
    assert clock() == START_AT
