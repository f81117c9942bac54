"""Strangers, echoes, late and lost frames, silent handsets, two thumbs at once: on real bytes."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import pytest

from tests.controller.journal_rows import sql
from tests.shared.frames import KEY_BITS, MS_NS, S_NS, Press, make_press
from tests.shared.installation import FIELD, HANDSET_KEYS, KEEPER
from tests.shared.rig import Rig, play, rigged

READY_BITS = KEY_BITS["READY"]


def forged(rig: Rig, key: bytes) -> bytes:
    said = Press(KEEPER, 999, READY_BITS, 0, rig.keeper.beat)
    return make_press(said, key, rig.keeper.session)


@rigged
async def test_a_forged_press_moves_nothing_is_not_answered_and_is_recorded(rig: Rig) -> None:
    await rig.held_25()
    counter = rig.keeper.counter
    await asyncio.sleep(5)  # until then it may be a handset that is in the session before
    for _ in range(6):
        heard = len(rig.keeper.heard)
        rig.keeper.replay(forged(rig, bytes(range(1, 17))))
        await asyncio.sleep(0.05)
        assert all(state.counter == counter for _, state in rig.keeper.heard[heard:])
    await asyncio.sleep(2)
    assert rig.read == ["25", "25"]
    assert any("wrong tags" in alarm for alarm in rig.status.alarms)

    rows = await rig.rows()
    rejected = [(row.event, row.handset, row.reason) for row in rows if row.kind == "rejected"]
    assert rejected[0] == ("bad tag", KEEPER, "")
    assert [why for _, _, why in rejected[1:]] == [f"bad tag 5 (handset {KEEPER})"]


@rigged
async def test_a_frame_played_back_moves_nothing(rig: Rig) -> None:
    await rig.held_25()
    await rig.keeper.press("READY")
    await asyncio.sleep(0.5)
    await rig.keeper.press("NUMBER_25")
    rig.keeper.replay(rig.keeper.recorded[-2])  # READY, half a second old
    rig.keeper.replay(rig.keeper.recorded[-1])  # the last press again: a retry, acknowledged
    await asyncio.sleep(2)
    assert rig.read == ["25", "25"]
    assert rig.keeper.state is not None and rig.keeper.state.phase == "SET"

    rows = await rig.rows()
    assert [row.event for row in rows if row.kind == "rejected"] == ["replayed"]
    assert len([row for row in rows if row.kind == "press"]) == 3


@pytest.mark.parametrize("wiped", [False, True])
def test_a_frame_of_an_earlier_run_is_worth_nothing(tmp_path: Path, wiped: bool) -> None:
    """Whatever became of all that the controller keeps beside the keys."""
    recorded: list[bytes] = []

    async def before(rig: Rig) -> None:
        await rig.held_25()
        recorded.extend(rig.keeper.recorded)
        await rig.end()

    async def after(rig: Rig) -> None:
        for frame in recorded:
            rig.keeper.replay(frame)
        await asyncio.sleep(1)
        assert rig.read == ["  ", "  "]

    play(tmp_path, before)
    if wiped:
        shutil.rmtree(tmp_path / "state")
        shutil.rmtree(tmp_path / "run", ignore_errors=True)
    rows = play(tmp_path, after).site.rows()
    told = [(row.event, row.reason) for row in rows if row.kind == "rejected"]
    assert told[0] == ("bad tag", "")
    assert all(reason.startswith("bad tag") for _, reason in told[1:])


def test_a_record_cut_between_two_games_is_told_and_stops_no_clock(tmp_path: Path) -> None:
    async def before(rig: Rig) -> None:
        await rig.running_25()
        await rig.end()

    async def after(rig: Rig) -> None:
        assert "but row" in rig.status.journal_doubt
        await rig.running_25()

    cut = play(tmp_path, before).site.journal
    kept = len(sql(cut, "SELECT 1 FROM journal"))
    sql(cut, "DROP TRIGGER journal_keeps_rows", f"DELETE FROM journal WHERE seq > {kept - 2}")
    rows = play(tmp_path, after).site.rows()
    told = rows[kept - 2]
    assert (told.kind, told.game) == ("fault", 2)
    assert f"ends at row {kept - 2}, but row {kept} was noted: rows cut off" in told.detail


@rigged
async def test_a_press_that_comes_too_late_is_refused(rig: Rig) -> None:
    await rig.held_25()
    keeper = rig.keeper
    beat, session = keeper.beat, keeper.session
    late = Press(KEEPER, keeper.counter + 1, READY_BITS, 101, beat)
    keeper.replay(make_press(late, HANDSET_KEYS[KEEPER], session))
    await asyncio.sleep(3.2)
    jammed = Press(KEEPER, keeper.counter + 2, READY_BITS, 0, beat)
    keeper.replay(make_press(jammed, HANDSET_KEYS[KEEPER], session))
    await asyncio.sleep(0.1)
    told = {(s.counter, s.result) for _, s in keeper.heard if s.result == "not heard"}
    assert told == {(keeper.counter + 1, "not heard"), (keeper.counter + 2, "not heard")}
    assert rig.read == ["25", "25"]

    rows = await rig.rows()
    assert [row.event for row in rows if row.kind == "rejected"] == ["too late", "beat too old"]


@rigged
async def test_a_lost_acknowledgement_costs_a_retry_and_no_second_event(rig: Rig) -> None:
    await rig.held_25()
    rig.keeper.deaf = True
    press = asyncio.create_task(rig.keeper.press("DEAD_BALL"))
    await asyncio.sleep(0.06)
    rig.keeper.deaf = False
    assert (await press).result == "running"
    await asyncio.sleep(1)
    assert rig.read == ["39", "39"]
    assert len([row for row in await rig.rows() if row.kind == "press"]) == 2
    assert len(rig.keeper.recorded) > rig.keeper.counter - len(rig.keeper.hellos), "no retry"


@rigged
async def test_handsets_silent_for_30_s_are_told_of_and_the_boards_go_off_after_the_count(
    rig: Rig,
) -> None:
    pressed = await rig.keeper.press("DEAD_BALL")
    rig.switch_off(1)
    rig.switch_off(2)
    await asyncio.sleep(28)
    assert not rig.status.alarms
    await asyncio.sleep(3)
    assert "handset 1: not heard" in "; ".join(rig.status.alarms)
    assert rig.read == [" 9", " 9"]  # 31 s into the 40: still true, so it goes on
    await asyncio.sleep(10)
    assert rig.read == ["  ", "  "]
    zero_at = pressed.at + 40 * S_NS
    for node in rig.nodes:
        assert node.read_at(zero_at - 100 * MS_NS) == " 1"
    assert rig.keeper.state is not None and "off" in rig.keeper.state.flags
    rig.keeper.counter += 100  # somebody comes back
    assert await rig.hold_boards_key() == "held"
    assert rig.read == [" 0", " 0"]

    rows = await rig.rows()
    (off,) = [row for row in rows if row.role == "service"]
    assert off.reason.startswith("no handset heard")


def test_of_two_contradicting_presses_the_field_officials_stands(tmp_path: Path) -> None:
    async def script(rig: Rig) -> None:
        assert (await rig.keeper.press("DEAD_BALL")).result == "running"
        await asyncio.sleep(0.4)
        assert (await rig.field.press("NUMBER_25")).result == "held"
        await asyncio.sleep(0.4)
        assert rig.read == ["25", "25"]
        assert (await rig.keeper.press("NUMBER_40")).result == "refused"
        await asyncio.sleep(2)
        assert (await rig.keeper.press("UNDO")).result == "refused"
        assert rig.read == ["25", "25"]

    rows = [row for row in play(tmp_path, script).site.rows() if row.result]
    assert [row.handset for row in rows] == [KEEPER, FIELD, KEEPER, KEEPER]
    assert [row.reason for row in rows[2:]] == [
        "the field official's press stands",
        "the keeper cannot undo the field official's press",
    ]


@rigged
async def test_the_receiver_is_pulled_and_put_in_again_and_the_boards_go_on(rig: Rig) -> None:
    assert (await rig.keeper.press("DEAD_BALL")).result == "running"
    rig.unplug("receiver")
    await asyncio.sleep(5)
    assert rig.read == ["35", "35"]
    assert (await rig.keeper.press("SNAP")).result == "not heard"
    rig.plug("receiver")
    await asyncio.sleep(2.5)
    assert (await rig.keeper.press("SNAP")).result == "held"
    assert rig.read == ["40", "40"]
    assert [node.silences for node in rig.nodes] == [0, 0]

    rows = await rig.rows()
    told = [row.kind for row in rows if row.kind in ("fault", "healed")]
    assert told == ["fault", "fault", "healed"]  # lost, then not there
