"""The computer at the field: its boots, its ports, and the service manager that starts the service
again whenever it has died."""

from __future__ import annotations

import asyncio
from functools import partial
from pathlib import Path
from typing import NamedTuple, cast
from unittest.mock import patch

from controller.assembly.assembler import Assembler, controller_id_of, radio_keys, rules_of
from controller.config.load import load_config
from controller.config.model import Config
from controller.journal.file import Origin
from controller.recovery.recovery import Recovery
from controller.rulebook.loader import fingerprint
from controller.service.service import Service
from controller.service.watchdog import Watchdog
from drivers.handset.keys import Keys
from tests.scenarios.simulation.link import KillablePort, Link
from tests.scenarios.simulation.process import (
    Disk,
    KillableJournal,
    KillableRecovery,
    KillPoint,
    Process,
)
from tests.scenarios.simulation.schedule import Schedule
from tests.scenarios.simulation.truth import InstallationTruth
from tests.shared.frames import MS_NS, S_NS
from tests.shared.installation import PORTS, configuration
from tests.shared.key_files import write_keys

NEVER = 1 << 62
SOFTWARE = "simulation"
WATCHDOG_NS = 2 * S_NS
"""WatchdogSec of the unit."""
LOOP, HOPELESS, LOOP_NS = 3, 6, 10 * S_NS
"""After so many crashes within so long it comes up dark; or with no state either, which may be
what it dies of."""
BOOT_NS = 12 * S_NS
RESTART_NS = 400 * MS_NS
"""From the end of one process to the first step of the next: RestartSec and the start of Python."""


def configured(folder: Path, keys: Keys) -> Config:
    """Make its files in ``folder`` and read them as the program does."""
    folder.mkdir(parents=True, exist_ok=True)
    write_keys(folder / "keys.toml", keys)
    path = folder / "playclock.toml"
    ports = {name: f"/dev/{name}" for name in PORTS}
    text = configuration(
        ports, state=folder / "state", run=folder / "run", keys=folder / "keys.toml"
    )
    path.write_text(text)
    return load_config(path)


class SelfOff(NamedTuple):
    """The service put its boards off by itself: when, why as it says, when any handset had been
    heard last, and whether it came up so without having to."""

    at: int
    why: str
    heard_at: int
    starting: bool


class SilentConsole:
    """No console is typed on; its events are entered directly."""

    def command(self, char: str) -> None: ...
    def entered(self, text: str) -> None: ...
    def unknown(self, char: str) -> None: ...


