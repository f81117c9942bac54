"""A service that is killed and started again, with boards and handsets at its ports."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

from tests.scenarios.crash.killer import Killer, Opens, Point, Window, any_call
from tests.shared.board_node import Heard
from tests.shared.far_ends import FarEnds
from tests.shared.frames import KEY_BITS, MS_NS, State
from tests.shared.installation import Site
from tests.shared.program import ROOT, boottime, until

JOURNALLED_S = 0.2
"""Rows that were handed over so long ago are on disk: 50 ms of gathering and two syncs."""
LINE_S = 0.06
"""What was written to a port has been heard: 8 ms of line time, and a busy machine."""


class Bench:
    """One installation whose service comes and goes."""

    def __init__(self, site: Site, program: str) -> None:
        self.site = site
        self._program = program
        self.ends = FarEnds(boottime, site)
        self.log = site.folder / "output"
        self._service: subprocess.Popen[bytes] | None = None

    @property
    def shows(self) -> list[Heard]:
        """Every frame that the boards heard."""
        return self.ends.boards.log

    @property
    def states(self) -> list[tuple[int, State]]:
        """Every STATE that the keeper's handset heard, with its instant."""
        return self.ends.keeper.heard

    async def until(self, holds: Callable[[], bool], within_s: float = 10) -> None:
        """Wait until something holds."""
        await until(holds, within_s, lambda: f"it said: {self.log.read_text()}")

    async def start(self) -> None:
        """Start the service, and wait until boards and handset have heard it."""
        shows, states = len(self.shows), len(self.states)
        self.launch()
        await self.until(lambda: len(self.shows) > shows and len(self.states) > states)

    def launch(self) -> None:
        """Start the service, and go on at once."""
        with self.log.open("ab") as log:
            self._service = subprocess.Popen(
                [sys.executable, "-m", self._program, "run", "--config", str(self.site.config)],
                cwd=ROOT,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                process_group=0,
            )

    async def press(self, key: str) -> str:
        """A press with its repetitions; gives what the handset was told, however late: a machine
        that is busy with other deaths may keep it waiting."""
        keeper = self.ends.keeper
        told = len(self.states)
        await keeper.press(key)
        counter = keeper.pressed & 0xFFFF

        def answers() -> list[str]:
            states = [state for _, state in self.states[told:]]
            return [state.result for state in states if state.counter == counter]

        await self.until(lambda: bool(answers()))
        return answers()[0]

    async def press_once(self, key: str) -> None:
        """The frame of a press, without repetitions or an answer."""
        keeper = self.ends.keeper
        keeper.counter += 1
        keeper.pressed = keeper.counter
        await keeper.report(keeper.counter, KEY_BITS[key], boottime())

    async def killed(
        self,
        opens: Opens,
        length_s: float,
        point: Point | None,
        act: Callable[[], Awaitable[None]] | None = None,
        counts: Opens = any_call,
    ) -> Killer:
        """Arm, ``act``, wait for the death, and for all that was sent to be heard."""
        assert self._service is not None
        window = Window(opens, length_s, self.site.folder / "run" / "snapshot", counts)
        killer = Killer(self._service.pid, window, point)
        killer.start()
        await asyncio.to_thread(killer.armed.wait)
        if act is not None:
            await act()
        await asyncio.to_thread(killer.join, 10)
        assert not killer.is_alive()
        if killer.problem is not None:
            raise killer.problem
        self._service.poll()  # which finds that the tracer has taken its end
        self._service = None
        await asyncio.sleep(LINE_S)
        return killer

    async def tell_to_stop(self) -> None:
        """Ask the service to end in order."""
        assert self._service is not None
        # Not Popen.send_signal, which looks for the end first, and would take a stop of a tracer's.
        os.kill(self._service.pid, signal.SIGTERM)

    async def stop(self) -> None:
        """End the service in order."""
        assert self._service is not None
        await self.tell_to_stop()
        code = await asyncio.to_thread(self._service.wait, 10)
        self._service = None
        assert code == 0, self.log.read_text()
        await asyncio.sleep(LINE_S)

    def kill(self) -> None:
        """End it at once, if it still runs."""
        if self._service is not None:
            self._service.kill()
            self._service.wait()


def _site(folder: Path, more: str) -> Site:
    folder.mkdir()
    site = Site(folder)
    site.config.write_text(site.config.read_text() + more)
    return site


@contextlib.asynccontextmanager
async def bench(folder: Path, more: str = "", program: str = "controller") -> AsyncIterator[Bench]:
    """A bench with its service not yet started; ``more`` is added to its configuration, and
    ``program`` is the module that is run."""
    with _site(folder, more) as site:
        made = Bench(site, program)
        try:
            yield made
        finally:
            made.kill()
            made.ends.stop()


def expires_at(heard: tuple[int, State]) -> int:
    """When the count that a STATE tells of runs out."""
    at, state = heard
    return at + state.remaining_10ms * 10 * MS_NS
