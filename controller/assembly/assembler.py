"""Puts a service together: from a configuration, or the simulator when there is none.

The simulator is the real thing as far as software goes: frames on a line with line time between
the real drivers and simulated boards and handsets.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from controller.assembly.builders import by_port, of_driver, plain_handsets, sent_boards
from controller.config.load import BoardConfig, Config, HandsetConfig
from controller.journal.recorder import Journalling, Recorder
from controller.recovery.checkpoint import Checkpointer
from controller.recovery.recovery import Recovery, RestartPlan
from controller.recovery.resume import resume
from controller.rulebook.loader import load_rule_set
from controller.rulebook.options import with_options
from controller.rules.events import Role
from controller.rules.gestures import Gestures
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RuleSet, StartsOn
from controller.rules.settings import Settings
from controller.service.crew import CrewMember
from controller.service.service import Service
from drivers.base import Acknowledgement, Board, Clock, Handset, Key, Port
from drivers.board.node import NodeBus
from drivers.handset.keys import Keys, fingerprint, load_keys, new_key
from drivers.handset.radio import RadioHandsets
from drivers.handset.session import next_session
from drivers.port.serial_port import SerialPort

if TYPE_CHECKING:
    from drivers.board.simulated import SimulatedNode, SimulatedPair
    from drivers.handset.terminal import TerminalKeys

# ruff: noqa: PLC0415 - simulators and the terminal load when they are wanted: an installation's
# first frame does not wait for them.

SIMULATED_BOARDS = ("north", "south")
SIMULATED_ID = 1
CONSOLE = "console"

Companion = Callable[[], Coroutine[Any, Any, None]]
"""Something that runs beside the service until cancelled."""


class Console(Protocol):
    """What takes the commands typed on the console."""

    def command(self, char: str) -> None: ...

    def entered(self, text: str) -> None: ...

    def unknown(self, char: str) -> None: ...


@dataclass(slots=True)
class Assembly:
    """A service and what belongs to it.

    ``companions`` run beside it (simulated handsets); ``pairs`` are the simulated boards, to be
    opened before the service runs. ``press`` taps a key, by its name, of the simulated handset, if
    there is one.
    """

    service: Service
    companions: list[Companion] = field(default_factory=list)
    pairs: list[SimulatedPair] = field(default_factory=list)
    nodes: list[SimulatedNode] = field(default_factory=list)
    press: Callable[[str], None] | None = None


class Assembler:
    """Collects drivers and crew, then :meth:`build`."""

    def __init__(
        self,
        clock: Clock,
        rules: RuleSet,
        settings: Settings,
        continuity: Recovery | None = None,
    ) -> None:
        self._clock, self._rules, self._settings = clock, rules, settings
        self._continuity = continuity
        self._beginning = continuity.plan if continuity else RestartPlan()
        self._radios: list[RadioHandsets] = []
        self._keys: dict[int, str] = {}
        self._acknowledged: Acknowledgement | None = None
        self._boards: list[Board] = []
        self._handsets: list[Handset] = []
        self._crew: dict[int, CrewMember] = {}
        self._parts: dict[str, Any] = {"companions": [], "pairs": [], "nodes": [], "press": None}

    def console(self, role: str, console: Console, fd: int | None) -> TerminalKeys | None:
        """The console, with its keys when ``fd`` is a terminal to type on."""
        self._crew[0] = CrewMember(CONSOLE, Role(role), Gestures("twelve"))
        if fd is None:
            return None
        from drivers.handset.terminal import TerminalKeys

        terminal = TerminalKeys(
            fd,
            self._clock,
            command=console.command,
            entered=console.entered,
            unknown=console.unknown,
        )
        self._handsets.append(terminal)
        return terminal

    def boards(self, boards: list[BoardConfig], controller_id: int) -> None:
        """Board nodes, grouped by the pair they hang on; simulated ones share one line; then all
        other displays."""
        for path, nodes in by_port("node", boards):
            first = nodes[0]
            port = SerialPort(path, first.baud, rs485=first.rs485, clock=self._clock)
            names = {each.node: each.name for each in nodes}
            self._boards.append(
                NodeBus(path, port, names, controller_id, self._clock, baud=first.baud)
            )
        simulated = {each.node: each.name for each in of_driver("simulated", boards)}
        if simulated:
            self.simulated_boards(simulated, controller_id)
        self._boards += sent_boards(boards, self._clock)

    def simulated_boards(self, names: dict[int, str], controller_id: int) -> None:
        """Simulated nodes on a line of their own; ``names`` by node number."""
        from drivers.board.simulated import SimulatedNode, SimulatedPair
        from drivers.port.memory_port import memory_pair

        near, far = memory_pair(self._clock)
        nodes = [SimulatedNode(number, self._clock) for number in names]
        self._parts["nodes"] += nodes
        self._parts["pairs"].append(SimulatedPair(far, nodes, self._clock))
        self._boards.append(NodeBus("simulated", near, names, controller_id, self._clock))

    def handsets(self, handsets: list[HandsetConfig], keys: Keys | None, session: int) -> None:
        """Radio handsets, grouped by their receiver; then all other inputs."""
        for each in handsets:
            self._join(each.id, each.role, each.layout)
        for path, mine in by_port("radio", handsets):
            assert keys is not None  # the configuration demands a key file
            port = SerialPort(path, mine[0].baud, clock=self._clock)
            known = Keys(keys.downlink, {n.id: keys.uplink[n.id] for n in mine})
            self._radio(path, port, known, session)
        simulated = [each.id for each in of_driver("simulated", handsets)]
        if simulated:
            self._simulated_handsets(simulated)
        self._handsets += plain_handsets(handsets, self._clock)

    def simulated_handset(self, number: int) -> None:
        """One simulated keeper's handset with a link of its own."""
        self._join(number, "keeper", "twelve")
        self._simulated_handsets([number])

    def _join(self, number: int, role: str, layout: str) -> None:
        name = f"handset {number}"
        self._crew[number] = CrewMember(name, Role(role), Gestures(layout))

    def _radio(self, name: str, port: Port, keys: Keys, session: int) -> None:
        """A counter goes on only under the key it belongs to: a new key is a new handset."""
        begun = self._beginning
        prints = {n: fingerprint(key) for n, key in keys.uplink.items()}
        same = {n for n, each in prints.items() if begun.keys.get(n) == each}
        if begun.acknowledged is not None and begun.acknowledged.handset in same:
            self._acknowledged = begun.acknowledged
        radio = RadioHandsets(
            name,
            port,
            keys,
            session,
            self._clock,
            counters={n: last for n, last in begun.counters.items() if n in same},
            acknowledged=self._acknowledged,
        )
        self._keys |= prints
        self._radios.append(radio)
        self._handsets.append(radio)

    def _simulated_handsets(self, numbers: list[int]) -> None:
        """Handsets and receiver live and die together, so random keys do."""
        from drivers.handset.simulated import Air, SimulatedHandset
        from drivers.port.memory_port import memory_pair

        keys = Keys(new_key(), {n: new_key() for n in numbers})
        near, far = memory_pair(self._clock)
        self._radio("simulated receiver", near, keys, session=1)
        air = Air(
            far,
            self._clock,
            [SimulatedHandset(n, key, keys.downlink) for n, key in keys.uplink.items()],
        )
        self._parts["companions"].append(air.run)
        self._parts["press"] = lambda key: air.press(numbers[0], Key[key])

    def build(self, journal: Journalling | None, brightness: int = 15) -> Assembly:
        """The finished service: it goes on where the one before it stopped."""
        begun, now = self._beginning, self._clock()
        checkpointer = Checkpointer(
            self._continuity, self._counters, self._acknowledged, self._keys
        )
        recorder = Recorder(
            journal, now, numbers=begun.numbers, down=begun.state.down.number, rows=begun.rows
        )
        play_clock = PlayClock(
            self._rules, self._settings, begun.state, begun.state_at, begun.gesture
        )
        service = Service(
            play_clock,
            boards=self._boards,
            handsets=self._handsets,
            crew=self._crew,
            recorder=recorder,
            clock=self._clock,
            brightness=brightness,
            checkpointer=checkpointer,
            off_why=begun.off_why,
        )
        resume(service, play_clock, recorder, begun, now)
        return Assembly(service, **self._parts)

    def _counters(self) -> dict[int, int]:
        return {n: last for radio in self._radios for n, last in radio.counters.items()}


