"""The event loop of the service: an ordinary one, with some readers served inside its wait."""

from __future__ import annotations

import asyncio
import os
import selectors
import socket
from collections.abc import Callable, Coroutine, Iterator
from typing import Any

import pytest

from controller.service.event_loop import UrgentLoop, UrgentSelector

Pipe = tuple[int, int]


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    reader, writer = os.pipe()
    yield reader, writer
    os.close(reader)
    os.close(writer)


def run(main: Callable[[UrgentLoop], Coroutine[Any, Any, None]]) -> None:
    async def started() -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, UrgentLoop)
        await main(loop)

    with asyncio.Runner(loop_factory=UrgentLoop) as runner:
        runner.run(started())


def test_an_urgent_reader_comes_before_what_is_ready_already(pipe: Pipe) -> None:
    order: list[str] = []

    async def main(loop: UrgentLoop) -> None:
        plain, other = socket.socketpair()
        done = asyncio.Event()

        def plainly() -> None:
            order.append("plain")
            done.set()

        loop.add_reader(plain.fileno(), plainly)
        loop.add_urgent_reader(pipe[0], lambda: order.append(os.read(pipe[0], 9).decode()))
        other.send(b"x")
        os.write(pipe[1], b"urgent")
        loop.call_soon(order.append, "soon")
        await done.wait()
        loop.remove_reader(plain.fileno())
        plain.close()
        other.close()

    run(main)
    assert order[:3] in (["soon", "urgent", "plain"], ["urgent", "soon", "plain"])


def test_what_an_urgent_reader_raises_goes_to_the_loop_s_handler(pipe: Pipe) -> None:
    seen: list[object] = []

    def broken() -> None:
        os.read(pipe[0], 9)
        raise ZeroDivisionError("made by the test")

    async def main(loop: UrgentLoop) -> None:
        told = asyncio.Event()

        def handler(_: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
            seen.append(context["exception"])
            told.set()

        loop.set_exception_handler(handler)
        loop.add_urgent_reader(pipe[0], broken)
        os.write(pipe[1], b"x")
        await told.wait()

    run(main)
    assert [type(error) for error in seen] == [ZeroDivisionError]


def test_a_removed_reader_of_either_kind_is_not_called(pipe: Pipe) -> None:
    async def main(loop: UrgentLoop) -> None:
        calls: list[str] = []
        loop.add_urgent_reader(pipe[0], lambda: calls.append("urgent"))
        assert loop.remove_reader(pipe[0])
        assert not loop.remove_reader(pipe[0])
        loop.add_reader(pipe[0], calls.append, "plain")
        assert loop.remove_reader(pipe[0])
        os.write(pipe[1], b"x")
        for _ in range(5):
            await asyncio.sleep(0)
        assert calls == []

    run(main)


def test_a_hang_up_calls_the_urgent_reader() -> None:
    async def main(loop: UrgentLoop) -> None:
        reader, writer = os.pipe()
        ended = asyncio.Event()

        def hung_up() -> None:
            loop.remove_reader(reader)
            ended.set()

        loop.add_urgent_reader(reader, hung_up)
        os.close(writer)
        await ended.wait()
        os.close(reader)

    run(main)


@pytest.mark.parametrize("timeout", [None, 0.0, -1.0, 0.0004])
def test_it_selects_as_the_standard_one_does(timeout: float | None) -> None:
    ours, standard = UrgentSelector(), selectors.EpollSelector()
    left, right = socket.socketpair()
    left.send(b"x")
    for selector in (ours, standard):
        selector.register(left, selectors.EVENT_READ | selectors.EVENT_WRITE, "left")
        selector.register(right, selectors.EVENT_READ, "right")
    expected = {(key.data, events) for key, events in standard.select(timeout)}
    assert {(key.data, events) for key, events in ours.select(timeout)} == expected
    for selector in (ours, standard):
        selector.modify(left, selectors.EVENT_READ, "left again")
        assert selector.get_key(left).data == "left again"
        selector.unregister(right)
        assert selector.select(0) == []
        with pytest.raises(KeyError):
            selector.unregister(right)
        with pytest.raises(KeyError):
            selector.register(left, selectors.EVENT_READ)
        selector.close()
    left.close()
    right.close()


def test_no_timer_is_met_early() -> None:
    async def main(loop: UrgentLoop) -> None:
        for wait_s in (0.0004, 0.0011, 0.0029):
            due = loop.time() + wait_s
            met: asyncio.Future[float] = loop.create_future()
            loop.call_at(due, lambda met=met: met.set_result(loop.time()))  # type: ignore[misc]
            assert await met >= due - 1e-9

    run(main)
