"""What is simulated acts by itself, a second later; what is real is left to people."""

from __future__ import annotations

import asyncio

import pytest

from controller.check.handsets import CheckedHandset
from controller.check.operators import Hands
from drivers.base import Edge, Key
from tests.controller.answering_crew import KEEPER
from tests.controller.assembly.test_assembler import simulator
from tests.shared.virtual_time import VirtualClock, virtual

FOUR = CheckedHandset(2, "field", "four")


@virtual
async def test_the_last_boards_cable_comes_out_and_goes_in(clock: VirtualClock) -> None:
    assembly = simulator(clock)
    hands = Hands(assembly, [KEEPER])
    north, south = assembly.nodes
    hands.pull()
    assert not south.deaf  # first the text is read
    await asyncio.sleep(1.1)
    assert south.deaf and not north.deaf
    hands.plug()
    await asyncio.sleep(1.1)
    assert not south.deaf


@virtual
async def test_keys_are_tapped_as_often_as_asked(clock: VirtualClock) -> None:
    assembly = simulator(clock)
    taps: list[str] = []
    assembly.press = taps.append
    hands = Hands(assembly, [KEEPER])
    hands.press(1, Key.NUMBER_25, Edge.DOWN, 2)
    await asyncio.sleep(1.5)
    assert taps == ["NUMBER_25", "NUMBER_25"]
    hands.press(7, Key.NUMBER_25, Edge.DOWN, 1)  # somebody's real one
    hands.press(1, Key.NUMBER_40, Edge.HELD, 1)
    await asyncio.sleep(2)
    assert len(taps) == 2


@virtual
async def test_a_battery_out_ends_the_handset_and_in_again_begins_it(clock: VirtualClock) -> None:
    assembly = simulator(clock)
    alive: list[str] = []

    async def live() -> None:
        alive.append("on")
        try:
            await asyncio.sleep(1000)
        finally:
            alive.append("off")

    assembly.companions = [live]
    hands = Hands(assembly, [KEEPER])
    hands.switch_on()
    hands.battery(7, inside=False)  # somebody's real one
    await asyncio.sleep(2)
    assert alive == ["on"]
    hands.battery(1, inside=False)
    await asyncio.sleep(2)
    hands.battery(1, inside=True)
    await asyncio.sleep(2)
    assert alive == ["on", "off", "on"]
    hands.switch_off()
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert alive[-1] == "off"


@pytest.mark.parametrize(
    ("simulated", "asked", "can"),
    [
        ([], KEEPER, True),
        ([KEEPER], KEEPER, True),
        ([KEEPER], FOUR, True),
        ([FOUR], FOUR, False),
        ([KEEPER, FOUR], FOUR, False),
    ],
)
@virtual
async def test_nobody_presses_a_simulated_handset_but_the_first_of_twelve_keys(
    clock: VirtualClock, simulated: list[CheckedHandset], asked: CheckedHandset, can: bool
) -> None:
    assert Hands(simulator(clock), simulated).can_press(asked) is can


@virtual
async def test_without_anything_simulated_people_do_it_all(clock: VirtualClock) -> None:
    hands = Hands(simulator(clock, (), ()), [])
    hands.switch_on()
    hands.pull()
    hands.plug()
    hands.press(1, Key.READY, Edge.DOWN, 1)
    hands.battery(1, inside=False)
    hands.switch_off()
    waiting = asyncio.all_tasks() - {asyncio.current_task()}
    assert waiting == set()
