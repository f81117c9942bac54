"""The whole service on one installation's ptys, in this process and under virtual time."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path

import pytest

from controller.assembly.assembler import Assembler, controller_id_of, keys_and_session, rules_of
from controller.config.load import load_config
from controller.console.task import ConsoleTask
from controller.journal.writer import Journal
from controller.rulebook.loader import fingerprint
from controller.service.service import Service
from controller.status.document import Status
from tests.scenarios.main_job.flight import CountedPort, Flight, PatientClock
from tests.scenarios.main_job.installation import Ends, Site
from tests.shared.virtual_time import VirtualClock, VirtualTimeLoop

UP_S = 1.2
"""A script begins so long after the start: both boards asked, STATE heard."""


class Rig(Ends):
    """The whole service, as the configuration describes it, with its counterparts."""

    def __init__(self, site: Site, clock: VirtualClock, flight: Flight) -> None:
        super().__init__(clock)
        self.site, self.clock = site, clock
        self._flight = flight
        for name, tty in site.ttys.items():
            self.attach(name, tty.master, flight)
        config = load_config(site.config)
        rules = rules_of(config)
        assembler = Assembler(clock, rules, config.play_clock)
        keys, session = keys_and_session(config)
        assembler.boards(list(config.boards), controller_id_of(config))
        assembler.handsets(list(config.handsets), keys, session)
        with contextlib.redirect_stdout(None):  # its entry line is wanted, not its screen
            self._console = ConsoleTask(simulator=False, plain=False)
        assembler.console(config.console.role, self._console, None)
        self.journal = Journal(
            config.journal,
            software="test",
            rules_hash=fingerprint(rules),
            on_fault=lambda _: None,
            synchronised=lambda: None,
        )
        self.journal.start()
        assert self.journal.opening(5.0) is not None
        self.service: Service = assembler.build(self.journal).service
        self._console.attach(self.service, None)
        self.running = asyncio.create_task(self.service.run())
        self._presence = {n: asyncio.create_task(h.presence()) for n, h in self.handsets.items()}

    @property
    def status(self) -> Status:
        """What the console would show now."""
        return self.service.status()

    def enter(self, line: str) -> str:
        """A line typed at the console's entry; gives its result."""
        self._console.entered(line)
        return self.status.result

    def switch_off(self, handset: int) -> None:
        """The handset reports its presence no more."""
        self._presence[handset].cancel()

    def unplug(self, name: str) -> None:
        """Pull the adapter of the "boards" or the "receiver"."""
        self.detach(name)
        self.site.ttys[name].unplug()
        lane = self._flight.lane(name)
        lane.up = lane.down = 0

    def plug(self, name: str) -> None:
        """Put the adapter in again."""
        self.site.ttys[name].plug()
        self.attach(name, self.site.ttys[name].master, self._flight)

    async def end(self) -> None:
        """Stop the service as SIGTERM does, and let the last bytes arrive."""
        self.service.stop()
        await self.running
        await asyncio.sleep(0.1)

    async def dispose(self) -> None:
        """Leave nothing running."""
        self.running.cancel()
        for task in self._presence.values():
            task.cancel()
        tasks = {self.running, *self._presence.values()}
        await asyncio.wait(tasks)
        for task in tasks:
            if not task.cancelled():
                task.exception()
        self.stop()
        self.journal.close(5.0)


def play(folder: Path, script: Callable[[Rig], Awaitable[None]]) -> Rig:
    """Run ``script`` with a whole service that has just come up; gives what is left."""
    flight = Flight()
    clock = PatientClock(flight)

    async def main() -> Rig:
        rig = Rig(site, clock, flight)
        try:
            await asyncio.sleep(UP_S)
            scripted = asyncio.ensure_future(script(rig))
            await asyncio.wait({scripted, rig.running}, return_when=asyncio.FIRST_COMPLETED)
            if rig.running.done():
                rig.running.result()  # the service's own error before whatever followed from it
            await scripted
        finally:
            await rig.dispose()
        return rig

    with (
        Site(folder) as site,
        pytest.MonkeyPatch.context() as patch,
        asyncio.Runner(loop_factory=lambda: VirtualTimeLoop(clock)) as runner,
    ):
        # The same port, with its bytes counted.
        patch.setattr("drivers.port.serial_port.SerialPort", partial(CountedPort, flight))
        return runner.run(main())
