"""Each port stalls, fills up, hangs up, is cut and comes back: one fault at a time, whole service.

No old numeral is ever shown afterwards; boards come back by themselves when it was short; the other
port goes on as if nothing had happened.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from itertools import pairwise
from pathlib import Path

import pytest

from tests.scenarios.faults.judge import Judge, gaps_ms
from tests.shared.frames import DARK_NUMERALS, MS_NS, S_NS
from tests.shared.pty_time import PtyPort, TellingPort
from tests.shared.rig import NOTICED_S, Rig, play, rigged
from tests.shared.truth import Spell, Truth

ORDERS = (("SNAP", "held"), ("DEAD_BALL", "running"), ("NUMBER_25", "held"), ("READY", "running"))

Fault = Callable[[Rig, str], None]

FAULTS: dict[str, Fault] = {
    "stall": lambda rig, port: rig.lines[port].stall(),
    "full": lambda rig, port: rig.fill(port),
    "hang-up": lambda rig, port: rig.unplug(port),
    "cut": lambda rig, port: setattr(rig.lines[port], "cut", True),
}


async def counting_40(rig: Rig) -> Truth:
    """A running 40."""
    truth = Truth(at=rig.clock())
    pressed = await rig.keeper.press("DEAD_BALL")
    truth.press("DEAD_BALL", pressed.at)
    await asyncio.sleep(2.3)
    return truth


def never_dark(rig: Rig, since_at: int) -> bool:
    """True when no board has been dark since then."""
    return not any("  " in node.faces_between(since_at, rig.clock()) for node in rig.nodes)


def all_lit_and_right(rig: Rig, truth: Truth) -> bool:
    """True when every board reads what is right now."""
    return rig.read == [truth.reads(rig.clock())] * 2


def struck(
    folder: Path,
    fault: str,
    lasts_s: float,
    elsewhere: bool,
    after: Callable[[Rig, Truth], Awaitable[None]],
) -> Judge:
    """The boards' port is struck while a count runs; gives the judge of what was shown."""
    judges: list[Judge] = []

    async def script(rig: Rig) -> None:
        truth = await counting_40(rig)
        begun_at = rig.clock()
        FAULTS[fault](rig, "boards")
        await asyncio.sleep(lasts_s)
        ended_at = rig.clock()
        rig.mend("boards", elsewhere=elsewhere)
        await after(rig, truth)
        judges.append(Judge.of(truth, rig.clock(), [Spell(begun_at, ended_at)]))
        judges[0].boards(rig.boards, begun_at)

    play(folder, script)
    return judges[0]


@pytest.mark.parametrize("elsewhere", [False, True], ids=["same device", "another device"])
@pytest.mark.parametrize("lasts_s", [0.12, 0.25, 0.7, 1.6, 2.3])
@pytest.mark.parametrize("fault", FAULTS)
def test_a_short_fault_of_the_boards_port_ends_by_itself(
    tmp_path: Path, fault: str, lasts_s: float, elsewhere: bool
) -> None:
    async def after(rig: Rig, truth: Truth) -> None:
        await asyncio.sleep(1.5)
        assert all_lit_and_right(rig, truth), f"not back 1.5 s after: {rig.status.boards_why}"
        await asyncio.sleep(2)

    judge = struck(tmp_path, fault, lasts_s, elsewhere, after)
    assert judge.old_frames <= 2 and judge.oldest_ns <= 300 * MS_NS


@pytest.mark.parametrize("fault", FAULTS)
def test_after_a_long_fault_of_the_boards_port_only_a_relight_lights_them(
    tmp_path: Path, fault: str
) -> None:
    async def after(rig: Rig, truth: Truth) -> None:
        await asyncio.sleep(5)
        assert rig.read == ["  ", "  "]
        assert rig.keeper.state is not None and "off" in rig.keeper.state.flags
        assert await rig.hold_boards_key() == "held"
        await asyncio.sleep(0.1)
        assert all_lit_and_right(rig, truth)

    struck(tmp_path, fault, 7, False, after)


def test_a_port_that_cannot_tell_and_takes_nothing_is_given_up(tmp_path: Path) -> None:
    """Its queue is always empty, and yet it is full."""

    async def script(rig: Rig) -> None:
        truth = await counting_40(rig)
        rig.fill("boards")
        begun_at = rig.clock()
        await asyncio.sleep(0.55)
        assert "not drained" in rig.status.board_health[0].detail
        await asyncio.sleep(0.45)
        heard = len(rig.boards.log)
        rig.mend("boards")
        await asyncio.sleep(2)
        judge = Judge.of(truth, rig.clock(), [Spell(begun_at, begun_at + S_NS)])
        judge.frames(rig.boards.log[heard:], begun_at)
        assert judge.old_frames == 0
        assert all_lit_and_right(rig, truth)

    play(tmp_path, script, port=PtyPort)


def test_of_a_stall_that_a_port_cannot_tell_a_moment_of_old_numerals_is_left(
    tmp_path: Path,
) -> None:
    """The limit of it: the boards' silence is noticed within 1.9 s, and until then such a port
    takes what it is given. No UART or USB adapter of Linux is one, but a tunnelled port may be."""

    async def script(rig: Rig) -> None:
        await counting_40(rig)
        rig.lines["boards"].stall()
        await asyncio.sleep(6)
        mended_at, heard = rig.clock(), len(rig.boards.log)
        rig.mend("boards")
        await asyncio.sleep(1)
        burst = [each for each in rig.boards.log[heard:] if each.show.numerals != DARK_NUMERALS]
        assert 0 < len(burst) <= (NOTICED_S + 0.1) * 12
        assert burst[-1].at - mended_at <= 120 * MS_NS
        assert rig.read == ["  ", "  "]
        assert {
            rig.nodes[0].read_at(at) for at in range(mended_at + 120 * MS_NS, rig.clock(), MS_NS)
        } == {"  "}

    play(tmp_path, script, port=PtyPort)


@pytest.mark.parametrize("port", [TellingPort, PtyPort])
@pytest.mark.parametrize("fault", FAULTS)
@rigged
async def test_a_fault_of_the_receiver_leaves_the_boards_their_pace(
    rig: Rig, fault: str, port: type[TellingPort]
) -> None:
    truth = await counting_40(rig)
    begun_at = rig.clock()
    FAULTS[fault](rig, "receiver")
    await asyncio.sleep(4)
    rig.mend("receiver", elsewhere=True)
    await asyncio.sleep(3)
    assert max(gaps_ms(rig.boards.log, begun_at, rig.clock())) <= 101
    Judge.of(truth, rig.clock()).boards(rig.boards, begun_at)
    assert [node.silences for node in rig.nodes] == [0, 0] and never_dark(rig, begun_at)
    assert (await rig.keeper.press("SNAP")).result == "held"
    assert rig.read == ["40", "40"]


@pytest.mark.parametrize("fault", FAULTS)
@rigged
async def test_a_fault_of_the_boards_port_leaves_the_handsets_theirs(rig: Rig, fault: str) -> None:
    await counting_40(rig)
    FAULTS[fault](rig, "boards")
    begun_at, heard = rig.clock(), len(rig.keeper.heard)
    for key, told in ORDERS * 2:
        before_at = rig.clock()
        assert (await rig.keeper.press(key)).result == told
        assert rig.clock() - before_at <= 20 * MS_NS
        await asyncio.sleep(1.1)
    states = [begun_at, *(at for at, _ in rig.keeper.heard[heard:]), rig.clock()]
    assert max(b - a for a, b in pairwise(states)) <= 1.01 * S_NS
