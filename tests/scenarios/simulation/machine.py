"""The computer at the field: its boots, its ports, and the service manager that starts the service
again whenever it has died."""

from __future__ import annotations

import asyncio
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple, cast
from unittest.mock import patch

from controller.assembly.assembler import Assembler, controller_id_of, keys_and_session, rules_of
from controller.journal.file import Origin
from controller.recovery.recovery import Recovery
from controller.rulebook.loader import fingerprint
from controller.service.service import Service
from controller.service.watchdog import Watchdog
from drivers.handset.keys import Keys
from tests.scenarios.simulation.disk import Disk
from tests.scenarios.simulation.installation import configured
from tests.scenarios.simulation.life import Kept, Life, Where
from tests.scenarios.simulation.link import Link, ServicePort
from tests.scenarios.simulation.truth import Truth
from tests.scenarios.simulation.world import MS, S, World

NEVER = 1 << 62
SOFTWARE = "simulation"
WATCHDOG_NS = 2 * S
"""WatchdogSec of the unit."""
LOOP, HOPELESS, LOOP_NS = 3, 6, 10 * S
"""After so many crashes within so long it comes up dark; or with no state either, which may be
what it dies of."""
BOOT_NS = 12 * S
RESTART_NS = 400 * MS
"""From the end of one process to the first step of the next: RestartSec and the start of Python."""


class SelfOff(NamedTuple):
    """The service put its boards off by itself: when, why as it says, when any handset had been
    heard last, and whether it came up so without having to."""

    at: int
    why: str
    heard_at: int
    starting: bool


class Nobody:
    """No console is typed on; its events are entered directly."""

    def command(self, char: str) -> None: ...
    def entered(self, text: str) -> None: ...
    def unknown(self, char: str) -> None: ...