class Computer:
    """``service`` is the one that runs, None while none does. ``bugs`` are the errors that ended a
    service: there must be none."""

    def __init__(
        self,
        folder: Path,
        keys: Keys,
        schedule: Schedule,
        truth: InstallationTruth,
        links: dict[str, Link],
    ) -> None:
        self.service: Service | None = None
        self.process: Process | None = None
        self.bugs: list[BaseException] = []
        self.starts: list[int] = []
        self.starved: list[int] = []
        """When the manager killed a service that did not feed its watchdog."""
        self.self_offs: list[SelfOff] = []
        self._schedule, self._truth, self._links = schedule, truth, links
        self.config = configured(folder, keys)
        self._rules = rules_of(self.config)
        self.disk = Disk(self.config.journal, schedule)
        self._boot = 1
        self._over = False
        self._closed = True
        """The process before this one left in order."""
        self._starts_of_crashes: list[int] = []
        """Starts since the last end that was in order."""
        self._down_ns = RESTART_NS
        self._cut_at: int | None = None
        self._died_at = schedule.clock()
        self._why = "start"
        self._asked_at = NEVER

    async def run(self) -> None:
        """Keep a service running until :meth:`close`."""
        while not self._over:
            await self._run_process()
            if not self._over:
                down_ns, self._down_ns = self._down_ns, RESTART_NS
                await asyncio.sleep(down_ns / S_NS)

    def kill(
        self,
        why: str,
        where: KillPoint | None,
        down_ns: int = RESTART_NS,
        cut_at: int = 7,
        *,
        in_press: bool = False,
    ) -> None:
        """SIGKILL: at once, or in the middle of the next turn (of a press, if ``in_press``) that
        comes to ``where``."""
        if self.process is None or not self.process.alive:
            return
        self._why, self._down_ns = why, down_ns
        self.process.arm(where, cut_at, in_press=in_press)
        if where is None:
            self.process.end()

    def cut_power(self, why: str, at: int, down_ns: int) -> None:
        """All that is not on the disk is gone; the computer is back after ``down_ns``."""
        self._cut_at = at
        self._why, self._down_ns = why, down_ns
        if self.service is None:
            self._asked_at = min(self._asked_at, self._died_at)
        if self.process is not None:
            self.process.end()

    def stop(self, why: str, down_ns: int) -> None:
        """SIGTERM, and started again."""
        if self.service is not None:
            self._why, self._down_ns = why, down_ns
            self._asked_at = self._schedule.clock()
            self.service.stop()

    def hang(self) -> None:
        """A bug of the service: its one timer is never set again."""
        if self.service is not None:
            timer = self.service._timer
            timer.disarm()
            timer.arm = lambda *_: None  # type: ignore[method-assign]

    def close(self) -> None:
        """The game is over."""
        self._over = True
        if self.service is not None:
            self.service.stop()
        else:
            self._schedule.log.fault(self._why, self._died_at, self._schedule.clock())

    @property
    def at_zero(self) -> bool:
        """True when the service has seen the count end."""
        return self.service is not None and self.service.status().phase == "EXPIRED"

    # One process

    async def _run_process(self) -> None:
        schedule, truth = self._schedule, self._truth
        now = schedule.clock()
        self._boot_after_cut(now)
        boot_at = truth.boot_at
        ended = asyncio.Event()
        process = Process(lambda: schedule.clock() - boot_at, ended.set)
        recovery = Recovery(
            self.config.runtime_folder,
            self.config.state_folder,
            boot_id=f"boot-{self._boot}",
            software=SOFTWARE,
            rules_hash=fingerprint(self._rules),
            now=process.clock(),
        )
        service, journal = self._assembled(process, recovery)
        self.process, self.service = process, service
        self._expect_dark_start(now)
        self.starts.append(now)
        schedule.log.fault(self._why, min(self._died_at, self._asked_at), now)
        self._asked_at = NEVER
        schedule.log.say(now, f"service starts ({recovery.plan.story or 'afresh'})")
        self._note_self_off(service, process, starting=True)
        running = asyncio.create_task(service.run())
        feeding = asyncio.create_task(self._watchdog(service, process).run())
        dying = asyncio.create_task(ended.wait())
        await asyncio.wait({running, dying}, return_when=asyncio.FIRST_COMPLETED)
        in_order = process.alive
        self.service = None
        if in_order:
            self._take_result(running)
            self._starts_of_crashes.clear()
        self._closed = in_order
        process.alive = False
        self._died_at = schedule.clock()
        schedule.log.say(
            self._died_at, f"service {'stopped' if in_order else 'died'} ({self._why})"
        )
        journal.close(in_order=in_order)
        recovery.close(in_order=in_order)
        for task in (running, dying, feeding):
            task.cancel()
        await asyncio.wait({running, dying, feeding})

    def _watchdog(self, service: Service, process: Process) -> Watchdog:
        """The service's own, and the manager that kills what has not fed it in time."""
        fed_at: list[int] = []

        def told(what: str) -> None:
            if process.alive and what in ("READY=1", "WATCHDOG=1"):
                fed_at.append(self._schedule.clock())
                self._schedule.at(fed_at[-1] + WATCHDOG_NS, missed)

        def missed(at: int) -> None:
            if process.alive and self.service is service and fed_at[-1] + WATCHDOG_NS <= at:
                self.starved.append(at)
                self.kill("watchdog", None)

        return Watchdog(service, told, WATCHDOG_NS / S_NS)

    def _take_result(self, running: asyncio.Task[None]) -> None:
        error = running.exception()
        if error is not None:
            self.bugs.append(error)
            self._over = True

    def _boot_after_cut(self, now: int) -> None:
        if self._cut_at is None:
            return
        cut_at, self._cut_at = self._cut_at, None
        self._boot += 1
        for path in self.config.runtime_folder.iterdir():
            path.unlink()
        self._starts_of_crashes.clear()
        last_row_at, self.disk.last_row_at = self.disk.last_row_at, 0
        self._truth.power_lost(cut_at, now - BOOT_NS, closed=self._closed, last_row_at=last_row_at)

    def _assembled(self, process: Process, recovery: Recovery) -> tuple[Service, KillableJournal]:
        config = self.config
        kept = KillableRecovery(recovery, config.runtime_folder / "snapshot", process)
        assembler = Assembler(process.clock, self._rules, config.play_clock, cast(Recovery, kept))
        with patch("drivers.port.serial_port.SerialPort", partial(self._port, process)):
            assembler.boards(list(config.boards), controller_id_of(config))
            assembler.handsets(list(config.handsets), radio_keys(config))
        assembler.console("keeper", SilentConsole(), None)
        recovery.begin()
        origin = Origin(f"boot-{self._boot}", SOFTWARE, fingerprint(self._rules))
        journal = KillableJournal(self.disk, process, origin)
        service = assembler.build(journal).service
        service.observers.append(partial(self._note_self_off, service, process))
        self._truth.restarted()
        return service, journal

    def _port(self, process: Process, path: str, *_: object, **__: object) -> KillablePort:
        return KillablePort(self._links[Path(path).name], process)

    def _expect_dark_start(self, now: int) -> None:
        """What a start must find reason enough to leave the boards off: see the rules of a start in
        ``README.md``."""
        truth = self._truth
        phase = truth.clock.now.phase
        long_away = bool(self.starts) and now - self._died_at >= 31 * S_NS and phase != "IDLE"
        crashes = sum(now - at < LOOP_NS for at in self._starts_of_crashes)
        self._starts_of_crashes.append(now)
        if crashes >= HOPELESS:
            truth.forget_state(now, off=True)
        elif (long_away or crashes >= LOOP) and not truth.clock.off:
            truth.put_off("away for long" if long_away else "crash loop", now)

    def _note_self_off(self, service: Service, process: Process, *, starting: bool = False) -> None:
        """Learn of the one thing that only the service decides: that the boards are to be off."""
        if not process.alive or not service.board_words.startswith("boards off"):
            return
        if not self._truth.clock.off:
            now = self._schedule.clock()
            why = service._board_state.off_why
            self.self_offs.append(SelfOff(now, why, self._truth.heard_at, starting))
            self._schedule.log.say(now, f"service puts the boards off: {why}")
            self._truth.put_off(why, now)
