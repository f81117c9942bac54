"""Plays a series on a rig, and holds the lamps to the truth and the truth to the table."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from controller.journal.row import Row
from controller.rules.events import Order, PlayEnded
from tests.scenarios.main_job.series import CONSOLE, FIELD_KEYS, NOBODY, Step
from tests.shared.board_node import Node
from tests.shared.frames import MS_NS, S_NS
from tests.shared.handset_end import HandsetEnd
from tests.shared.rig import Rig, play
from tests.shared.truth import Face, Truth

GAP_S = 0.3
"""Between the presses of one step."""
HOLD_S = 1.0
"""Hold time of NO COUNT and BOARDS OFF (PROTOCOL.md, PRESS)."""
SETTLED_NS = 26 * MS_NS
"""A change is on the lamps by then: at most 20 ms for an answer under way, 4.2 ms on the line,
and a stamp's rounding."""


def face_of(shows: str, at: int, before: Face) -> Face:
    """What the table's word for a press made at ``at`` means."""
    number, _, runs = shows.partition(" ")
    if shows == "same":
        return before
    if shows == "dark":
        return Face(None)
    if number == "stops":
        assert before.zero_at is not None
        return Face(-((at - before.zero_at) // S_NS))
    return Face(int(number), at + int(number) * S_NS if runs else None)


def check_board(node: Node, truth: Truth, end_at: int) -> list[int]:
    """Hold a node's whole history against the truth; gives how late each change came, ns."""
    late_ns = []
    text_before = node.read_at(truth.steps[0].at)
    for begin_at, until_at, text in truth.readings(end_at):
        what = f"node {node.number}, {text!r} from {begin_at} until {until_at}"
        settled_at = begin_at + SETTLED_NS
        assert node.faces_between(begin_at, min(settled_at, until_at)) <= {text_before, text}, what
        if settled_at < until_at:
            assert node.faces_between(settled_at, until_at) == {text}, what
            if text != text_before:
                late_ns.append(node.changed_at(settled_at) - begin_at)
        text_before = text
    return late_ns


@dataclass(frozen=True, slots=True)
class Done:
    """A press as it went: by which handset (0 the console), when, and what it was told."""

    step: Step
    handset: int
    at: int
    result: str
    phase: str


class Player:
    """Plays steps on a rig, and holds the truth and what its handsets are told to the table."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.truth = Truth(at=rig.clock())
        self.done: list[Done] = []

    async def play(self, step: Step) -> None:
        """Do one step, and check results, phase and what the boards come to show."""
        await asyncio.sleep(step.after_s)
        await self.again(step)

    async def again(self, step: Step) -> None:
        """The same without the wait before."""
        if step.who == NOBODY:
            assert self.phase == step.phase, step
            return
        results = [await self._press(step, *press) for press in step.presses]
        told = self.done[-1].phase
        assert (", ".join(results), told) == (step.results, step.phase), step

    @property
    def phase(self) -> str:
        """The phase as the handsets are told it."""
        state = self.rig.keeper.state
        assert state is not None
        return state.phase

    async def _press(self, step: Step, does: str, shows: str, _: str) -> str:
        if step.who == CONSOLE:
            number = 0
            before, at = self.truth.face(self.rig.clock()), self.rig.clock()
            result = self.rig.enter(does)
            assert self.truth.order(Order(_typed(does), at)).result == result, step
            await asyncio.sleep(0.05)
        else:
            number = self.handset(step).number
            held = does.endswith("...")
            if held:
                await asyncio.sleep(HOLD_S)
            elif self.done and self.done[-1].step is step and len(step.presses) > 1:
                await asyncio.sleep(GAP_S)
            before, at, result = await self.press(number, does.rstrip("."), held=held)
        assert self.truth.face(at) == face_of(shows, at, before), step
        self.done.append(Done(step, number, at, result, self.phase))
        return result

    async def press(self, handset: int, key: str, *, held: bool = False) -> tuple[Face, int, str]:
        """Press a key; gives what the boards had to show before, when, and the result."""
        pressed = await self.rig.handsets[handset].press(key, held=held)
        before = self.truth.face(pressed.at)
        result = self.truth.press(key, pressed.at, held=held, handset=handset)
        assert pressed.result == result, key
        return before, pressed.at, result

    def handset(self, step: Step) -> HandsetEnd:
        """The handset of a step; the console's orders are the keeper's to take back."""
        return self.rig.field if step.who == FIELD_KEYS else self.rig.keeper

    async def undo(self, step: Step, before: Face, phase: str) -> None:
        """Take the step back: boards and phase are what they would be without it."""
        _, at, result = await self.press(self.handset(step).number, "UNDO")
        assert self.truth.face(at) == before, step
        assert result == ("running" if phase == "RUNNING" else "held"), step
        assert self.phase == phase, step

    def check(self, node: Node, end_at: int) -> list[int]:
        """As :func:`check_board`."""
        return check_board(node, self.truth, end_at)


@dataclass(frozen=True, slots=True)
class Game:
    """What was played to its end."""

    rig: Rig
    player: Player
    stopped_at: int
    rows: list[Row]

    @classmethod
    def of(cls, folder: Path, act: Callable[[Player], Awaitable[None]]) -> Game:
        """Play on an installation in ``folder`` until ``act`` is over, and two seconds more."""
        played: list[tuple[Player, int]] = []

        async def script(rig: Rig) -> None:
            player = Player(rig)
            await act(player)
            await asyncio.sleep(2)
            played.append((player, rig.clock()))
            await rig.end()

        rig = play(folder, script)
        return cls(rig, *played[0], rig.site.rows())


def _typed(line: str) -> PlayEnded:
    """An end of play as typed: an ending, and facts after commas."""
    ending, *facts = (word.strip().replace(" ", "_") for word in line.split(","))
    return PlayEnded(ending, frozenset(facts))
