"""Attacks on the whole service over the pair of wires to its boards, in virtual time.

The wire has no authentication: who can reach it can put up a number. What the page promises is how
soon that shows, and that nobody but him can.
"""

from __future__ import annotations

import asyncio

from tests.scenarios.attacks.forging import damaged
from tests.scenarios.attacks.on_air import DARK, in_words
from tests.scenarios.attacks.tally import Tally
from tests.shared.board_node import Node
from tests.shared.frames import S_NS, Show, framed, lamps_of, opened
from tests.shared.installation import CONTROLLER_ID
from tests.shared.rig import Rig

STRANGER = CONTROLLER_ID + 1
WRONG = 13
ALARM_S, FAULT_S = 1.5, 1.9
"""About 1 s and about 1.2 s on the page; at most: a board is asked within 1.4 s, and again."""
REFRESH_S = 0.12
"""A tenth of a second, an answer's 20 ms."""


def wrong_s(node: Node, since_at: int) -> float:
    """For how long in all a board has shown the attacker's number."""
    spells = (max(0, end - max(at, since_at)) for at, end, face in node.spells() if face == "13")
    return sum(spells) / S_NS


def longest_wrong_s(node: Node) -> float:
    """For how long at a stretch."""
    return max((end - at for at, end, face in node.spells() if face == "13"), default=0) / S_NS


async def second_controller(tally: Tally, rig: Rig) -> None:
    """A forgotten spare sends ten a second to boards that ours has: alarm, and nothing moves."""
    await rig.held_25()
    began_at, alarmed_at = rig.clock(), 0
    for number in range(100):
        for stamp in (number, 40_000 + number):
            rig.boards.stranger(Show(STRANGER, stamp, WRONG, 15, 0, 0xFF))
            await asyncio.sleep(0.05)
            tally.tried(rig.read == ["25", "25"], f"boards read {rig.read}")
        if not alarmed_at and "another controller" in in_words(rig):
            alarmed_at = rig.clock()
    late = (alarmed_at - began_at) / S_NS
    tally.tried(0 < late <= ALARM_S, f"alarm after {late} s: {in_words(rig)!r}")


async def speaks_first(tally: Tally, rig: Rig) -> None:
    """It owns a board that has just been switched on: ours reports that and darkens the other."""
    await rig.held_25()
    await asyncio.sleep(2)
    north, south = rig.nodes
    south.reset(rig.clock())
    began_at, told_at = rig.clock(), 0
    for number in range(60):
        south.hear(Show(STRANGER, 50_000 + number, WRONG, 15, 0, 0xFF), rig.clock())
        await asyncio.sleep(0.1)
        faulty = rig.keeper.state is not None and "fault" in rig.keeper.state.flags
        told_at = told_at or (rig.clock() if faulty else 0)
    late = (told_at - began_at) / S_NS
    tally.tried(0 < late <= FAULT_S, f"told after {late} s: {in_words(rig)!r}", 60)
    tally.tried(north.reads == "  ", f"the other reads {north.reads}")
    await asyncio.sleep(6)
    tally.tried(rig.read == DARK, f"boards read {rig.read} after he stopped")


async def copied_id(tally: Tally, rig: Rig) -> None:
    """Single SHOWs with our id and a stamp just newer: until our next frame."""
    await rig.held_25()
    began_at = rig.clock()
    for _ in range(30):
        await asyncio.sleep(0.37)
        stamp = rig.boards.log[-1].show.stamp + 1
        rig.boards.stranger(Show(CONTROLLER_ID, stamp & 0xFFFF, WRONG, 15, 0, 0xFF))
        await asyncio.sleep(0.15)
        longest = max(longest_wrong_s(node) for node in rig.nodes)
        tally.tried(longest <= REFRESH_S, f"a wrong number for {longest:.2f} s")
    assert any(wrong_s(node, began_at) for node in rig.nodes), "it was never shown at all"