def rules_of(config: Config) -> RuleSet:
    """The rule set of a configuration with its options, and its local overrides over them.

    Raises :class:`~controller.rules.rulings.RulesError`.
    """
    rules = with_options(load_rule_set(config.rules, config.season), config.options)
    for each in config.overrides:
        starts_on = StartsOn(each.starts_on)
        rules = rules.with_override(each.ending, each.seconds, starts_on, each.citation)
    return rules


def keys_and_session(config: Config) -> tuple[Keys | None, int]:
    """Keys and this start's session number, if a radio handset is configured.

    The very first start, which has no journal yet, may begin the session numbers. Raises
    ``OSError`` or ``ValueError`` naming file and fault.
    """
    wanted = [each.id for each in of_driver("radio", config.handsets)]
    if not wanted or config.key_file is None:
        return None, 0
    try:
        keys = load_keys(config.key_file)
    except OSError as error:
        raise ValueError(
            f"{config.source}: key_file = {config.key_file}: {error.strerror}"
        ) from error
    missing = [str(number) for number in wanted if number not in keys.uplink]
    if missing:
        raise ValueError(f"{config.key_file}: no key for handset {', '.join(missing)}: pair it")
    config.state_folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    first = not config.journal.exists()
    return keys, next_session(config.state_folder / "session", may_create=first)


def controller_id_of(config: Config) -> int:
    """The number of this installation on the boards' pair, 1-65535: from the configuration, else
    from the machine's own identity (machine-id(5))."""
    if config.controller_id is not None:
        return config.controller_id
    from drivers.crc import crc16

    try:
        identity = Path("/etc/machine-id").read_bytes().strip()
    except OSError:
        identity = b""
    return crc16(b"playclock " + identity) or SIMULATED_ID
