"""Dead, lying and unplugged boards, a second controller, the end: on real bytes.

Whatever happens, both ends of the field read the same right numeral, or both are dark.
"""

from __future__ import annotations

import asyncio

import pytest

from tests.shared.board_node import Lamps, Node
from tests.shared.frames import DARK_NUMERALS, S_NS, Show, segment_bits
from tests.shared.installation import CONTROLLER_ID
from tests.shared.rig import NOTICED_S, Rig, rigged

G = segment_bits("g")
NONE_LIT = Lamps()


def lit_ns_since(node: Node, since_at: int) -> int:
    """For how long a board was not dark."""
    lit = (max(0, end - max(begin, since_at)) for begin, end, face in node.spells() if face.strip())
    return sum(lit)


@pytest.mark.parametrize("fault", ["unplugged", "mute"])
@pytest.mark.parametrize("back_after_s", [0.4, 1.4, 2.5])
@rigged
async def test_a_board_that_is_lost_for_a_moment_darkens_both_and_they_come_back(
    rig: Rig, fault: str, back_after_s: float
) -> None:
    await rig.held_25()
    await asyncio.sleep(3)
    north, south = rig.nodes
    south.plugged, south.mute = fault != "unplugged", fault == "mute"
    dark_at = await rig.fault_seen()
    await asyncio.sleep(back_after_s)
    assert north.reads == "  " and south.reads in (("  ",) if fault == "mute" else ("  ", "25"))
    south.plugged, south.mute = True, False
    await asyncio.sleep((dark_at + 3 * S_NS - rig.clock()) / 1e9)
    assert rig.read == ["25", "25"]
    assert rig.keeper.state is not None and not rig.keeper.state.flags & {"fault", "off"}

    rows = await rig.rows()
    assert [row.kind for row in rows if row.kind in ("fault", "healed")][-1] == "healed"


@rigged
async def test_an_unplugged_board_darkens_itself_within_its_own_time(rig: Rig) -> None:
    await rig.running_25()
    await asyncio.sleep(2)
    since_at = rig.clock()
    rig.nodes[1].plugged = False
    await asyncio.sleep(3)
    assert lit_ns_since(rig.nodes[1], since_at) <= 1.5 * S_NS
    assert lit_ns_since(rig.nodes[0], since_at) <= NOTICED_S * S_NS


@rigged
async def test_a_board_lost_for_longer_stays_off_until_relight(rig: Rig) -> None:
    await rig.running_25()
    await asyncio.sleep(3)
    rig.nodes[1].plugged = False
    await rig.fault_seen()
    await asyncio.sleep(4)
    rig.nodes[1].plugged = True
    await asyncio.sleep(4)
    assert rig.read == ["  ", "  "]
    assert rig.keeper.state is not None and "off" in rig.keeper.state.flags
    assert rig.keeper.state.phase == "RUNNING"  # the count goes on in the hand
    assert await rig.hold_boards_key() == "held"
    left = f"{rig.keeper.state.numerals:2d}"
    assert rig.read == [left, left]


@rigged
async def test_a_board_that_shows_wrong_numerals_darkens_both_until_relight(rig: Rig) -> None:
    north, south = rig.nodes
    await rig.held_25()
    await asyncio.sleep(3)
    south.stick(NONE_LIT, Lamps(G, G), rig.clock())
    since_at = rig.clock()
    await asyncio.sleep(15)
    assert rig.read == ["  ", "  "]
    assert rig.keeper.state is not None and "off" in rig.keeper.state.flags
    # Once only: that the dark is dark says nothing of the numerals.
    assert lit_ns_since(south, since_at) <= NOTICED_S * S_NS
    assert lit_ns_since(north, since_at) <= NOTICED_S * S_NS
    assert await rig.hold_boards_key() == "held"
    await asyncio.sleep(15)
    assert rig.read == ["  ", "  "]  # not mended
    south.stick(NONE_LIT, NONE_LIT, rig.clock())
    assert await rig.hold_boards_key() == "held"
    await asyncio.sleep(15)
    assert rig.read == ["25", "25"]

    rows = await rig.rows()
    assert any("south: wrong" in row.event for row in rows)


@pytest.mark.parametrize("out_s", [1.0, 5.0])
@rigged
async def test_the_boards_adapter_is_pulled_and_put_in_again(rig: Rig, out_s: float) -> None:
    await rig.held_25()
    await asyncio.sleep(1)
    rig.unplug("boards")
    await asyncio.sleep(out_s)
    assert rig.keeper.state is not None and "fault" in rig.keeper.state.flags
    rig.plug("boards")
    await asyncio.sleep(5)
    if out_s > 3:
        assert rig.read == ["  ", "  "]
        assert await rig.hold_boards_key() == "held"
        await asyncio.sleep(0.2)
    assert rig.read == ["25", "25"]

    rows = await rig.rows()
    told = [(r.kind, "cannot open" in r.detail) for r in rows if r.event == "port of north, south"]
    assert told == [("fault", False), ("fault", True), ("healed", False)]


@rigged
async def test_another_controller_on_the_pair_raises_an_alarm_and_moves_nothing(rig: Rig) -> None:
    await rig.held_25()
    stranger = Show(CONTROLLER_ID + 1, 7, 13, 15, 0, 0b11)
    for _ in range(5):
        rig.boards.stranger(stranger)
        await asyncio.sleep(0.3)
    assert any("another controller" in alarm for alarm in rig.status.alarms)
    assert rig.nodes[0].faces == ["  ", "25"] == rig.nodes[1].faces
    assert [node.foreign for node in rig.nodes] == [5, 5]


@pytest.mark.parametrize("after_s", [0.003, 0.31, 0.976])
@rigged
async def test_a_stop_in_the_middle_of_a_count_leaves_dark_boards(rig: Rig, after_s: float) -> None:
    await rig.running_25()
    await asyncio.sleep(3 + after_s)
    assert rig.read[0].strip()
    await rig.end()
    assert rig.read == ["  ", "  "]
    assert [heard.show.numerals for heard in rig.boards.log[-2:]] == [DARK_NUMERALS] * 2
    assert [node.silences for node in rig.nodes] == [0, 0]  # by order, not for want of frames
