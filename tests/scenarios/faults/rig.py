"""The whole service on ptys that can stall, fill up, hang up, be cut, and come back elsewhere."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path

import pytest

from tests.scenarios.faults.lines import FaultyFlight, Line, TellingPort
from tests.scenarios.main_job.board_ends import SILENCE_S
from tests.scenarios.main_job.flight import Flight, PatientClock
from tests.scenarios.main_job.installation import Ends, Site
from tests.scenarios.main_job.rig import UP_S, Rig
from tests.scenarios.main_job.wire import Clock
from tests.shared.virtual_time import VirtualClock, VirtualTimeLoop

PORTS = ("boards", "receiver")


class FaultyEnds(Ends):
    """The far ends of a site's ports, on :class:`Line`\\ s."""

    def __init__(self, site: Site, clock: Clock, flight: FaultyFlight) -> None:
        self.site = site
        self.lines = {name: Line(clock) for name in PORTS}
        self.plugged = dict.fromkeys(PORTS, True)
        self.flight = flight
        self._held: list[int] = []
        super().__init__(clock)
        for name, tty in site.ttys.items():
            self.attach(name, tty.master)

    def attach(self, name: str, fd: int, flight: Flight | None = None) -> None:
        line = self.lines[name]
        received = self.boards.received if name == "boards" else self.air.received
        self._masters[name] = line.join(fd, self.flight.lane(name), received)
        if name == "boards":
            self.boards.wire = line
        else:
            self.keeper.wire = self.field.wire = line

    def written(self, name: str) -> list[tuple[int, bytes]]:
        """What the service wrote to the port of ``name``, and when."""
        return self.flight.lane(name).written

    def fill(self, name: str) -> None:
        """Let the port of ``name`` take nothing more."""
        if self.plugged[name]:
            self.lines[name].fill(self.site.ttys[name]._slave)

    def unplug(self, name: str) -> None:
        """Pull the adapter of the "boards" or the "receiver"."""
        if self.plugged[name]:
            self.plugged[name] = False
            self.lines[name].leave()
            self.detach(name)
            self.site.ttys[name].unplug()
            lane = self.flight.lane(name)
            lane.up = lane.down = 0

    def plug(self, name: str, *, elsewhere: bool = False) -> None:
        """Put the adapter in again; ``elsewhere``: the system gives it another device."""
        if self.plugged[name]:
            return
        if elsewhere:
            self._held += os.openpty()  # takes the number that is free
        self.plugged[name] = True
        self.site.ttys[name].plug()
        self.attach(name, self.site.ttys[name].master)

    def mend(self, name: str, *, elsewhere: bool = False) -> None:
        """Make the line of ``name`` whole again, whatever it suffered."""
        self.plug(name, elsewhere=elsewhere)
        self.lines[name].resume()
        self.lines[name].cut = False

    def stop(self) -> None:
        super().stop()
        for fd in self._held:
            os.close(fd)
        self._held.clear()


class FaultyRig(FaultyEnds, Rig):
    """A rig with such far ends."""

    def __init__(self, site: Site, clock: VirtualClock, flight: FaultyFlight) -> None:
        self.lines = {name: Line(clock) for name in PORTS}
        self.plugged = dict.fromkeys(PORTS, True)
        self.flight = flight
        self._held = []
        Rig.__init__(self, site, clock, flight)

    def suspend(self, duration_ns: int) -> None:
        """Put the machine to sleep and wake it; the boards have power of their own."""
        assert isinstance(self.clock, SuspendableClock)
        self.clock.slept_ns += duration_ns
        if duration_ns >= SILENCE_S * 1e9:
            for node in self.nodes:
                node.stop()
                node._go_dark()


class SuspendableClock(PatientClock):
    """CLOCK_BOOTTIME, which goes on while the machine is suspended."""

    slept_ns = 0

    def __call__(self) -> int:
        return super().__call__() + self.slept_ns


class AwakeLoop(VirtualTimeLoop):
    """An event loop by CLOCK_MONOTONIC, which stands still while the machine is suspended."""

    def __init__(self, clock: SuspendableClock) -> None:
        super().__init__(clock)
        self._clock = clock

    def time(self) -> float:
        return (self._clock() - self._clock.slept_ns) / 1e9


def play(
    folder: Path,
    script: Callable[[FaultyRig], Awaitable[None]],
    *,
    port: type[TellingPort] = TellingPort,
    lateness: Callable[[], int] | None = None,
) -> FaultyRig:
    """Run ``script`` with a whole service that has just come up; gives what is left.

    ``port`` is what the boards and the receiver hang on, ``lateness`` as in
    :class:`~tests.shared.virtual_time.VirtualClock`, from the script on.
    """
    flight = FaultyFlight()
    clock = SuspendableClock(flight)

    async def main() -> FaultyRig:
        rig = FaultyRig(site, clock, flight)
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
        patch.setattr("drivers.port.serial_port.SerialPort", partial(port, flight))
        return runner.run(main())
