"""Tasks that live together: stopped together, and a bug in one ends all."""

from __future__ import annotations

import asyncio

import pytest

from controller.service.task_group import TaskScope
from tests.shared.virtual_time import VirtualClock, virtual


@virtual
async def test_a_stop_cancels_all_and_waits_for_their_ends(clock: VirtualClock) -> None:
    life, ended = TaskScope(), []

    async def one(name: str) -> None:
        try:
            await asyncio.Event().wait()
        finally:
            await asyncio.sleep(0.025)
            ended.append(name)

    asyncio.get_running_loop().call_later(1, life.stop)
    before = asyncio.get_running_loop().get_exception_handler()
    await life.run_until_stopped([one("a"), one("b")], lambda: ended.append("begun"))
    assert sorted(ended) == ["a", "b", "begun"]
    assert life.stopping
    assert asyncio.get_running_loop().get_exception_handler() is before


@virtual
async def test_a_bug_in_a_callback_ends_it(clock: VirtualClock) -> None:
    life = TaskScope()

    def bug() -> None:
        raise ZeroDivisionError("a bug")

    asyncio.get_running_loop().call_later(1, bug)
    with pytest.raises(ZeroDivisionError):
        await life.run_until_stopped([asyncio.sleep(9)], lambda: None)


@virtual
async def test_a_bug_in_a_task_ends_the_others(clock: VirtualClock) -> None:
    life, ended = TaskScope(), []

    async def other() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            ended.append("other")

    async def bug() -> None:
        await asyncio.sleep(1)
        raise ZeroDivisionError("a bug")

    with pytest.raises(ExceptionGroup) as caught:
        await life.run_until_stopped([other(), bug()], lambda: None)
    assert caught.group_contains(ZeroDivisionError)
    assert ended == ["other"]
