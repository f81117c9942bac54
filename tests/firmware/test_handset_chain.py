"""The whole chain: a thumb on a simulated chip's key, the service, the numerals, the cue back."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import cast

import pytest

from tests.firmware.handset_air import ChipAir, ChipHandset
from tests.firmware.handset_chip import MARKS
from tests.shared import far_ends
from tests.shared.frames import MS_NS, S_NS
from tests.shared.rig import Rig, play

pytestmark = [pytest.mark.full, pytest.mark.needs_avr, pytest.mark.needs_gcc]

SEEN_MS = 60
"""From the first edge to the numerals: 15 ms in the handset, the last byte's 0.3, the service,
4 ms of SHOW, and at most 20 where an answer of a board is awaited."""
CUE_MS = 100


@pytest.fixture(autouse=True)
def chips(monkeypatch: pytest.MonkeyPatch) -> None:
    """Chips take the place of the tests' own handsets."""
    monkeypatch.setattr(far_ends, "HandsetEnd", ChipHandset)
    monkeypatch.setattr(far_ends, "Air", ChipAir)


def test_presses_change_the_numerals_answers_and_the_counts_cues_come_back(tmp_path: Path) -> None:
    async def script(rig: Rig) -> None:
        keeper, field = cast(ChipHandset, rig.keeper), cast(ChipHandset, rig.field)
        await asyncio.sleep(1.5)  # both have said that they are there
        pressed_at = await keeper.tap("DEAD_BALL")
        for node in rig.nodes:
            assert node.reads == "40"
            assert (node.instants[-1] - pressed_at) / MS_NS <= SEEN_MS
        await asyncio.sleep(40.9 - 0.18)
        felt = keeper.felt(pressed_at)
        assert [lengths for _, lengths in felt] == [[120], *(lengths for _, lengths in MARKS)]
        assert (felt[0][0] - pressed_at) / MS_NS <= CUE_MS
        zero_at = pressed_at + 40 * S_NS
        for (at, _), (seconds, _) in zip(felt[1:], MARKS, strict=True):
            assert abs(at - (zero_at - seconds * S_NS)) <= CUE_MS * MS_NS, seconds
            assert any(
                abs(changed_at - at) <= CUE_MS * MS_NS for changed_at in rig.nodes[0].instants
            ), "the thumb and the board agree"
        assert [lengths for _, lengths in field.felt(pressed_at)] == [
            lengths for _, lengths in MARKS
        ]
        held_at = await field.tap("NUMBER_25")
        assert rig.read == ["25", "25"]
        await asyncio.sleep(0.6)
        assert [lengths for _, lengths in field.felt(held_at)][-1] == [120, 120, 120]
        assert (await keeper.tap("STOP")) and rig.read == ["25", "25"]
        await asyncio.sleep(0.5)
        assert not rig.status.alarms

    rows = play(tmp_path, script).site.rows()
    told = [(row.handset, row.result) for row in rows if row.kind == "press"]
    assert told == [(1, "running"), (2, "held")]
    assert not [row for row in rows if row.kind == "rejected"]


def test_a_dead_receiver_is_felt_and_seen_and_a_count_is_never_made_up(tmp_path: Path) -> None:
    async def script(rig: Rig) -> None:
        keeper = cast(ChipHandset, rig.keeper)
        await asyncio.sleep(1.5)
        await keeper.tap("DEAD_BALL")
        await asyncio.sleep(20)
        lost_at = rig.clock()
        rig.unplug("receiver")
        await asyncio.sleep(4)
        await keeper.tap("NUMBER_40")
        await asyncio.sleep(18)
        felt = [lengths for _, lengths in keeper.felt(lost_at)]
        assert felt == [[600]]  # not heard; no mark, no zero
        rig.plug("receiver")
        await asyncio.sleep(2.5)
        back_at = await keeper.tap("SNAP")
        await asyncio.sleep(0.6)
        assert [lengths for _, lengths in keeper.felt(back_at)] == [[120, 120, 120]]

    play(tmp_path, script)
