"""The whole chain: the service on its ptys, and lamps lit by the firmware on simulated chips."""

from __future__ import annotations

import asyncio
import functools
import signal
from pathlib import Path
from typing import cast

import pytest

from tests.firmware.chip import EXTERNAL
from tests.firmware.pair import ChipNode, ChipPair
from tests.scenarios.main_job.playing import Player
from tests.scenarios.main_job.series import SERIES
from tests.shared import far_ends
from tests.shared.frames import MS_NS, S_NS
from tests.shared.program import (
    LATEST_NS,
    boottime,
    check_count,
    kill,
    running,
    start,
)
from tests.shared.rig import Rig, play

pytestmark = [pytest.mark.full, pytest.mark.needs_avr]

CHANGES = 390
"""At least so many times the series changes what there is to read."""


@pytest.fixture(autouse=True)
def chips(image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Chips take the place of the tests' own nodes in every installation."""
    monkeypatch.setattr(far_ends, "Node", functools.partial(ChipNode, image))
    monkeypatch.setattr(far_ends, "Boards", ChipPair)


def test_the_scripted_series_on_simulated_lamps(tmp_path: Path) -> None:
    """The main job's series in virtual time: every numeral, on both chips, at every moment."""
    players: list[Player] = []
    stopped_at = 0

    async def script(rig: Rig) -> None:
        nonlocal stopped_at
        players.append(Player(rig))
        for step in SERIES:
            await players[0].play(step)
        await asyncio.sleep(2)
        stopped_at = rig.clock()
        await rig.end()

    rig = play(tmp_path, script)
    for node in rig.nodes:
        late_ns = players[0].check(node, stopped_at)
        assert len(late_ns) > CHANGES
        # One: the byte that spoils what was on the wire before.
        assert (node.bad, node.foreign) == (1, 0)
    assert cast(ChipPair, rig.boards).bad == 1


class Noise:
    """Harms every ninth frame on its way to a node: a byte lost, changed, or noise before it."""

    def __init__(self) -> None:
        self.frames = 0

    def __call__(self, data: bytes) -> bytes:
        self.frames += 1
        place = 1 + self.frames % 13
        match self.frames % 27:
            case 0:
                return data[:place] + data[place + 1 :]
            case 9:
                return data[:place] + bytes([data[place] ^ 0x10 or 1]) + data[place + 1 :]
            case 18:
                return b"\x55\xaa\x0f" + data[3:]
        return data


@pytest.mark.waits
async def test_a_real_count_of_40_seconds_with_noise_and_a_reset_then_killed_and_started_again(
    tmp_path: Path,
) -> None:
    """In real time: the program as a process of its own, two chips on its pty."""
    async with running(tmp_path) as program:
        keeper = program.ends.keeper
        pair = cast(ChipPair, program.ends.boards)
        north, south = pair.nodes
        presence = asyncio.create_task(keeper.presence())
        pair.early_ns = 6 * MS_NS
        pair.harm = Noise()
        started = await keeper.press("DEAD_BALL")
        assert started.result == "running"
        await program.until(lambda: boottime() > started.at + 20.5 * S_NS, 22)
        south.reset(EXTERNAL)
        reset_at = boottime()
        await program.until(lambda: boottime() > started.at + 40 * S_NS + LATEST_NS, 22)
        pair.harm = bytes
        assert keeper.state is not None and keeper.state.phase == "EXPIRED"
        check_count(program, 40, started.at)
        # Dark when an answer came too late on a busy machine; nothing else but the numerals.
        numerals = {f"{number:2d}" for number in range(41)}
        for node in pair.nodes:
            faces = node.faces_between(started.at + LATEST_NS, boottime())
            assert numerals <= faces | {"40"} and faces <= numerals | {"  "}
        assert south.read_at(reset_at + 20_000) == "  "
        assert south.read_at(reset_at + LATEST_NS) == "20"
        assert north.bad > 20 and south.bad > 10

        assert (await keeper.press("SNAP")).result == "held"
        again = await keeper.press("DEAD_BALL")
        assert again.result == "running"
        await program.reads("39", 2)
        program.process.send_signal(signal.SIGKILL)
        await program.process.wait()
        killed_at = boottime()
        await program.reads("  ", 1.65)
        for node in pair.nodes:
            assert 1.3 * S_NS < node.instants[-1] - killed_at < 1.6 * S_NS
        second = await start(program.site)
        try:
            await program.until(lambda: program.ends.read[0].strip() != "", 10)
            await asyncio.sleep(0.3)
            right = 40 - (boottime() - again.at) // S_NS
            assert program.ends.read[0] == program.ends.read[1]
            assert int(program.ends.read[0]) - right in (0, 1)
        finally:
            await kill(second)
            presence.cancel()
