"""The service as an installation has it, in virtual time: simulated boards and handset on lines of
memory, the journal's real thread, snapshots, console and watchdog."""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path
from unittest.mock import patch

from controller.assembly.assembler import Assembler, Assembly
from controller.assembly.devices import SIMULATED_BOARDS, SIMULATED_HANDSETS
from controller.console.task import ConsoleTask
from controller.journal.writer import Journal, this_boot
from controller.recovery.recovery import Recovery
from controller.rulebook.loader import fingerprint, load_rule_set
from controller.rules.settings import Settings
from controller.service.watchdog import Watchdog
from drivers.base import PortError
from drivers.port.memory_port import MemoryPort, memory_pair
from tests.shared.virtual_time import VirtualClock

SOFTWARE = "soak"
PATIENCE_S = 2.0
"""WatchdogSec of the unit."""
HANDSET = 1


class Stadium:
    """One service that runs. ``air`` carries the keeper's handset, ``nodes`` are the boards,
    ``pair`` and ``receiver`` their lines."""

    def __init__(self, folder: Path, clock: VirtualClock) -> None:
        self.clock, self.folder = clock, folder
        self.journal_path = folder / "state" / "journal.sqlite3"
        self.snapshot_path = folder / "run" / "snapshot"
        self.printed_path = folder / "printed"
        self.told = Counter[str]()
        """What the service manager was told, in counts."""
        rules = load_rule_set("nfhs")
        self._continuity = Recovery(
            folder / "run",
            folder / "state",
            boot_id=this_boot(),
            software=SOFTWARE,
            rules_hash=fingerprint(rules),
            now=clock(),
        )
        self._continuity.begin()
        self._console = self._quiet_console()
        assembler = Assembler(clock, rules, Settings(), self._continuity)
        near_ends: list[MemoryPort] = []

        def line(clock: VirtualClock, names: tuple[str, str]) -> tuple[MemoryPort, MemoryPort]:
            ends = memory_pair(clock, names=names)
            near_ends.append(ends[0])
            return ends

        with patch("drivers.port.memory_port.memory_pair", line):
            assembler.console("keeper", self._console, None)
            assembler.boards(SIMULATED_BOARDS)
            assembler.handsets(SIMULATED_HANDSETS)
        self.pair, self.receiver = near_ends
        self.journal = Journal(
            self.journal_path,
            software=SOFTWARE,
            rules_hash=fingerprint(rules),
            on_fault=lambda _: None,
            synchronised=lambda: None,
        )
        self._assembly: Assembly = assembler.build(self.journal)
        self.service, self.nodes = self._assembly.service, self._assembly.nodes
        (self.air,) = self._assembly.airs

    def _quiet_console(self) -> ConsoleTask:
        """The console of an installation without a terminal, which says what is not well."""
        with self.printed_path.open("w") as printed, contextlib.redirect_stdout(printed):
            return ConsoleTask(simulator=False, plain=False)

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Run it until the block is left, then end it in order."""
        self.journal.start()
        self.journal.opening(5.0)
        self._console.attach(self.service, None)
        for pair in self._assembly.pairs:
            pair.open()
        watchdog = Watchdog(self.service, lambda words: self.told.update([words]), PATIENCE_S)
        beside = [self._on_the_air(), self._console.run(), watchdog.run()]
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(each) for each in beside]
            serving = group.create_task(self.service.run())
            try:
                yield
            finally:
                self.service.stop()
                await serving
                for task in tasks:
                    task.cancel()
        self._console.close()
        self.journal.close(5.0)
        self._continuity.close(in_order=True)

    def write_out(self) -> None:
        """Wait until every row is on the disk: it lives in real time."""
        while self.journal.waiting and not self.journal.fault:
            pass

    async def break_pair(self, for_s: float) -> None:
        """Pull the boards' adapter, and put it in again."""
        self.pair.unplug()
        await asyncio.sleep(for_s)
        self.pair.replug()
        for pair in self._assembly.pairs:
            pair.open()

    async def break_receiver(self, for_s: float) -> None:
        """The same with the handsets' receiver."""
        self.receiver.unplug()
        await asyncio.sleep(for_s)
        self.receiver.replug()

    async def _on_the_air(self) -> None:
        """The handset's end of the line, opened again whenever it was lost."""
        while True:
            with contextlib.suppress(PortError):
                await self.air.run()
            await asyncio.sleep(0.05)