class Machine:
    """``service`` is the one that runs, None while none does. ``bugs`` are the errors that ended a
    service: there must be none."""

    def __init__(
        self, folder: Path, keys: Keys, world: World, truth: Truth, links: dict[str, Link]
    ) -> None:
        self.service: Service | None = None
        self.life: Life | None = None
        self.bugs: list[BaseException] = []
        self.starts: list[int] = []
        self.starved: list[int] = []
        """When the manager killed a service that did not feed its watchdog."""
        self.self_offs: list[SelfOff] = []
        self._world, self._truth, self._links = world, truth, links
        self.config = configured(folder, keys)
        self._rules = rules_of(self.config)
        self.disk = Disk(self.config.journal, world)
        self._boot = 1
        self._over = False
        self._closed = True
        """The process before this one left in order."""
        self._starts_of_crashes: list[int] = []
        """Starts since the last end that was in order."""
        self._down_ns = RESTART_NS
        self._cut_at: int | None = None
        self._died_at = world.clock()
        self._why = "start"
        self._asked_at = NEVER

    async def run(self) -> None:
        """Keep a service running until :meth:`close`."""
        while not self._over:
            await self._live()
            if not self._over:
                down_ns, self._down_ns = self._down_ns, RESTART_NS
                await asyncio.sleep(down_ns / S)

    def kill(
        self,
        why: str,
        where: Where | None,
        down_ns: int = RESTART_NS,
        cut_at: int = 7,
        *,
        in_press: bool = False,
    ) -> None:
        """SIGKILL: at once, or in the middle of the next turn (of a press, if ``in_press``) that
        comes to ``where``."""
        if self.life is None or not self.life.alive:
            return
        self._why, self._down_ns = why, down_ns
        self.life.arm(where, cut_at, in_press=in_press)
        if where is None:
            self.life.end()

    def cut_power(self, why: str, at: int, down_ns: int) -> None:
        """All that is not on the disk is gone; the computer is back after ``down_ns``."""
        self._cut_at = at
        self._why, self._down_ns = why, down_ns
        if self.service is None:
            self._asked_at = min(self._asked_at, self._died_at)
        if self.life is not None:
            self.life.end()

    def stop(self, why: str, down_ns: int) -> None:
        """SIGTERM, and started again."""
        if self.service is not None:
            self._why, self._down_ns = why, down_ns
            self._asked_at = self._world.clock()
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
            self._world.log.fault(self._why, self._died_at, self._world.clock())

    @property
    def at_zero(self) -> bool:
        """True when the service has seen the count end."""
        return self.service is not None and self.service.status().phase == "EXPIRED"

    # One process

    async def _live(self) -> None:
        world, truth = self._world, self._truth
        now = world.clock()
        self._boot_if_need_be(now)
        boot_at = truth.boot_at
        ended = asyncio.Event()
        life = Life(lambda: world.clock() - boot_at, ended.set)
        continuity = Recovery(
            self.config.runtime_folder,
            self.config.state_folder,
            boot_id=f"boot-{self._boot}",
            software=SOFTWARE,
            rules_hash=fingerprint(self._rules),
            now=life.clock(),
        )
        service, pen = self._assembled(life, continuity)
        self.life, self.service = life, service
        self._owe_darkness(now)
        self.starts.append(now)
        world.log.fault(self._why, min(self._died_at, self._asked_at), now)
        self._asked_at = NEVER
        world.log.say(now, f"service starts ({continuity.plan.story or 'afresh'})")
        self._look(service, life, starting=True)
        running = asyncio.create_task(service.run())
        feeding = asyncio.create_task(self._watchdog(service, life).run())
        dying = asyncio.create_task(ended.wait())
        await asyncio.wait({running, dying}, return_when=asyncio.FIRST_COMPLETED)
        in_order = life.alive
        self.service = None
        if in_order:
            self._take_result(running)
            self._starts_of_crashes.clear()
        self._closed = in_order
        life.alive = False
        self._died_at = world.clock()
        world.log.say(self._died_at, f"service {'stopped' if in_order else 'died'} ({self._why})")
        pen.close(in_order=in_order)
        continuity.close(in_order=in_order)
        for task in (running, dying, feeding):
            task.cancel()
        await asyncio.wait({running, dying, feeding})

    def _watchdog(self, service: Service, life: Life) -> Watchdog:
        """The service's own, and the manager that kills what has not fed it in time."""
        fed_at: list[int] = []

        def told(what: str) -> None:
            if life.alive and what in ("READY=1", "WATCHDOG=1"):
                fed_at.append(self._world.clock())
                self._world.at(fed_at[-1] + WATCHDOG_NS, missed)

        def missed(at: int) -> None:
            if life.alive and self.service is service and fed_at[-1] + WATCHDOG_NS <= at:
                self.starved.append(at)
                self.kill("watchdog", None)

        return Watchdog(service, told, WATCHDOG_NS / S)

    def _take_result(self, running: asyncio.Task[None]) -> None:
        error = running.exception()
        if error is not None:
            self.bugs.append(error)
            self._over = True

    def _boot_if_need_be(self, now: int) -> None:
        if self._cut_at is None:
            return
        cut_at, self._cut_at = self._cut_at, None
        self._boot += 1
        for path in self.config.runtime_folder.iterdir():
            path.unlink()
        self._starts_of_crashes.clear()
        self._truth.lost_with_power(self.disk.last_row_at)
        self.disk.last_row_at = 0
        self._truth.power_lost(cut_at, now - BOOT_NS, closed=self._closed)

    def _assembled(self, life: Life, continuity: Recovery) -> tuple[Service, Any]:
        config = self.config
        keys, session = keys_and_session(config)
        kept = Kept(continuity, config.runtime_folder / "snapshot", life)
        assembler = Assembler(life.clock, self._rules, config.play_clock, cast(Recovery, kept))
        with patch("drivers.port.serial_port.SerialPort", partial(self._port, life)):
            assembler.boards(list(config.boards), controller_id_of(config))
            assembler.handsets(list(config.handsets), keys, session)
        assembler.console("keeper", Nobody(), None)
        continuity.begin()
        origin = Origin(f"boot-{self._boot}", SOFTWARE, fingerprint(self._rules))
        pen = self.disk.pen(life, origin)
        service = assembler.build(pen).service
        service.observers.append(partial(self._look, service, life))
        self._truth.restarted()
        return service, pen

    def _port(self, life: Life, path: str, *_: object, **__: object) -> ServicePort:
        return ServicePort(self._links[Path(path).name], life)

    def _owe_darkness(self, now: int) -> None:
        """What a start must find reason enough to leave the boards off: see the rules of a start in
        ``README.md``."""
        truth = self._truth
        phase = truth.clock.now.phase
        long_away = bool(self.starts) and now - self._died_at >= 31 * S and phase != "IDLE"
        crashes = sum(now - at < LOOP_NS for at in self._starts_of_crashes)
        self._starts_of_crashes.append(now)
        if crashes >= HOPELESS:
            truth.begun_anew(now, off=True)
        elif (long_away or crashes >= LOOP) and not truth.clock.off:
            truth.put_off("away for long" if long_away else "crash loop", now)

    def _look(self, service: Service, life: Life, *, starting: bool = False) -> None:
        """Learn of the one thing that only the service decides: that the boards are to be off."""
        if not life.alive or service.status().boards != "off":
            return
        if not self._truth.clock.off:
            now = self._world.clock()
            why = service._board_state.off_why
            self.self_offs.append(SelfOff(now, why, self._truth.heard_at, starting))
            self._world.log.say(now, f"service puts the boards off: {why}")
            self._truth.put_off(why, now)
