"""One game from one seed."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from controller.rules.events import Event
from drivers.handset.keys import Keys
from drivers.handset.simulated import SimulatedHandset
from tests.scenarios.simulation.air import Air
from tests.scenarios.simulation.computer import Computer
from tests.scenarios.simulation.crew import Crew
from tests.scenarios.simulation.faults import FaultKind, Faults, Targets
from tests.scenarios.simulation.judge import (
    DarknessJudge,
    LampsJudge,
    Spans,
    Verdict,
    journal_problems,
)
from tests.scenarios.simulation.link import Link
from tests.scenarios.simulation.pair import Pair
from tests.scenarios.simulation.process import KillPoint
from tests.scenarios.simulation.schedule import Schedule
from tests.scenarios.simulation.truth import Arrival, InstallationTruth, Sent
from tests.shared.board_node import Node
from tests.shared.frames import MS_NS
from tests.shared.installation import FIELD, KEEPER
from tests.shared.virtual_time import START_AT, VirtualClock, VirtualTimeLoop

SOON_NS = 20 * MS_NS
"""Sooner than any row is on the disk."""


@dataclass(frozen=True)
class Plan:
    """What a game is drawn from. ``every_s`` is the mean time between faults; ``kinds`` None draws
    from all of them."""

    seed: int
    plays: int = 160
    pace: float = 1.0
    every_s: float = 45.0
    kinds: Mapping[str, FaultKind] | None = None


class Game:
    """Everything of one game, put together; ``verdict`` when it is over."""

    verdict: Verdict

    def __init__(self, plan: Plan, folder: Path, clock: VirtualClock) -> None:
        draw = random.Random(plan.seed)
        streams = [random.Random(draw.random()) for _ in range(6)]
        self.plan, self._clock = plan, clock
        self.schedule = schedule = Schedule(clock)
        now = clock()
        keys = Keys(
            streams[0].randbytes(16),
            {n: streams[0].randbytes(16) for n in (KEEPER, FIELD)},
        )
        handsets = [
            SimulatedHandset(n, key, keys.broadcast, seed=streams[0].randrange(1 << 30))
            for n, key in keys.handset.items()
        ]
        self.truth = InstallationTruth(now)
        self.pair = Pair([Node(1, clock), Node(2, clock)], schedule, streams[1])
        self.air = air = Air(handsets, schedule, streams[2])
        links = {
            "boards": Link("boards", clock, self.pair.carry),
            "receiver": Link("receiver", clock, air.carry),
        }
        self.computer = Computer(folder, keys, schedule, self.truth, links)
        self.pair.to_service = links["boards"].to_service
        air.link = links["receiver"]
        air.deliver, air.state_sent = self._deliver, self._state_sent
        air.welcome_sent = self._welcome_sent
        links["receiver"].on_open = self.truth.reopened
        self.crew = Crew(air, schedule, streams[3], self._typed, plan.pace)
        targets = Targets(schedule, self.computer, self.pair, air, links)
        self.faults = Faults(targets, streams[4], plan.every_s, plan.kinds)
        self.lies: list[tuple[int, str]] = []
        """What the handsets were told that was not true."""
        clock.lateness = self._lateness

    async def play(self) -> None:
        """The whole game, to its orderly end."""
        running = asyncio.create_task(self.computer.run())
        now = self._clock()
        self.air.begin(now)
        self.crew.begin(self.plan.plays, now)
        self.faults.begin(now)
        over = asyncio.create_task(self.crew.over.wait())
        await asyncio.wait({over, running}, return_when=asyncio.FIRST_COMPLETED)
        over.cancel()
        self.faults.slow_until_at = 0
        self.end_at = self._clock()
        self.computer.close()
        await running
        self._judge()

    @property
    def struck(self) -> list[str]:
        """The class of every fault that struck."""
        return [kind for kind in self.schedule.log.struck if kind != "start"]

    def _judge(self) -> None:
        truth, pair, computer = self.truth, self.pair, self.computer
        truth.draw(self.end_at)
        for node in pair.nodes:
            node.settle(self._clock())
        spans = Spans(self.schedule.log.spans)
        self.verdict = LampsJudge(truth, pair, spans, computer.starts, self.end_at).judge()
        self.verdict.problems += [
            *DarknessJudge(computer, truth, pair, spans).problems(),
            *self.lies,
            *((self.end_at, f"the service ended by {error!r}") for error in computer.bugs),
            *journal_problems(computer.config.journal, truth),
        ]

    def _lateness(self) -> int:
        late_ns = self.faults.lateness()
        if late_ns > 5 * MS_NS:
            now = self._clock()
            self.schedule.log.fault("slow loop", now, now + late_ns)
        return late_ns

    def _state_sent(self, body: bytes, at: int) -> None:
        """A STATE leaves: its beat counts, and what it says must be true."""
        self.truth.receiver.beat(int.from_bytes(body[1:5], "big"), at)
        numerals, handset, result = body[6], body[12], body[15]
        true = self.truth.clock.numerals(at)
        late = self.air.link.catching_up  # at most 300 ms: then the port would have been given up
        if numerals != (0xFF if true is None else true) and not late:
            self.lies.append((at, f"the handsets are told {numerals}, not {true}"))
        press = handset, int.from_bytes(body[13:15], "big")
        if handset and result != self.truth.answers.get(press):
            owed = self.truth.answers.get(press)
            self.lies.append((at, f"press {press} is answered {result}, not {owed}"))

    def _welcome_sent(self, session: int, at: int) -> None:
        if not self.truth.welcomed(session):
            self.lies.append((at, f"the handsets are told session {session} again"))

    def _typed(self, event: Event) -> None:
        service = self.computer.service
        if service is None or self.computer.process is None or not self.computer.process.alive:
            return
        now = self._clock()
        self.schedule.log.say(now, f"typed: {event}")
        self.truth.typed(event, now)
        service.enter(event)

    def _deliver(self, frame: bytes, sent: Sent, at: int) -> None:
        """A frame has reached the receiver: is it believed as it should be?"""
        link, process = self.air.link, self.computer.process
        if process is None or not link.served:
            return
        now = self._clock()
        saved = self.truth.checkpoint() if process.armed else None
        verdict = self.truth.heard(sent, Arrival(at, now, self.computer.at_zero))
        if verdict not in ("presence", "again", "hello"):
            self.schedule.log.say(now, f"heard {sent}: {verdict}; {self.truth.steps[-1][1:]}")
        process.pressing = verdict == "press"
        link.to_service(frame)
        if process.due(KillPoint.SOON_AFTER):
            self.schedule.at(now + SOON_NS, lambda _: process.end())
        process.pressing = False
        if process.forgot and saved is not None:
            self.schedule.log.say(now, "forgotten with the process")
            self.truth.restore(saved)


def play(plan: Plan, folder: Path) -> Game:
    """Play one game in ``folder``, which is made for it, and judge it."""
    clock = VirtualClock(START_AT)

    async def main() -> Game:
        game = Game(plan, folder, clock)
        await game.play()
        return game

    with asyncio.Runner(loop_factory=lambda: VirtualTimeLoop(clock)) as runner:
        return runner.run(main())
