"""Faults, drawn from the seed: what, when, for how long."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from tests.scenarios.simulation.air import Air
from tests.scenarios.simulation.kinds import KINDS, OF_THE_PROCESS, Kind
from tests.scenarios.simulation.life import Where
from tests.scenarios.simulation.link import KERNEL_BYTES, Link
from tests.scenarios.simulation.machine import Machine
from tests.scenarios.simulation.nodes import Node, Pair
from tests.scenarios.simulation.world import MS, S, World


@dataclass(frozen=True)
class Field:
    """Where faults may strike."""

    world: World
    machine: Machine
    pair: Pair
    air: Air
    links: dict[str, Link]


class Faults:
    """Does things to the game, one after another and sometimes at once. ``every_s`` is the mean
    pause between two; ``kinds`` are those that are drawn."""

    def __init__(
        self, field: Field, rng: random.Random, every_s: float, kinds: dict[str, Kind] | None = None
    ) -> None:
        self._world, self._machine = field.world, field.machine
        self._pair, self._air, self._links = field.pair, field.air, field.links
        self._rng = rng
        self._every_s = every_s
        self._kinds = KINDS if kinds is None else kinds
        self._busy: dict[str, int] = {}
        self.slow_until_at = 0

    def begin(self, at: int) -> None:
        if self._kinds:
            self._later(at + 10 * S)

    def lateness(self) -> int:
        """By how much the event loop wakes late now."""
        now = self._world.clock()
        if now >= self.slow_until_at or self._rng.random() < 0.6:
            return 0
        return self._rng.choice((self._rng.randrange(900), self._rng.randrange(40))) * MS

    def _later(self, at: int) -> None:
        wait_s = self._rng.expovariate(1 / self._every_s)
        self._world.at(at + int(wait_s * S), self._strike)

    def _strike(self, at: int) -> None:
        names = list(self._kinds)
        kind = self._rng.choices(names, [self._kinds[n].weight for n in names])[0]
        settings = self._kinds[kind]
        lasts_ns = int(self._rng.uniform(settings.least_s, settings.most_s) * S)
        act: Callable[[str, int, int], str] = getattr(self, "_" + kind.replace(" ", "_"))
        group = kind.split()[0]
        if self._busy.get(group, 0) <= at:
            self._busy[group] = at + lasts_ns + S
            detail = act(kind, at, lasts_ns)
            self._world.log.struck.append(kind)
            if kind in OF_THE_PROCESS:  # the machine says when it really was away
                self._world.log.say(at, f"FAULT {kind}: {detail}")
            else:
                self._world.log.fault(kind, at, at + lasts_ns, detail)
        self._later(at)

    def _after(self, at: int, lasts_ns: int, act: Callable[[int], None]) -> None:
        self._world.at(at + lasts_ns, act)

    def _node(self) -> Node:
        return self._rng.choice(self._pair.nodes)

    def _for_a_while(self, thing: object, name: str, value: object, at: int, lasts_ns: int) -> None:
        before = getattr(thing, name)
        setattr(thing, name, value)
        self._after(at, lasts_ns, lambda _: setattr(thing, name, before))

    # Boards

    def _board_mute(self, kind: str, at: int, lasts_ns: int) -> str:
        node = self._node()
        self._for_a_while(node, "mute", True, at, lasts_ns)
        return f"node {node.number}"

    def _board_deaf(self, kind: str, at: int, lasts_ns: int) -> str:
        node = self._node()
        self._for_a_while(node, "deaf", True, at, lasts_ns)
        return f"node {node.number}"

    def _board_reset(self, kind: str, at: int, lasts_ns: int) -> str:
        node = self._node()
        node.reset(at)
        self._for_a_while(node, "deaf", True, at, lasts_ns)
        return f"node {node.number}"

    def _board_lies(self, kind: str, at: int, lasts_ns: int) -> str:
        node = self._node()
        masks = tuple(
            1 << self._rng.randrange(7) if self._rng.random() < 0.7 else 0x7F for _ in "tu"
        )
        on = self._rng.random() < 0.5
        stuck = ((masks[0], masks[1]), (0, 0)) if on else ((0, 0), (masks[0], masks[1]))
        node.stick(stuck, at)
        self._after(at, lasts_ns, lambda then: node.stick(None, then))
        return f"node {node.number}, lamps {masks} always {'on' if on else 'off'}"

    def _board_flaps(self, kind: str, at: int, lasts_ns: int) -> str:
        node = self._node()

        def turn(then: int) -> None:
            node.mute = not node.mute and then < at + lasts_ns
            if then < at + lasts_ns:
                pause_ns = self._rng.randrange(1_200, 3_500) * MS
                self._after(then, min(pause_ns, at + lasts_ns - then), turn)

        turn(at)
        return f"node {node.number}"

    def _line_noise(self, kind: str, at: int, lasts_ns: int) -> str:
        loss = self._rng.choice((0.05, 0.3, 0.6))
        thing: Pair | Node = self._pair if self._rng.random() < 0.5 else self._node()
        self._for_a_while(thing, "loss", loss, at, lasts_ns)
        return f"{loss:.0%} of the frames, {'both' if thing is self._pair else 'one board'}"

    def _answer_lost(self, kind: str, at: int, lasts_ns: int) -> str:
        self._pair.lose_answers = 1
        return "one"

    # Ports

    def _boards_port_stalled(self, kind: str, at: int, lasts_ns: int) -> str:
        return self._stalled("boards", at, lasts_ns)

    def _receiver_stalled(self, kind: str, at: int, lasts_ns: int) -> str:
        return self._stalled("receiver", at, lasts_ns)

    def _stalled(self, name: str, at: int, lasts_ns: int) -> str:
        link = self._links[name]
        link.stall()
        self._after(at, lasts_ns, lambda _: link.resume())
        return name

    def _boards_port_full(self, kind: str, at: int, lasts_ns: int) -> str:
        capacity = self._rng.choice((0, 0, 7))
        link = self._links["boards"]
        link.capacity = capacity
        self._after(at, lasts_ns, lambda _: setattr(link, "capacity", KERNEL_BYTES))
        return f"takes {capacity} bytes"

    def _boards_port_cut(self, kind: str, at: int, lasts_ns: int) -> str:
        return self._cut("boards", at, lasts_ns)

    def _receiver_cut(self, kind: str, at: int, lasts_ns: int) -> str:
        return self._cut("receiver", at, lasts_ns)

    def _cut(self, name: str, at: int, lasts_ns: int) -> str:
        link = self._links[name]
        link.unplug()
        self._after(at, lasts_ns, lambda _: link.replug())
        return name

    # The air

    def _poor_radio(self, kind: str, at: int, lasts_ns: int) -> str:
        loss = self._rng.uniform(0.1, 0.6)
        self._for_a_while(self._air, "loss", loss, at, lasts_ns)
        self._for_a_while(self._air, "deafness", loss, at, lasts_ns)
        return f"{loss:.0%} lost"

    def _jammed(self, kind: str, at: int, lasts_ns: int) -> str:
        self._for_a_while(self._air, "loss", 1.0, at, lasts_ns)
        for _ in range(self._rng.randrange(5)):  # and what was jammed is played, then or soon after
            self._after(at, self._rng.randrange(lasts_ns + 3 * S), self._replay_a_new_one)
        return "all presses lost"

    def _crew_gone(self, kind: str, at: int, lasts_ns: int) -> str:
        self._for_a_while(self._air, "loss", 1.0, at, lasts_ns)
        return "nobody is heard"

    def _late_presses(self, kind: str, at: int, lasts_ns: int) -> str:
        self._for_a_while(self._air, "late", 0.4, at, lasts_ns)
        return "by up to 2.5 s"

    def _doubled_presses(self, kind: str, at: int, lasts_ns: int) -> str:
        self._for_a_while(self._air, "doubled", 0.5, at, lasts_ns)
        return "half of them"

    def _forged_presses(self, kind: str, at: int, lasts_ns: int) -> str:
        count = self._rng.choice((1, 3, 30))
        for _ in range(count):
            self._after(at, self._rng.randrange(lasts_ns), self._say_forged)
        return f"{count}"

    def _say_forged(self, at: int) -> None:
        sent = self._air.forge(at)
        self._world.log.say(at, f"forged: {sent}")

    def _replayed_presses(self, kind: str, at: int, lasts_ns: int) -> str:
        count = self._rng.choice((1, 3, 10))
        for _ in range(count):
            self._after(at, self._rng.randrange(lasts_ns), self._replay_any)
        return f"{count}"

    def _replay_any(self, at: int) -> None:
        self._world.log.say(at, f"replayed: {self._air.replay(at, newest=1000)}")

    def _replay_a_new_one(self, at: int) -> None:
        self._world.log.say(at, f"replayed: {self._air.replay(at, newest=6)}")

    # The computer

    def _killed(self, kind: str, at: int, lasts_ns: int) -> str:
        self._machine.kill(kind, None, lasts_ns)
        return "at once"

    def _killed_in_a_turn(self, kind: str, at: int, lasts_ns: int) -> str:
        where = self._rng.choice(list(Where))
        in_press = self._rng.random() < 0.7
        self._machine.kill(kind, where, lasts_ns, self._rng.randrange(200), in_press=in_press)
        return where.value + (", in the next press" if in_press else "")

    def _killed_again_and_again(self, kind: str, at: int, lasts_ns: int) -> str:
        for n in range(4):
            wait_ns = n * (lasts_ns + 800 * MS)
            self._after(at, wait_ns, lambda _: self._machine.kill(kind, None, lasts_ns))
        return "four times"

    def _stopped(self, kind: str, at: int, lasts_ns: int) -> str:
        self._machine.stop(kind, lasts_ns)
        return "and started again"

    def _away_for_long(self, kind: str, at: int, lasts_ns: int) -> str:
        self._machine.kill(kind, None, lasts_ns)
        return "not started again for long"

    def _power_cut(self, kind: str, at: int, lasts_ns: int) -> str:
        self._machine.cut_power(kind, at, lasts_ns)
        if self._rng.random() < 0.5:
            for node in self._pair.nodes:
                node.reset(at)
        return "the power fails"

    def _hung(self, kind: str, at: int, lasts_ns: int) -> str:
        self._machine.hang()
        return "its timer is never set again"

    def _disk_stalled(self, kind: str, at: int, lasts_ns: int) -> str:
        self._machine.disk.stalled_until_at = at + lasts_ns
        if self._rng.random() < 0.3:
            kill = partial(self._machine.kill, "killed while the disk was stalled", None)
            self._after(at, self._rng.randrange(lasts_ns), lambda _: kill())
            return "nothing is written, and the service is killed"
        return "nothing is written"

    def _slow_loop(self, kind: str, at: int, lasts_ns: int) -> str:
        self.slow_until_at = at + lasts_ns
        return "up to 0.9 s late"
