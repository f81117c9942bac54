"""The crew's check on a real service: opens all, leads through the steps, leaves all dark."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from controller import VERSION
from controller.assembly.assembler import (
    Assembler,
    Assembly,
    controller_id_of,
    radio_keys,
)
from controller.assembly.devices import SIMULATED_BOARDS, SIMULATED_HANDSETS
from controller.check.crew import CrewCheck, CrewCheckContext, Step, alongside
from controller.check.crew_steps import steps_for
from controller.check.handsets import CheckedHandset
from controller.check.operators import Hands
from controller.check.prompts import Abort, Dialogue, Lines, Repeat, Skip
from controller.check.report import Report, wrong
from controller.clock import synchronised
from controller.config.model import Config
from controller.journal.file import CHECK
from controller.journal.writer import Journal
from controller.rulebook.loader import fingerprint
from controller.rules.rulings import RuleSet
from controller.rules.settings import Settings

OPENING_S, CLOSE_S = 5.0, 2.0


@dataclass(slots=True)
class CrewCheckSession:
    """What is checked. ``handsets`` may be left empty; ``fd`` is where answers are typed.

    ``config`` None is the simulator.
    """

    config: Config | None
    rules: RuleSet
    journal: Path
    boards: bool
    handsets: Sequence[CheckedHandset]
    clock: Callable[[], int]
    report: Report
    fd: int | None
    hands: type[Hands] = Hands

    async def run(self, steps: Sequence[Step] | None = None) -> None:
        """Lead through the steps; what is wrong goes to the report."""
        lines = Lines(self.fd, self.clock)
        talk = Dialogue(lines, self.report, self.clock)
        self.report.title("With the officials: s skips a step, r repeats it, q ends; then Enter")
        lines.open()
        try:
            if await self._wanted(talk):
                await self._with_service(talk, steps_for(self.boards) if steps is None else steps)
        finally:
            lines.close()

    async def _wanted(self, talk: Dialogue) -> bool:
        """With something wrong the crew decides whether to go on."""
        if not self.report.wrong:
            return True
        with contextlib.suppress(Abort, Skip, Repeat):
            return await talk.ask("Something is wrong, see above. Go on with the crew's steps?")
        return False

    async def _with_service(self, talk: Dialogue, steps: Sequence[Step]) -> None:
        assembly, journal = self._assembly(), self._journal()
        journal.start()
        try:
            await asyncio.to_thread(journal.opening, OPENING_S)  # it tells which game comes next
            await self._lead(assembly, journal, talk, steps)
        finally:
            fault = journal.fault
            if not journal.close(CLOSE_S):
                why = journal.fault or fault or "the disk is too slow"
                self.report.take([wrong(f"the outcome is not in the record: {why}", "mend it")])

    async def _lead(
        self, assembly: Assembly, journal: Journal, talk: Dialogue, steps: Sequence[Step]
    ) -> None:
        service = assembly.service
        simulated = {number for air in assembly.airs for number in air.handsets}
        hands = self.hands(assembly, [each for each in self.handsets if each.number in simulated])
        field = CrewCheckContext(service, talk, self.clock, self.handsets, hands)
        for pair in assembly.pairs:
            pair.open()
        hands.switch_on()
        work = asyncio.create_task(service.run())
        try:
            crew = CrewCheck(field, self.report, journal)
            await alongside(work, crew.run(steps))
        finally:
            service.stop()
            await asyncio.wait({work})  # it darkens the boards on the way out
            hands.switch_off()
            for pair in assembly.pairs:
                pair.close()
            if not work.cancelled():
                work.exception()  # raised above, or of no interest any more

    def _assembly(self) -> Assembly:
        config = self.config
        settings = config.play_clock if config else Settings()
        assembler = Assembler(self.clock, self.rules, settings)
        assembler.console("keeper")
        if config is None:
            if self.boards:
                assembler.boards(SIMULATED_BOARDS)
            if self.handsets:
                assembler.handsets(SIMULATED_HANDSETS)
            return assembler.build(None)
        if self.boards:
            assembler.boards(config.boards, controller_id_of(config))
        if self.handsets:
            assembler.handsets(config.handsets, radio_keys(config))
        return assembler.build(None, config.brightness)

    def _journal(self) -> Journal:
        with contextlib.suppress(OSError):  # the journal will say so
            self.journal.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        return Journal(
            self.journal,
            software=VERSION,
            rules_hash=fingerprint(self.rules),
            on_fault=lambda _: None,
            synchronised=synchronised,
            game_kind=CHECK,
        )
