"""A game in which anything may happen to any port at any moment, drawn from a seed."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine
from typing import Any

from tests.scenarios.faults.judge import Judge
from tests.scenarios.faults.lies import LIES
from tests.shared.frames import (
    BYTE_NS,
    DARK_NUMERALS,
    MS_NS,
    PRESS_BYTES,
    S_NS,
    Show,
    make_show,
)
from tests.shared.installation import CONTROLLER_ID
from tests.shared.rig import Rig
from tests.shared.truth import Spell, Truth

KEYS = ("NUMBER_25", "READY", "SNAP", "DEAD_BALL")
LEAST_GAP_S = 1.6
"""Four such gaps are longer than the 6 s in which a second end of play is the same one."""
AGE_STEP_NS = 10 * MS_NS
WELL_AFTER_NS = 5 * S_NS
"""So long after a mend a port is open again, and its handsets heard: pauses are 2 s at most."""
SETTLES_S = 4.5
"""By then boards are back, or off until a relight."""


class Chaos:
    """Plays a game of ``lasts_s`` on a rig, ``without`` some troubles.

    ``told`` is what was done, for whoever reads a failure.
    ``relit_at`` are the relights, ``faults`` when boards could not be reached.
    """

    def __init__(
        self, rig: Rig, seed: int, lasts_s: float, *, without: tuple[str, ...] = ()
    ) -> None:
        self.rig = rig
        self._without = without
        self.chance = random.Random(seed)
        self.truth = Truth(at=rig.clock())
        self.told: list[str] = []
        self.relit_at: list[int] = []
        self.faults: list[Spell] = []
        self.stalls = 0
        self.presses = self.heard = 0
        self._ends_at = rig.clock() + round(lasts_s * S_NS)
        self._orders = 0
        self._acted_at = 0
        self._ill = dict.fromkeys(rig.lines, 0)
        self._ill_at = dict.fromkeys(rig.lines, 0)
        rig.service.observers.append(self._look)

    async def play(self) -> None:
        """Everything at once; afterwards all is mended, and the boards are lit and right."""
        await asyncio.gather(
            self._keep_pressing(), *(self._trouble(each) for each in self.rig.lines)
        )
        await asyncio.sleep(SETTLES_S)
        await self._relight()
        await asyncio.sleep(0.3)

    # The keeper

    async def _keep_pressing(self) -> None:
        number = 0
        while self.rig.clock() < self._ends_at:
            if self.chance.random() < 0.3:
                await self._relight()
            else:
                await self._press(KEYS[number % len(KEYS)])
                number += 1
            gap_s = LEAST_GAP_S + self.chance.expovariate(1.0)
            await asyncio.sleep(gap_s)

    async def _press(self, key: str, *, held: bool = False) -> bool:
        """Press a key; gives whether the service took it, which its handset may not have heard."""
        self._acted_at = 0
        edge_at, well = self.rig.clock(), self._well("receiver")
        pressed = await self.rig.keeper.press(key, held=held)
        acted = self._acted_at != 0
        if well and self._well("receiver"):
            self.presses += 1
            self.heard += pressed.result != "not heard"
        if acted and key in KEYS:
            self.truth.press(key, self._dated(edge_at), now=self._acted_at)
            self._tell(f"{key} at {edge_at}, acted on at {self._acted_at}")
        return acted

    def _dated(self, edge_at: int) -> int:
        """When a press counts that was acted on just now: its arrival less its age, which is told
        in whole steps of 10 ms as it is sent (PROTOCOL.md)."""
        sent_at = self._acted_at - PRESS_BYTES * BYTE_NS
        return self._acted_at - max(0, sent_at - edge_at) // AGE_STEP_NS * AGE_STEP_NS

    def _well(self, port: str) -> bool:
        return not self._ill[port] and self.rig.clock() - self._ill_at[port] > WELL_AFTER_NS

    async def _relight(self) -> None:
        if self.rig.status.boards != "off" or self._ill["receiver"]:
            return
        await self._press("BOARDS_OFF")
        await asyncio.sleep(1.0)
        if await self._press("BOARDS_OFF", held=True):
            self.relit_at.append(self._acted_at)
            self._tell(f"relit at {self._acted_at}")

    def _look(self) -> None:
        status = self.rig.status
        if status.orders != self._orders:
            self._orders = status.orders
            if status.by_handset is not None:
                self._acted_at = self._acted_at or self.rig.clock()

    # Trouble

    async def _trouble(self, port: str) -> None:
        troubles = self._of_the_boards if port == "boards" else self._of_the_receiver
        while self.rig.clock() < self._ends_at:
            await asyncio.sleep(self.chance.expovariate(1 / 4))
            for _ in range(self.chance.choice((1, 1, 1, 2, 3))):  # one into the other
                drawn = self.chance.choice(troubles(port))
                if drawn[0] not in self._without:
                    await self._once(port, drawn)
            self._mend(port)

    async def _once(self, port: str, trouble: tuple[str, Callable[[], Any], bool]) -> None:
        name, begin, hides = trouble
        lasts_s = self.chance.choice((0.05, 0.2, 0.35, 0.8, 1.6, 2.4, 3.2, 6.0))
        lasts_s *= self.chance.uniform(0.7, 1.3)
        begun_at = self.rig.clock()
        self._ill[port] += 1
        self._tell(f"{port}: {name} at {begun_at} for {lasts_s:.2f} s")
        going_on = begin()
        task = asyncio.ensure_future(going_on) if asyncio.iscoroutine(going_on) else None
        await asyncio.sleep(lasts_s)
        if task is not None:
            task.cancel()
        self._ill[port] -= 1
        if hides:
            self.faults.append(Spell(begun_at, self.rig.clock()))

    def _mend(self, port: str) -> None:
        line, begun_at = self.rig.lines[port], self.rig.clock()
        self._ill_at[port] = begun_at
        self.rig.mend(port, elsewhere=self.chance.random() < 0.5)
        line.lie, line.echoes = None, False
        if port == "boards":
            for node in self.rig.nodes:
                node.plugged, node.mute = True, False
        self._tell(f"{port}: mended at {begun_at}")

    def _of_any(self, port: str) -> list[tuple[str, Callable[[], Any], bool]]:
        rig, line = self.rig, self.rig.lines[port]

        def mended() -> None:
            rig.mend(port, elsewhere=True)

        return [
            ("stall", self._stalling(line.stall), True),
            ("full", self._stalling(lambda: rig.fill(port)), True),
            ("hang-up", lambda: rig.unplug(port), True),
            ("cut", lambda: setattr(line, "cut", True), True),
            ("return", mended, True),
            ("echo", lambda: setattr(line, "echoes", True), False),
            ("babble", lambda: self._babble(port), False),
        ]

    _of_the_receiver = _of_any

    def _of_the_boards(self, port: str) -> list[tuple[str, Callable[[], Any], bool]]:
        node = self.chance.choice(self.rig.nodes)
        lie = self.chance.choice(list(LIES))
        line = self.rig.lines[port]
        return [
            *self._of_any(port),
            (f"lie: {lie}", lambda: setattr(line, "lie", LIES[lie]), False),
            (f"node {node.number} off the pair", lambda: setattr(node, "plugged", False), True),
            (f"node {node.number} mute", lambda: setattr(node, "mute", True), False),
            ("second controller", lambda: self._stranger(collides=False), False),
            ("second controller, colliding", lambda: self._stranger(collides=True), True),
        ]

    def _stalling(self, act: Callable[[], Any]) -> Callable[[], None]:
        def begin() -> None:
            self.stalls += 1
            act()

        return begin

    def _babble(self, port: str) -> Coroutine[Any, Any, None]:
        async def babble() -> None:
            while True:
                if not self.rig.lines[port].stalled:
                    self.rig.lines[port].babble(self.chance.randbytes(200))
                await asyncio.sleep(0.05)

        return babble()

    def _stranger(self, *, collides: bool) -> Coroutine[Any, Any, None]:
        async def speak() -> None:
            line, stamp = self.rig.lines["boards"], self.chance.randrange(65536)
            while True:
                stamp += 10
                show = Show(CONTROLLER_ID + 1, stamp % 65536, 88, 15, 0, 3)
                if collides:
                    line.garbled_until = self.rig.clock() + 4 * MS_NS
                for node in self.rig.nodes:
                    if node.obeys is not None:  # one in the dark would obey anybody
                        node.hear(show, self.rig.clock())
                line.babble(make_show(show))
                await asyncio.sleep(self.chance.uniform(0.05, 0.15))

        return speak()

    def _tell(self, what: str) -> None:
        self.told.append(what)


def returns(chaos: Chaos) -> list[list[int]]:
    """When the service lit the boards again by itself, between one relight and the next."""
    spans: list[list[int]] = [[]]
    relights = sorted(chaos.relit_at)
    dark = first = True
    for heard in chaos.rig.boards.log:
        was, dark = dark, heard.show.numerals == DARK_NUMERALS
        if not was or dark:
            continue
        while relights and relights[0] <= heard.at:
            relights.pop(0)
            spans.append([])
            first = True
        if not first:
            spans[-1].append(heard.at)
        first = False
    return spans


def judged(chaos: Chaos) -> Judge:
    """Hold the whole game against the truth."""
    rig = chaos.rig
    judge = Judge.of(chaos.truth, rig.clock(), chaos.faults)
    begin_at = judge.readings[0].from_at
    judge.boards(rig.boards, begin_at)
    assert judge.old_frames <= 2 * chaos.stalls
    for span in returns(chaos):
        assert len(span) <= 2, span
    return judge
