from __future__ import annotations

import pytest

from drivers.base import PortError
from drivers.port.memory_port import MemoryPort, memory_pair
from tests.drivers.port.listeners import Ear
from tests.shared.virtual_time import START_AT, VirtualClock, sleep_until, virtual

BYTE_NS = 10 * 1_000_000_000 // 38400


def opened(
    clock: VirtualClock, baud: int | None = 38400
) -> tuple[MemoryPort, Ear, MemoryPort, Ear]:
    """Both ends of a line and what each hears."""
    near, far = memory_pair(clock, baud, names=("north", "south"))
    ears = Ear(), Ear()
    near.open(ears[0])
    far.open(ears[1])
    return near, ears[0], far, ears[1]


@virtual
async def test_bytes_arrive_when_the_line_has_carried_them(clock: VirtualClock) -> None:
    near, _, _, ear = opened(clock)
    assert near.write(b"fifteen bytes..") == 15
    assert near.write(b"more") == 4
    assert near.unsent() == 19
    await sleep_until(clock, START_AT + 16 * BYTE_NS)
    assert near.unsent() == 3
    await sleep_until(clock, START_AT + 100 * BYTE_NS)
    assert near.unsent() == 0
    assert ear.heard == [
        (b"fifteen bytes..", START_AT + 15 * BYTE_NS),
        (b"more", START_AT + 19 * BYTE_NS),
    ]


@virtual
async def test_both_directions_run_at_once_and_without_baud_at_no_time(clock: VirtualClock) -> None:
    near, near_ear, far, far_ear = opened(clock, None)
    near.write(b"there")
    far.write(b"back")
    assert not near_ear.heard
    await sleep_until(clock, START_AT + 1)
    assert far_ear.heard == [(b"there", START_AT)]
    assert near_ear.heard == [(b"back", START_AT)]


@virtual
async def test_a_full_line_takes_what_fits(clock: VirtualClock) -> None:
    near, *_ = opened(clock)
    near.capacity = 20
    assert near.write(bytes(15)) == 15
    assert near.write(bytes(15)) == 5
    assert near.write(bytes(15)) == 0
    await sleep_until(clock, START_AT + 4 * BYTE_NS)
    assert near.write(bytes(15)) == 4


@virtual
async def test_a_stalled_line_keeps_its_bytes_and_goes_on(clock: VirtualClock) -> None:
    near, _, _, ear = opened(clock)
    near.write(bytes(10))
    await sleep_until(clock, START_AT + 4 * BYTE_NS)
    near.stall()
    await sleep_until(clock, START_AT + 1_000_000_000)
    near.write(b"late")
    assert (near.unsent(), ear.heard) == (10, [])
    near.resume()
    await sleep_until(clock, START_AT + 2_000_000_000)
    resumed_at = START_AT + 1_000_000_000
    assert [at for _, at in ear.heard] == [resumed_at + 6 * BYTE_NS, resumed_at + 10 * BYTE_NS]


@virtual
async def test_flush_tears_the_frame_that_has_begun_and_drops_the_rest(
    clock: VirtualClock,
) -> None:
    near, _, _, ear = opened(clock)
    near.write(b"0123456789")
    near.write(b"never")
    await sleep_until(clock, START_AT + 3 * BYTE_NS)
    near.flush()
    assert near.unsent() == 0
    await sleep_until(clock, START_AT + 1_000_000_000)
    assert b"".join(data for data, _ in ear.heard) == b"012"


@virtual
async def test_unplugged_both_ends_lose_it_once_and_replugged_it_works(
    clock: VirtualClock,
) -> None:
    near, near_ear, far, far_ear = opened(clock)
    near.write(b"gone")
    far.unplug()
    far.unplug()
    assert [str(loss) for ear in (near_ear, far_ear) for loss in ear.losses] == [
        "north: lost: unplugged",
        "south: lost: unplugged",
    ]
    assert near.write(b"x") == 0
    with pytest.raises(PortError, match="north: cannot open: unplugged"):
        near.open(near_ear)
    near.replug()
    near.open(near_ear)
    far.open(far_ear)
    near.write(b"back")
    await sleep_until(clock, START_AT + 1_000_000_000)
    assert [data for data, _ in far_ear.heard] == [b"back"]


@virtual
async def test_what_was_written_before_close_still_arrives_but_nothing_is_heard_after(
    clock: VirtualClock,
) -> None:
    near, near_ear, far, far_ear = opened(clock)
    near.write(b"last words")
    far.write(b"to nobody")
    near.close()
    near.close()
    assert near.write(b"more") == 0
    await sleep_until(clock, START_AT + 1_000_000_000)
    assert [data for data, _ in far_ear.heard] == [b"last words"]
    assert near_ear.heard == []


@pytest.mark.parametrize("baud", [0, -1])
def test_a_baud_rate_that_cannot_be_is_refused(baud: int) -> None:
    with pytest.raises(ValueError, match=f"baud {baud}"):
        memory_pair(lambda: 0, baud)