async def copied_id_far_ahead(tally: Tally, rig: Rig) -> None:
    """With our id and stamps far ahead he holds the boards: a fault about 1.2 s after it began,
    and dark or right once he has stopped."""
    await rig.held_25()
    await asyncio.sleep(2)
    began_at, told_at = rig.clock(), 0
    stamp = rig.boards.log[-1].show.stamp + 20_000
    for number in range(50):
        rig.boards.stranger(Show(CONTROLLER_ID, (stamp + number) & 0xFFFF, WRONG, 15, 0, 0xFF))
        await asyncio.sleep(0.1)
        faulty = rig.keeper.state is not None and "fault" in rig.keeper.state.flags
        told_at = told_at or (rig.clock() if faulty else 0)
    late = (told_at - began_at) / S_NS
    tally.tried(0 < late <= FAULT_S, f"told after {late} s: {in_words(rig)!r}", 50)
    stopped_at = rig.clock()
    await asyncio.sleep(5)
    after = max(wrong_s(node, stopped_at) for node in rig.nodes)
    tally.tried(after <= 1.5, f"a wrong number {after:.2f} s after he stopped")
    tally.tried(rig.read == DARK, f"boards read {rig.read}")


async def one_far_ahead(tally: Tally, rig: Rig) -> None:
    """A single one far ahead: the boards go dark by themselves within 1.5 s."""
    await rig.held_25()
    stamp = rig.boards.log[-1].show.stamp
    for ahead in (10_000, 20_000, 32_000):
        await asyncio.sleep(2)
        rig.boards.stranger(Show(CONTROLLER_ID, (stamp + ahead) & 0xFFFF, WRONG, 15, 0, 0xFF))
        await asyncio.sleep(4)
        longest = max(longest_wrong_s(node) for node in rig.nodes)
        tally.tried(longest <= 1.5, f"a wrong number for {longest:.2f} s")
        tally.tried(rig.read in (DARK, ["25", "25"]), f"boards read {rig.read}")
        stamp = rig.boards.log[-1].show.stamp


async def damaged_answers(tally: Tally, rig: Rig) -> None:
    """A second node's STATUS with every single bit turned, and of nodes that were not asked: they
    are no answers, and darken no board whose own answers are right."""
    await rig.held_25()
    status = rig.nodes[0].answer(rig.clock())
    assert status is not None
    forged = list(damaged(status, 1))
    body = opened(status[1:-1])
    wrong = body[2:4] + bytes(lamps_of(88)) + body[6:]
    forged += [framed(bytes([body[0], node]) + wrong) for node in range(9)]  # their CRC right
    for frame in forged:  # each out of any window: just after a board's answer
        answered = len(rig.boards.answered_at)
        while len(rig.boards.answered_at) == answered:  # noqa: ASYNC110 - a model without events
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.025)
        rig.lines["boards"].babble(frame)
        await asyncio.sleep(0.02)
        tally.tried(rig.read == ["25", "25"], f"{frame.hex()}: boards read {rig.read}")


async def forged_answers_for_a_dead_board(tally: Tally, rig: Rig) -> None:
    """A board is off the pair, and damaged or recorded answers come in its place: still a fault."""
    await rig.held_25()
    await asyncio.sleep(3)
    south = rig.nodes[1]
    recorded = south.answer(rig.clock())
    assert recorded is not None
    frames = [*damaged(recorded, 1)]
    south.plugged = False
    began_at, told_at = rig.clock(), 0
    for number in range(300):
        asked = rig.boards.log[-1].show.ask == south.number
        if asked:
            rig.lines["boards"].babble(recorded if number % 2 else frames[number % len(frames)])
        await asyncio.sleep(0.01)
        faulty = rig.keeper.state is not None and "fault" in rig.keeper.state.flags
        told_at = told_at or (rig.clock() if faulty else 0)
        tally.attempts += asked
    late = (told_at - began_at) / S_NS
    tally.tried(0 < late <= FAULT_S, f"told after {late} s: {in_words(rig)!r}")
    tally.tried(rig.read == DARK, f"boards read {rig.read}")
