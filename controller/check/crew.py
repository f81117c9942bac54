"""The steps before a game, with the officials: a real service, its boards and its handsets.

Each step's outcome goes to the record, as a row of the game that is about to be played. The orders
of the check itself do not: they are not of a game.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from controller.check.handsets import CheckedHandset
from controller.check.operators import Hands
from controller.check.prompts import Abort, Dialogue, Repeat, Skip
from controller.check.report import Finding, Report, look, ok, wrong
from controller.journal.file import Opening
from controller.journal.row import Row
from controller.rules.events import Event, NoCount, ToggleBoards
from controller.service.service import Service
from controller.status.document import HandsetHealth, Status

SETTLED_S, SETTLED_S_A_BOARD = 3.0, 0.6
"""A board is asked once a second and may miss one answer; the more boards, the less often."""
KIND = "check"


class Recording(Protocol):
    """What is needed of a journal."""

    def opening(self, timeout_s: float) -> Opening | None: ...

    def append(self, row: Row) -> None: ...


class Outcome(NamedTuple):
    """How a step ended: right, wrong, noted, skipped or aborted."""

    result: str
    detail: str = ""


RIGHT, WRONG, NOTED, SKIPPED, ABORTED = "right", "wrong", "noted", "skipped", "aborted"


@dataclass(slots=True)
class CrewCheckContext:
    """What the steps work with. ``handsets`` are those of the configuration."""

    service: Service
    talk: Dialogue
    clock: Callable[[], int]
    handsets: Sequence[CheckedHandset]
    hands: Hands

    def order(self, event: Event) -> None:
        """Give an order, as the console would."""
        self.service.enter(event)

    def light(self) -> None:
        """No count, and the boards on."""
        if self.status.boards == "off":
            self.order(ToggleBoards())
        self.order(NoCount())

    @property
    def status(self) -> Status:
        """What the service says of itself now."""
        return self.service.status()

    def handset(self, number: int) -> HandsetHealth:
        """What the service says of this handset now."""
        return next(each for each in self.status.handset_health if each.number == number)

    @property
    def boards(self) -> tuple[str, ...]:
        """Names of all boards."""
        return tuple(each.name for each in self.status.board_health)

    @property
    def mute(self) -> tuple[str, ...]:
        """The names of those that cannot say what they show."""
        return tuple(each.name for each in self.status.board_health if not each.answers)

    @property
    def drivers(self) -> list[CheckedHandset]:
        """The handsets that drive the clock."""
        return [each for each in self.handsets if each.role != "shadow"]

    @property
    def dark_why(self) -> str:
        """Why the boards must be dark, in plain words; empty while they need not be."""
        status = self.status
        return status.boards_fault or ("the boards are off" if status.boards == "off" else "")

    @property
    def all_answer_right(self) -> bool:
        """True when the last answer of every board that can answer was right, dark or not."""
        boards = self.status.board_health
        return all(each.state == "right" for each in boards if each.answers)

    async def confirmed(self) -> bool:
        """Wait for every board that can to say that it shows what it was told just now."""
        since_at = self.clock()

        def settled() -> bool:
            told = [each for each in self.status.board_health if each.answers]
            fresh = all(each.shown_at >= since_at for each in told)
            return fresh and self.all_answer_right and not self.dark_why

        timeout_s = SETTLED_S + SETTLED_S_A_BOARD * len(self.boards)
        return await self.talk.until(settled, timeout_s)

    async def heard(self, by: int, wanted: Callable[[Status], bool], timeout_s: float) -> bool:
        """Wait for an order of this handset after which ``wanted`` holds."""
        before = self.status.orders

        def happened() -> bool:
            status = self.status
            return status.orders != before and status.by_handset == by and wanted(status)

        return await self.talk.until(happened, timeout_s)


class Step(NamedTuple):
    """One step: its name in the record, and what it does."""

    name: str
    run: Callable[[CrewCheckContext], Awaitable[Outcome]]


class CrewCheck:
    """Leads through the steps and records how each ended."""

    def __init__(self, field: CrewCheckContext, report: Report, journal: Recording) -> None:
        self._field, self._report, self._journal = field, report, journal
        self.outcomes: list[tuple[str, Outcome]] = []

    async def run(self, steps: Sequence[Step]) -> None:
        """All steps, unless the crew ends them early. An interruption is recorded too."""
        try:
            await self._all(steps)
        except asyncio.CancelledError:
            self._keep("total: interrupted", Outcome("interrupted", self._total().detail))
            raise
        total = self._total()
        self._keep(f"total: {total.result}", total)
        self._list(total)

    async def _all(self, steps: Sequence[Step]) -> None:
        for number, step in enumerate(steps, 1):
            self._report.title(f"{number} of {len(steps)}: {step.name}")
            outcome = await self._tried(step)
            self.outcomes.append((step.name, outcome))
            if outcome.result == ABORTED:
                return

    async def _tried(self, step: Step) -> Outcome:
        """The step, as often as the crew wants it; every try is recorded."""
        while True:
            try:
                self._field.light()
                outcome = await step.run(self._field)
            except Repeat:
                self._report.say("again:")
                continue
            except Skip:
                outcome = Outcome(SKIPPED, "by the crew")
            except Abort:
                outcome = Outcome(ABORTED, "by the crew")
            self._report.take([_finding(step.name, outcome)])
            self._keep(f"{step.name}: {outcome.result}", outcome)
            if outcome.result != WRONG or not await self._again():
                return outcome

    async def _again(self) -> bool:
        try:
            await self._field.talk.enter("Enter goes on, r and Enter repeats this step")
        except Repeat:
            return True
        except (Skip, Abort):
            return False
        return False

    def _total(self) -> Outcome:
        results = [outcome.result for _, outcome in self.outcomes]
        bad = WRONG in results or ABORTED in results
        counted = [f"{results.count(each)} {each}" for each in dict.fromkeys(results)]
        return Outcome(WRONG if bad else RIGHT, ", ".join(counted))

    def _keep(self, event: str, outcome: Outcome) -> None:
        """A row of the coming game. It has no event number: the service numbers its own."""
        opening = self._journal.opening(0)
        row = Row(
            kind=KIND,
            game=1 if opening is None else opening.game + 1,
            play=0,
            event_number=None,
            received_at=self._field.clock(),
            event=f"crew check, {event}",
            result=outcome.result,
            detail=outcome.detail,
        )
        self._journal.append(row)

    def _list(self, total: Outcome) -> None:
        self._report.title("The crew's check")
        for name, outcome in self.outcomes:
            detail = f" ({outcome.detail})" if outcome.detail else ""
            self._report.say(f"{outcome.result:<8} {name}{detail}")
        self._report.say(f"{'total':<8} {total.detail}")


def _finding(name: str, outcome: Outcome) -> Finding:
    said = f"{name}: {outcome.detail}" if outcome.detail else name
    if outcome.result == WRONG:
        return wrong(said, "mend it and repeat the step, or play without what failed")
    if outcome.result == ABORTED:
        return wrong(f"{said} (ended early)", "begin again when the crew has time")
    if outcome.result == SKIPPED:
        return look(f"{said} (skipped)", "tell the crew that this was not tried")
    return ok(said)


async def alongside(work: asyncio.Task[None], steps: Awaitable[None]) -> None:
    """Do the steps while ``work`` goes on; its error comes first if it ends before them."""
    leading = asyncio.ensure_future(steps)
    try:
        await asyncio.wait({work, leading}, return_when=asyncio.FIRST_COMPLETED)
        if not leading.done():
            work.result()
            raise RuntimeError("the service ended during the check")
        leading.result()
    finally:
        leading.cancel()
        await asyncio.wait({leading})
