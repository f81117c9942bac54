"""The whole service on one installation's ptys, in this process and under virtual time."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import inspect
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from controller.assembly.assembler import Assembler, controller_id_of, radio_keys, rules_of
from controller.config.load import load_config
from controller.console.task import ConsoleTask
from controller.journal.row import Row
from controller.journal.writer import Journal
from controller.rulebook.loader import fingerprint
from controller.service.service import Service
from controller.status.document import Status
from tests.shared.far_ends import FarEnds
from tests.shared.installation import Site
from tests.shared.pty_time import AwakeLoop, Lanes, PatientClock, PtyPort, TellingPort

UP_S = 1.2
"""A script begins so long after the start: both boards asked, STATE heard."""
NOTICED_S = 1.9
"""A dead board is asked within 1.4 s, and three more times, 0.1 s apart (drivers' pace)."""


class Rig(FarEnds):
    """The whole service, as the configuration describes it, with its counterparts."""

    clock: PatientClock

    def __init__(self, site: Site, clock: PatientClock, lanes: Lanes) -> None:
        super().__init__(clock, site, lanes)
        self.site = site
        config = load_config(site.config)
        rules = rules_of(config)
        assembler = Assembler(clock, rules, config.play_clock)
        assembler.boards(list(config.boards), controller_id_of(config))
        assembler.handsets(list(config.handsets), radio_keys(config))
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

    def suspend(self, duration_ns: int) -> None:
        """Put the machine to sleep and wake it; the boards have power of their own."""
        self.clock.slept_ns += duration_ns

    def written(self, name: str) -> list[tuple[int, bytes]]:
        """What the service wrote to the port of ``name``, and when."""
        return self.lanes[name].written

    async def held_25(self) -> None:
        """25, shown and held."""
        assert (await self.keeper.press("NUMBER_25")).result == "held"
        assert self.read == ["25", "25"]

    async def running_25(self) -> None:
        """25, running."""
        await self.held_25()
        await asyncio.sleep(1)
        assert (await self.keeper.press("READY")).result == "running"

    async def hold_boards_key(self) -> str:
        """Boards off, or relight; gives the result."""
        await self.keeper.press("BOARDS_OFF")
        await asyncio.sleep(1)
        return (await self.keeper.press("BOARDS_OFF", held=True)).result

    async def fault_seen(self) -> int:
        """Wait until the handsets are told of a fault; gives that instant."""
        for _ in range(round(NOTICED_S * 100)):
            if self.keeper.state is not None and "fault" in self.keeper.state.flags:
                return self.clock()
            await asyncio.sleep(0.01)
        raise AssertionError(f"no fault seen within {NOTICED_S} s; boards read {self.read}")

    async def end(self) -> None:
        """Stop the service as SIGTERM does, and let the last bytes arrive."""
        self.service.stop()
        await self.running
        await asyncio.sleep(0.1)

    async def rows(self) -> list[Row]:
        """End the service; gives the rows of its journal."""
        await self.end()
        self.journal.close(5.0)
        return self.site.rows()

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


def play(
    folder: Path,
    script: Callable[[Rig], Awaitable[None]],
    *,
    port: type[PtyPort] = TellingPort,
    lateness: Callable[[], int] | None = None,
) -> Rig:
    """Run ``script`` with a whole service that has just come up; gives what is left.

    ``port`` is what the boards and the receiver hang on, ``lateness`` as in
    :class:`~tests.shared.virtual_time.VirtualClock`, from the script on.
    """
    lanes = Lanes()
    clock = PatientClock(lanes)

    async def main() -> Rig:
        rig = Rig(site, clock, lanes)
        try:
            await asyncio.sleep(UP_S)
            clock.lateness = lateness
            scripted = asyncio.ensure_future(script(rig))
            await asyncio.wait({scripted, rig.running}, return_when=asyncio.FIRST_COMPLETED)
            if rig.running.done():
                rig.running.result()  # the service's own error before whatever followed from it
            await scripted
        finally:
            clock.lateness = None
            await rig.dispose()
        return rig

    with (
        Site(folder) as site,
        pytest.MonkeyPatch.context() as patch,
        asyncio.Runner(loop_factory=lambda: AwakeLoop(clock)) as runner,
    ):
        patch.setattr("drivers.port.serial_port.SerialPort", partial(port, lanes))
        return runner.run(main())


def rigged(test: Callable[..., Awaitable[None]]) -> Callable[..., None]:
    """Make a plain pytest function of ``async def test_...(rig)``, which :func:`play` runs.

    Parameters after the rig stay pytest's; one named ``port`` is that of :func:`play` too.
    """

    def on_a_rig(tmp_path: Path, **kwargs: Any) -> None:
        port = kwargs.get("port", TellingPort)
        play(tmp_path, lambda rig: test(rig, **kwargs), port=port)

    functools.update_wrapper(on_a_rig, test)
    vars(on_a_rig).pop("__wrapped__")
    _, *rest = inspect.signature(test).parameters.values()
    folder = inspect.Parameter("tmp_path", inspect.Parameter.POSITIONAL_OR_KEYWORD)
    on_a_rig.__signature__ = inspect.Signature([folder, *rest])  # type: ignore[attr-defined]
    return on_a_rig
