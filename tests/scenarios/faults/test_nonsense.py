"""Boards that answer nonsense and a second controller on the pair: the numerals go on or go dark.

Every frame here has its CRC right: what is damaged on the way is the noise tests' matter.
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import replace
from pathlib import Path

import pytest

from tests.scenarios.faults.judge import Judge, gaps_ms
from tests.scenarios.faults.lies import LIES
from tests.scenarios.faults.test_ports import counting_40, never_dark
from tests.shared.frames import MS_NS, Show, Status, make_show, make_status
from tests.shared.installation import CONTROLLER_ID
from tests.shared.rig import NOTICED_S, Rig, play, rigged
from tests.shared.truth import Truth

HARMLESS = ("twice", "without end")
STRANGER = CONTROLLER_ID + 1
SHOW_NS = 4 * MS_NS


def judged(rig: Rig, truth: Truth, since_at: int) -> None:
    """Neither a frame nor a lamp was ever wrong."""
    judge = Judge.of(truth, rig.clock())
    judge.boards(rig.boards, since_at)
    assert judge.old_frames == 0


@pytest.mark.parametrize("lie", [lie for lie in LIES if lie not in HARMLESS])
@rigged
async def test_a_board_that_answers_nonsense_darkens_both_in_time(rig: Rig, lie: str) -> None:
    truth = await counting_40(rig)
    begun_at = rig.clock()
    rig.lines["boards"].lie = LIES[lie]
    seen_at = await rig.fault_seen()
    assert seen_at - begun_at <= NOTICED_S * 1e9
    await asyncio.sleep(0.5)
    assert rig.read == ["  ", "  "]
    rig.lines["boards"].lie = None
    await asyncio.sleep(1)
    if lie == "other segments":  # once a board has lied, its darkness says nothing
        assert rig.read == ["  ", "  "]
        await rig.hold_boards_key()
        await asyncio.sleep(0.1)
    assert rig.read[0] == rig.read[1] == truth.reads(rig.clock())
    judged(rig, truth, begun_at)
    assert max(gaps_ms(rig.boards.log, begun_at, rig.clock())) <= 120.1


@pytest.mark.parametrize("lie", HARMLESS)
@rigged
async def test_a_board_that_answers_more_than_once_changes_nothing(rig: Rig, lie: str) -> None:
    truth = await counting_40(rig)
    begun_at = rig.clock()
    rig.lines["boards"].lie = LIES[lie]
    await asyncio.sleep(12)
    judged(rig, truth, begun_at)
    assert never_dark(rig, begun_at)


@pytest.mark.parametrize("what", ["noise", "delimiters", "status"])
@pytest.mark.parametrize("port", ["boards", "receiver"])
def test_babble_without_end_stops_neither_numerals_nor_keys(
    tmp_path: Path, port: str, what: str
) -> None:
    chance = random.Random(what)

    def said() -> bytes:
        if what == "noise":
            return chance.randbytes(1500)
        if what == "delimiters":
            return b"\0\1" * 750
        lamps = chance.randrange(256), chance.randrange(256)
        answer = Status(chance.randint(1, 2), chance.randrange(65536), lamps, 15, 0, 0, 0, 9)
        return make_status(answer) * 60

    async def babble(rig: Rig) -> None:
        while True:
            rig.lines[port].babble(said())
            await asyncio.sleep(0.02)

    async def script(rig: Rig) -> None:
        truth = await counting_40(rig)
        begun_at = rig.clock()
        babbling = asyncio.create_task(babble(rig))
        await asyncio.sleep(2.5)
        assert max(gaps_ms(rig.boards.log, begun_at, rig.clock())) <= 120.1
        judged(rig, truth, begun_at)
        assert never_dark(rig, begun_at)
        pressed_at = rig.clock()
        assert (await rig.keeper.press("SNAP")).result == "held"
        assert rig.clock() - pressed_at <= 40 * MS_NS
        babbling.cancel()

    play(tmp_path, script)


@rigged
async def test_an_adapter_that_echoes_everything_changes_nothing(rig: Rig) -> None:
    rig.lines["boards"].echoes = rig.lines["receiver"].echoes = True
    truth = await counting_40(rig)
    begun_at = rig.clock()
    await asyncio.sleep(12)
    judged(rig, truth, begun_at)
    assert rig.status.alarms == ()
    assert never_dark(rig, begun_at)
    assert (await rig.keeper.press("SNAP")).result == "held"

    rows = await rig.rows()
    assert not [row for row in rows if row.kind in ("fault", "rejected")]


class Stranger:
    """A second controller: its frames are heard by the boards and by the service's own port.

    ``collides``: while it speaks, nobody understands the service.
    """

    def __init__(self, rig: Rig, controller: int, *, collides: bool, first: int) -> None:
        self.frames = 0
        self._rig, self._controller, self._collides = rig, controller, collides
        self._first = first

    async def speak(self, period_s: float) -> None:
        """Show 88, again and again."""
        line = self._rig.lines["boards"]
        while True:
            self.frames += 1
            show = Show(self._controller, (self._first + 10 * self.frames) % 65536, 88, 15, 0, 3)
            if self._collides:
                line.garbled_until = self._rig.clock() + SHOW_NS
            self._rig.boards.stranger(show)
            line.babble(make_show(show))
            await asyncio.sleep(period_s)


@pytest.mark.parametrize("period_s", [0.1, 0.103, 0.0371])
@pytest.mark.parametrize("collides", [False, True])
@rigged
async def test_a_second_controller_moves_nothing_and_the_keeper_is_told(
    rig: Rig, period_s: float, collides: bool
) -> None:
    truth = await counting_40(rig)
    begun_at = rig.clock()
    stranger = Stranger(rig, STRANGER, collides=collides, first=1)
    speaking = asyncio.create_task(stranger.speak(period_s))
    await asyncio.sleep(2.5)
    assert any("another controller" in alarm for alarm in rig.status.alarms)
    await asyncio.sleep(10)
    judged_lit_only_right(rig, truth, begun_at)
    assert [node.foreign for node in rig.nodes] == [stranger.frames] * 2
    speaking.cancel()

    rows = await rig.rows()
    assert [row.event for row in rows if "another controller" in row.event]


def judged_lit_only_right(rig: Rig, truth: Truth, since_at: int) -> None:
    """As :func:`judged`, where a frame may get lost: a numeral may stand 25 or 100 ms longer."""
    allowed_ns = 140 * MS_NS
    judge = Judge.of(truth, rig.clock())
    for node in rig.nodes:
        for begin_at, _, text in node.spells():
            if begin_at >= since_at and text != "  ":
                assert text in judge.texts(begin_at - allowed_ns, begin_at), text


@pytest.mark.parametrize("controller", [STRANGER, CONTROLLER_ID], ids=["another", "the same"])
@rigged
async def test_boards_that_obey_somebody_else_are_told_of_as_such(
    rig: Rig, controller: int
) -> None:
    """A controller that was there first, or a copy of this one: the boards do not answer us."""
    await counting_40(rig)
    obeyed = rig.nodes[0].obeys
    assert obeyed is not None
    first = obeyed.stamp + 20_000
    for node in rig.nodes:
        node.obeys = replace(obeyed, controller=controller, stamp=first)
    speaking = asyncio.create_task(
        Stranger(rig, controller, collides=False, first=first).speak(0.1)
    )
    await rig.fault_seen()
    assert any("another controller" in alarm for alarm in rig.status.alarms)
    assert rig.keeper.state is not None and rig.keeper.state.numerals is not None
    speaking.cancel()
