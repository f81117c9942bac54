"""Leaving a bus: dark twice, nothing left in the port, and always closed."""

from __future__ import annotations

import asyncio

import pytest

from drivers.base import PortError, PortListener
from drivers.board.blanking import DARK_FRAMES, FAREWELL_S, close_dark
from tests.shared.virtual_time import VirtualClock, virtual


class Port:
    """Keeps what was done to it, and when; ``unsent_bytes`` never leave."""

    name = "port"

    def __init__(self, clock: VirtualClock, unsent_bytes: int = 0) -> None:
        self.done: list[tuple[str, int]] = []
        self.lost = False
        self._clock, self._unsent = clock, unsent_bytes
        self._since_at = clock()

    def open(self, listener: PortListener) -> None:
        raise AssertionError("it is being left")

    def write(self, data: bytes) -> int:
        self._note(data.decode())
        return len(data)

    def unsent(self) -> int:
        return self._unsent

    def flush(self) -> None:
        self._note("flush")
        if self.lost:
            raise PortError("port: cannot flush: hung up")

    def close(self) -> None:
        self._note("close")

    def _note(self, what: str) -> None:
        self.done.append((what, (self._clock() - self._since_at) // 1_000_000))


def dark() -> bytes:
    return b"dark"


@virtual
async def test_dark_goes_out_at_once_and_again_when_no_answer_can_be_in_the_way(
    clock: VirtualClock,
) -> None:
    port = Port(clock)
    await close_dark(port, dark, alive=True)
    twice, later_ms = [("dark", 0)] * DARK_FRAMES, round(FAREWELL_S * 1000)
    assert port.done == [*twice, *[("dark", later_ms)] * DARK_FRAMES, ("close", later_ms)]


@virtual
async def test_what_does_not_leave_is_thrown_away(clock: VirtualClock) -> None:
    port = Port(clock, unsent_bytes=30)
    await close_dark(port, dark, alive=True)
    assert [what for what, _ in port.done][-2:] == ["flush", "close"]


@pytest.mark.parametrize("lost", [False, True])
@virtual
async def test_a_port_that_failed_is_emptied_and_closed_at_once(
    clock: VirtualClock, lost: bool
) -> None:
    port = Port(clock, unsent_bytes=15)
    port.lost = lost
    await close_dark(port, dark, alive=False)
    assert port.done == [("flush", 0), ("close", 0)]


@virtual
async def test_cancelled_on_the_way_out_it_still_says_dark_and_closes(clock: VirtualClock) -> None:
    port = Port(clock)
    task = asyncio.create_task(close_dark(port, dark, alive=True))
    await asyncio.sleep(0.01)
    task.cancel()
    await asyncio.wait({task})
    assert task.cancelled()
    assert port.done[DARK_FRAMES:] == [*[("dark", 10)] * DARK_FRAMES, ("close", 10)]
