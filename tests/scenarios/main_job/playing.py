"""Plays a series on a rig, and says from the table alone what the lamps must have shown."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

from tests.scenarios.main_job.board_ends import Node
from tests.scenarios.main_job.handset_ends import HandsetEnd
from tests.scenarios.main_job.rig import Rig
from tests.scenarios.main_job.series import CONSOLE, FIELD_KEYS, NOBODY, Step
from tests.scenarios.main_job.wire import MS_NS, S_NS

GAP_S = 0.3
"""Between the presses of one step."""
HOLD_S = 1.0
"""Hold time of NO COUNT and BOARDS OFF (PROTOCOL.md, PRESS)."""
SETTLED_NS = 26 * MS_NS
"""A change is on the lamps by then: at most 20 ms for an answer under way, 3.9 ms on the line,
and a stamp's rounding."""


@dataclass(frozen=True, slots=True)
class Held:
    """The lamps read ``text`` and nothing moves."""

    text: str


@dataclass(frozen=True, slots=True)
class Counting:
    """A count of ``seconds`` from ``start_at``: the whole first second reads the full number."""

    seconds: int
    start_at: int

    def text(self, at: int) -> str:
        left = max(0, self.seconds - (at - self.start_at) // S_NS)
        return f"{left:2d}"

    def next_change_at(self, at: int) -> int | None:
        passed = (at - self.start_at) // S_NS + 1
        return self.start_at + passed * S_NS if passed <= self.seconds else None


Face = Held | Counting
DARK = Held("  ")


def face_of(shows: str, at: int, before: Face) -> Face:
    """What the table's word for a press made at ``at`` means."""
    number, _, runs = shows.partition(" ")
    if shows == "same":
        return before
    if number == "stops":
        assert isinstance(before, Counting)
        return Held(before.text(at))
    if shows == "dark":
        return DARK
    return Counting(int(number), at) if runs else Held(f"{int(number):2d}")


@dataclass(slots=True)
class Timeline:
    """What the lamps must show from when on."""

    begins: list[tuple[int, Face]] = field(default_factory=list)

    @property
    def now(self) -> Face:
        return self.begins[-1][1] if self.begins else DARK

    def turn(self, at: int, face: Face) -> None:
        if face != self.now or not self.begins:
            self.begins.append((at, face))

    def spells(self, end_at: int) -> list[tuple[int, int, str]]:
        """Every spell of one reading up to ``end_at``: from, until, text."""
        ends = [at for at, _ in self.begins[1:]] + [end_at]
        found: list[tuple[int, int, str]] = []
        for (begin_at, face), until_at in zip(self.begins, ends, strict=True):
            at = begin_at
            while at < until_at:
                change_at = face.next_change_at(at) if isinstance(face, Counting) else None
                text = face.text(at) if isinstance(face, Counting) else face.text
                next_at = until_at if change_at is None else min(change_at, until_at)
                found.append((at, next_at, text))
                at = next_at
        return found

    def check(self, node: Node, end_at: int) -> list[int]:
        """Hold a node's whole history against every spell; gives how late each change came, ns."""
        late_ns = []
        text_before = node.read_at(self.begins[0][0])
        for begin_at, until_at, text in self.spells(end_at):
            what = f"node {node.number}, {text!r} from {begin_at} until {until_at}"
            settled_at = begin_at + SETTLED_NS
            assert node.faces_between(begin_at, min(settled_at, until_at)) <= {text_before, text}, (
                what
            )
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


@dataclass(slots=True)
class Player:
    """Plays steps on a rig and keeps the timeline that the table calls for."""

    rig: Rig
    timeline: Timeline = field(default_factory=Timeline)
    done: list[Done] = field(default_factory=list)

    async def play(self, step: Step) -> None:
        """Do one step, and check results, phase and what the boards come to show."""
        await asyncio.sleep(step.after_s)
        await self.again(step)

    async def again(self, step: Step) -> None:
        """The same without the wait before."""
        if step.who == NOBODY:
            state = self.rig.keeper.state
            assert state is not None and state.phase == step.phase, step
            return
        results = [await self._press(step, *press) for press in step.presses]
        told = self.done[-1].phase
        assert (", ".join(results), told) == (step.results, step.phase), step

    async def _press(self, step: Step, does: str, shows: str, _: str) -> str:
        if step.who == CONSOLE:
            result, at = self.rig.enter(does), self.rig.clock()
            await asyncio.sleep(0.05)
        else:
            handset = self.handset(step)
            if does.endswith("..."):
                await asyncio.sleep(HOLD_S)
            elif self.done and self.done[-1].step is step and len(step.presses) > 1:
                await asyncio.sleep(GAP_S)
            pressed = await handset.press(does.rstrip("."), held=does.endswith("..."))
            at, result = pressed.at, pressed.result
        self.timeline.turn(at, face_of(shows, at, self.timeline.now))
        heard = self.rig.keeper.state
        assert heard is not None
        number = 0 if step.who == CONSOLE else self.handset(step).number
        self.done.append(Done(step, number, at, result, heard.phase))
        return result

    def handset(self, step: Step) -> HandsetEnd:
        """The handset of a step; the console's orders are the keeper's to take back."""
        return self.rig.field if step.who == FIELD_KEYS else self.rig.keeper

    async def undo(self, step: Step, before: Face, phase: str) -> None:
        """Take the step back: boards and phase are what they would be without it."""
        pressed = await self.handset(step).press("UNDO")
        self.timeline.turn(pressed.at, before)
        heard = self.rig.keeper.state
        assert heard is not None
        assert pressed.result == ("running" if phase == "RUNNING" else "held"), step
        assert heard.phase == phase, step


# Short scripts


async def held_25(rig: Rig) -> None:
    """25, shown and held."""
    assert (await rig.keeper.press("NUMBER_25")).result == "held"
    assert rig.read == ["25", "25"]


async def running_25(rig: Rig) -> None:
    """25, running."""
    await held_25(rig)
    await asyncio.sleep(1)
    assert (await rig.keeper.press("READY")).result == "running"


async def hold_boards_key(rig: Rig) -> str:
    """Boards off, or relight; gives the result."""
    await rig.keeper.press("BOARDS_OFF")
    await asyncio.sleep(1)
    return (await rig.keeper.press("BOARDS_OFF", held=True)).result
