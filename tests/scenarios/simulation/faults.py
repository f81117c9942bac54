"""Faults, drawn from the seed: what, when, for how long; and what each may do to a board."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

from tests.scenarios.simulation.air import Air
from tests.scenarios.simulation.computer import Computer
from tests.scenarios.simulation.link import Link
from tests.scenarios.simulation.pair import Pair
from tests.scenarios.simulation.process import KillPoint
from tests.scenarios.simulation.schedule import Schedule
from tests.shared.board_node import Lamps, Node
from tests.shared.frames import MS_NS, S_NS

Act = Callable[["Faults", str, int, int], str]
"""Begins a fault, given its class, its instant and how long it lasts; gives its detail."""


class FaultKind(NamedTuple):
    """What begins it, how often, and how long (seconds from, to). ``settles_s``: for so long after
    its end the boards may still be dark because of it, 0 if they may not be at all. ``stale``:
    while it lasts a board may show what it was told before, or differ from the other."""

    act: Act
    weight: float
    least_s: float
    most_s: float
    settles_s: float = 0.0
    stale: bool = False


@dataclass(frozen=True)
class Targets:
    """Where faults may strike."""

    schedule: Schedule
    computer: Computer
    pair: Pair
    air: Air
    links: dict[str, Link]


class Faults:
    """Does things to the game, one after another and sometimes at once. ``every_s`` is the mean
    pause between two; ``kinds`` are those that are drawn."""

    def __init__(
        self,
        targets: Targets,
        rng: random.Random,
        every_s: float,
        kinds: Mapping[str, FaultKind] | None = None,
    ) -> None:
        self._schedule, self._computer = targets.schedule, targets.computer
        self._pair, self.air, self._links = targets.pair, targets.air, targets.links
        self._rng = rng
        self._every_s = every_s
        self._kinds = KINDS if kinds is None else kinds
        self._busy: dict[str, int] = {}
        self.slow_until_at = 0

    def begin(self, at: int) -> None:
        if self._kinds:
            self._later(at + 10 * S_NS)

    def lateness(self) -> int:
        """By how much the event loop wakes late now."""
        now = self._schedule.clock()
        if now >= self.slow_until_at or self._rng.random() < 0.6:
            return 0
        return self._rng.choice((self._rng.randrange(900), self._rng.randrange(40))) * MS_NS

    def _later(self, at: int) -> None:
        wait_s = self._rng.expovariate(1 / self._every_s)
        self._schedule.at(at + int(wait_s * S_NS), self._strike)

    def _strike(self, at: int) -> None:
        names = list(self._kinds)
        name = self._rng.choices(names, [self._kinds[n].weight for n in names])[0]
        kind = self._kinds[name]
        lasts_ns = int(self._rng.uniform(kind.least_s, kind.most_s) * S_NS)
        group = name.split()[0]
        if self._busy.get(group, 0) <= at:
            self._busy[group] = at + lasts_ns + S_NS
            detail = kind.act(self, name, at, lasts_ns)
            self._schedule.log.struck.append(name)
            if name in OF_THE_PROCESS:  # the computer says when it really was away
                self._schedule.log.say(at, f"FAULT {name}: {detail}")
            else:
                self._schedule.log.fault(name, at, at + lasts_ns, detail)
        self._later(at)

    def _after(self, at: int, wait_ns: int, act: Callable[[int], None]) -> None:
        self._schedule.at(at + wait_ns, act)

    def node(self) -> Node:
        return self._rng.choice(self._pair.nodes)

    def for_a_while(self, thing: object, name: str, value: object, at: int, lasts_ns: int) -> None:
        before = getattr(thing, name)
        setattr(thing, name, value)
        self._after(at, lasts_ns, lambda _: setattr(thing, name, before))

    # Boards

    def board_reset(self, name: str, at: int, lasts_ns: int) -> str:
        node = self.node()
        node.reset(at)
        self.for_a_while(node, "plugged", False, at, lasts_ns)
        return f"node {node.number}"

    def board_lies(self, name: str, at: int, lasts_ns: int) -> str:
        node = self.node()
        tens, units = (
            1 << self._rng.randrange(7) if self._rng.random() < 0.7 else 0x7F for _ in "tu"
        )
        on = self._rng.random() < 0.5
        stuck, none = Lamps(tens, units), Lamps()
        node.stick(*((stuck, none) if on else (none, stuck)), at, chain_fault=True)
        self._after(at, lasts_ns, lambda then: node.stick(none, none, then))
        return f"node {node.number}, lamps {(tens, units)} always {'on' if on else 'off'}"

    def board_flaps(self, name: str, at: int, lasts_ns: int) -> str:
        node = self.node()

        def turn(then: int) -> None:
            node.mute = not node.mute and then < at + lasts_ns
            if then < at + lasts_ns:
                pause_ns = self._rng.randrange(1_200, 3_500) * MS_NS
                self._after(then, min(pause_ns, at + lasts_ns - then), turn)

        turn(at)
        return f"node {node.number}"

    def line_noise(self, name: str, at: int, lasts_ns: int) -> str:
        loss = self._rng.choice((0.05, 0.3, 0.6))
        thing: Pair | Node = self._pair if self._rng.random() < 0.5 else self.node()
        self.for_a_while(thing, "loss", loss, at, lasts_ns)
        return f"{loss:.0%} of the frames, {'both' if thing is self._pair else 'one board'}"

    def answer_lost(self, name: str, at: int, lasts_ns: int) -> str:
        self._pair.lose_answers = 1
        return "one"

    # Ports

    def _link(self, name: str) -> Link:
        return self._links["boards" if name.startswith("boards") else "receiver"]

    def port_stalled(self, name: str, at: int, lasts_ns: int) -> str:
        link = self._link(name)
        link.stall()
        self._after(at, lasts_ns, link.resume)
        return link.name

    def port_full(self, name: str, at: int, lasts_ns: int) -> str:
        link = self._link(name)
        capacity = self._rng.choice((0, 0, 7))
        self.for_a_while(link, "capacity", capacity, at, lasts_ns)
        return f"takes {capacity} bytes"

    def port_cut(self, name: str, at: int, lasts_ns: int) -> str:
        link = self._link(name)
        link.unplug()
        self._after(at, lasts_ns, lambda _: link.replug())
        return link.name

    # The air

    def _replay(self, newest: int, at: int) -> None:
        self._schedule.log.say(at, f"replayed: {self.air.replay(at, newest)}")

    def _forge(self, at: int) -> None:
        self._schedule.log.say(at, f"forged: {self.air.forge(at)}")

    def poor_radio(self, name: str, at: int, lasts_ns: int) -> str:
        loss = self._rng.uniform(0.1, 0.6)
        self.for_a_while(self.air, "loss", loss, at, lasts_ns)
        self.for_a_while(self.air, "deafness", loss, at, lasts_ns)
        return f"{loss:.0%} lost"

    def jammed(self, name: str, at: int, lasts_ns: int) -> str:
        self.for_a_while(self.air, "loss", 1.0, at, lasts_ns)
        for _ in range(self._rng.randrange(5)):  # and what was jammed is played, then or soon after
            self._after(at, self._rng.randrange(lasts_ns + 3 * S_NS), partial(self._replay, 6))
        return "all presses lost"

    def forged_presses(self, name: str, at: int, lasts_ns: int) -> str:
        return self._now_and_then(self._forge, (1, 3, 30), at, lasts_ns)

    def replayed_presses(self, name: str, at: int, lasts_ns: int) -> str:
        return self._now_and_then(partial(self._replay, 1000), (1, 3, 10), at, lasts_ns)

    def _now_and_then(
        self, act: Callable[[int], None], counts: tuple[int, ...], at: int, lasts_ns: int
    ) -> str:
        count = self._rng.choice(counts)
        for _ in range(count):
            self._after(at, self._rng.randrange(lasts_ns), act)
        return f"{count}"

    # The computer

    def killed(self, name: str, at: int, lasts_ns: int) -> str:
        self._computer.kill(name, None, lasts_ns)
        return "at once" if name == "killed" else "not started again for long"

    def killed_in_a_turn(self, name: str, at: int, lasts_ns: int) -> str:
        where = self._rng.choice(list(KillPoint))
        in_press = self._rng.random() < 0.7
        self._computer.kill(name, where, lasts_ns, self._rng.randrange(200), in_press=in_press)
        return where.value + (", in the next press" if in_press else "")

    def killed_again(self, name: str, at: int, lasts_ns: int) -> str:
        for n in range(4):
            wait_ns = n * (lasts_ns + 800 * MS_NS)
            self._after(at, wait_ns, lambda _: self._computer.kill(name, None, lasts_ns))
        return "four times"

    def stopped(self, name: str, at: int, lasts_ns: int) -> str:
        self._computer.stop(name, lasts_ns)
        return "and started again"

    def power_cut(self, name: str, at: int, lasts_ns: int) -> str:
        self._computer.cut_power(name, at, lasts_ns)
        if self._rng.random() < 0.5:
            for node in self._pair.nodes:
                node.reset(at)
        return "the power fails"

    def hung(self, name: str, at: int, lasts_ns: int) -> str:
        self._computer.hang()
        return "its timer is never set again"

    def disk_stalled(self, name: str, at: int, lasts_ns: int) -> str:
        self._computer.disk.stalled_until_at = at + lasts_ns
        if self._rng.random() < 0.3:
            kill = partial(self._computer.kill, "killed while the disk was stalled", None)
            self._after(at, self._rng.randrange(lasts_ns), lambda _: kill())
            return "nothing is written, and the service is killed"
        return "nothing is written"

    def slow_loop(self, name: str, at: int, lasts_ns: int) -> str:
        self.slow_until_at = at + lasts_ns
        return "up to 0.9 s late"


def of_a_board(name: str, value: object) -> Act:
    """An attribute of one node is another for a while."""

    def act(faults: Faults, _: str, at: int, lasts_ns: int) -> str:
        node = faults.node()
        faults.for_a_while(node, name, value, at, lasts_ns)
        return f"node {node.number}"

    return act


def of_the_air(name: str, share: float) -> Act:
    """A share of what is on the air suffers for a while."""

    def act(faults: Faults, _: str, at: int, lasts_ns: int) -> str:
        faults.for_a_while(faults.air, name, share, at, lasts_ns)
        return f"{name} of {share:.0%}"

    return act


PORT_BACK_S = 2.2 + 3.2
"""The longest pause before a port is tried again, and the time in which boards come back."""
KINDS: Mapping[str, FaultKind] = {
    "board mute": FaultKind(of_a_board("mute", True), 5, 0.5, 8.0, 3.2),
    "board deaf": FaultKind(of_a_board("plugged", False), 5, 0.5, 8.0, 3.2, stale=True),
    "board reset": FaultKind(Faults.board_reset, 5, 0.0, 0.4, 0.7, stale=True),
    "board lies": FaultKind(Faults.board_lies, 4, 0.5, 12.0, 3.2, stale=True),
    "board flaps": FaultKind(Faults.board_flaps, 3, 15.0, 45.0, 3.2),
    "line noise": FaultKind(Faults.line_noise, 4, 1.0, 15.0, 3.2, stale=True),
    "answer lost": FaultKind(Faults.answer_lost, 5, 0.0, 0.0),
    "boards port stalled": FaultKind(Faults.port_stalled, 5, 0.1, 4.0, PORT_BACK_S, stale=True),
    "boards port full": FaultKind(Faults.port_full, 4, 0.1, 3.0, PORT_BACK_S, stale=True),
    "boards port cut": FaultKind(Faults.port_cut, 5, 0.1, 6.0, PORT_BACK_S, stale=True),
    "receiver cut": FaultKind(Faults.port_cut, 4, 0.1, 6.0),
    "receiver stalled": FaultKind(Faults.port_stalled, 4, 0.1, 3.0),
    "poor radio": FaultKind(Faults.poor_radio, 6, 5.0, 40.0),
    "jammed": FaultKind(Faults.jammed, 4, 0.5, 20.0),
    "crew gone": FaultKind(of_the_air("loss", 1.0), 0.7, 70.0, 100.0),
    "late presses": FaultKind(of_the_air("late", 0.4), 5, 10.0, 40.0),
    "doubled presses": FaultKind(of_the_air("doubled", 0.5), 5, 10.0, 40.0),
    "forged presses": FaultKind(Faults.forged_presses, 5, 1.0, 10.0),
    "replayed presses": FaultKind(Faults.replayed_presses, 6, 1.0, 20.0),
    "killed": FaultKind(Faults.killed, 8, 0.3, 2.5, 0.3, stale=True),
    "killed in a turn": FaultKind(Faults.killed_in_a_turn, 10, 0.3, 2.5, 0.3, stale=True),
    "killed again and again": FaultKind(Faults.killed_again, 2, 0.3, 1.0, 0.3, stale=True),
    "stopped": FaultKind(Faults.stopped, 3, 0.3, 4.0, 0.3, stale=True),
    "away for long": FaultKind(Faults.killed, 0.7, 32.0, 60.0, 0.3, stale=True),
    "power cut": FaultKind(Faults.power_cut, 2, 14.0, 40.0, 0.3, stale=True),
    "hung": FaultKind(Faults.hung, 3, 5.0, 5.0, 0.3, stale=True),
    "disk stalled": FaultKind(Faults.disk_stalled, 5, 0.5, 30.0),
    "slow loop": FaultKind(Faults.slow_loop, 5, 1.0, 8.0, 3.2, stale=True),
}
WATCHDOG = FaultKind(Faults.killed, 0, 0.0, 0.0, 0.3, stale=True)
"""The manager's kill, which no one draws."""
OF_THE_PROCESS = {
    "killed",
    "killed in a turn",
    "killed again and again",
    "stopped",
    "away for long",
    "power cut",
}
OF_A_BOARD = {"board deaf", "board reset", "board lies", "line noise"}
