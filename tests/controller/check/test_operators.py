"""What is simulated acts by itself, a second later; what is real is left to people."""

from __future__ import annotations

import asyncio

import pytest

from controller.assembly.assembler import Assembler, Assembly
from controller.assembly.devices import SIMULATED_BOARDS, SIMULATED_HANDSETS
from controller.check.handsets import CheckedHandset
from controller.check.operators import Hands
from controller.rulebook.loader import load_rule_set
from controller.rules.settings import Settings
from drivers.base import Edge, Key
from tests.controller.rehearsal import KEEPER
from tests.shared.virtual_time import VirtualClock, virtual

FOUR = CheckedHandset(2, "field", "four")


class Press:
    """Counts the taps of a simulated handset."""

    def __init__(self) -> None:
        self.taps: list[str] = []

    def __call__(self, key: str) -> None:
        self.taps.append(key)


def assembled(clock: VirtualClock) -> Assembly:
    assembler = Assembler(clock, load_rule_set("nfhs"), Settings())
    assembler.console("keeper")
    assembler.boards(SIMULATED_BOARDS)
    assembler.handsets(SIMULATED_HANDSETS)
    return assembler.build(None)


@virtual
async def test_the_last_boards_cable_comes_out_and_goes_in(clock: VirtualClock) -> None:
    assembly = assembled(clock)
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
    assembly = assembled(clock)
    assembly.press = press = Press()
    hands = Hands(assembly, [KEEPER])
    hands.press(1, Key.NUMBER_25, Edge.DOWN, 2)
    await asyncio.sleep(1.5)
    assert press.taps == ["NUMBER_25", "NUMBER_25"]
    hands.press(7, Key.NUMBER_25, Edge.DOWN, 1)  # somebody's real one
    hands.press(1, Key.NUMBER_40, Edge.HELD, 1)
    await asyncio.sleep(2)
    assert len(press.taps) == 2


@virtual
async def test_a_battery_out_ends_the_handset_and_in_again_begins_it(clock: VirtualClock) -> None:
    assembly = assembled(clock)
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
def test_nobody_presses_a_simulated_handset_but_the_first_of_twelve_keys(
    simulated: list[CheckedHandset], asked: CheckedHandset, can: bool
) -> None:
    @virtual
    async def asking(clock: VirtualClock) -> None:
        assert Hands(assembled(clock), simulated).can_press(asked) is can

    asking()


@virtual
async def test_without_anything_simulated_people_do_it_all(clock: VirtualClock) -> None:
    assembler = Assembler(clock, load_rule_set("nfhs"), Settings())
    assembler.console("keeper")
    hands = Hands(assembler.build(None), [])
    hands.switch_on()
    hands.pull()
    hands.plug()
    hands.press(1, Key.READY, Edge.DOWN, 1)
    hands.battery(1, inside=False)
    hands.switch_off()
    waiting = asyncio.all_tasks() - {asyncio.current_task()}
    assert waiting == set()
