"""Puts a service together: from a configuration, or the simulator when there is none.

The simulator is the real thing as far as software goes: frames on a line with line time between
the real drivers and simulated boards and handsets.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from controller.assembly.devices import board_drivers, handset_drivers
from controller.config.model import Config, HandsetConfig
from controller.config.toml_table import ConfigError
from controller.journal.recorder import Journalling, Recorder
from controller.recovery.checkpoint import Checkpointer
from controller.recovery.recovery import Recovery, RestartPlan
from controller.recovery.resume import resume
from controller.rulebook.loader import in_this_year, load_rule_set
from controller.rulebook.options import with_options
from controller.rules.events import Role
from controller.rules.gestures import Gestures
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RulesError, RuleSet, StartsOn
from controller.rules.settings import Settings
from controller.service.crew import CrewMember
from controller.service.service import Service
from drivers.base import Board, Clock, Handset, Key
from drivers.board.kinds import BoardConfig
from drivers.handset.keys import Keys, load_keys
from drivers.handset.kinds import HANDSET_KINDS
from drivers.kind import Site
from drivers.whole_file import is_ill

if TYPE_CHECKING:
    from drivers.board.simulated import SimulatedNode, SimulatedPair
    from drivers.handset.simulated import Air
    from drivers.handset.terminal import TerminalKeys

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
    """A service, and the far ends of what is simulated.

    ``pairs`` of boards are to be opened before the service runs; ``companions`` run beside it, the
    ``airs`` of handsets. ``press`` taps a key, by its name, of the first of them, if there is one.
    """

    service: Service
    pairs: Sequence[SimulatedPair]
    airs: Sequence[Air]
    companions: Sequence[Companion]
    press: Callable[[str], None] | None

    @property
    def nodes(self) -> list[SimulatedNode]:
        """The simulated boards."""
        return [node for pair in self.pairs for node in pair.nodes]


class Assembler:
    """Collects drivers and crew, then :meth:`build`. ``setup`` is for the row of the start."""

    def __init__(
        self,
        clock: Clock,
        rules: RuleSet,
        settings: Settings,
        recovery: Recovery | None = None,
        setup: str = "",
    ) -> None:
        self._setup = setup
        self._clock, self._rules, self._settings = clock, rules, settings
        self._recovery = recovery
        self._plan = recovery.plan if recovery else RestartPlan()
        self._boards: list[Board] = []
        self._handsets: list[Handset] = []
        self._crew: dict[int, CrewMember] = {}
        self._site = Site(clock)
        self._without: dict[str, str] = {}

    def console(
        self, role: str, console: Console | None = None, fd: int | None = None
    ) -> TerminalKeys | None:
        """The console, with its keys when ``fd`` is a terminal to type on."""
        self._crew[0] = CrewMember(CONSOLE, Role(role), Gestures("twelve"))
        if fd is None or console is None:
            return None
        from drivers.handset.terminal import TerminalKeys  # noqa: PLC0415 - for few only

        terminal = TerminalKeys(
            fd,
            self._clock,
            command=console.command,
            entered=console.entered,
            unknown=console.unknown,
        )
        self._handsets.append(terminal)
        return terminal

    def boards(self, boards: Sequence[BoardConfig], controller_id: int = SIMULATED_ID) -> None:
        """The boards of an installation, or of the simulator."""
        self._site.controller_id = controller_id
        self._boards += [each.driver for each in board_drivers(boards, self._site)]

    def without_radio(self, handsets: Sequence[HandsetConfig], why: str) -> None:
        """The handsets of an installation whose keys the disk does not give: those by radio are
        left out, and everyone is told ``why``."""
        self._without["the radio handsets are left out"] = why
        self.handsets([each for each in handsets if each.driver not in _with_key()])

    def handsets(self, handsets: Sequence[HandsetConfig], keys: Keys | None = None) -> None:
        """The handsets of an installation, or of the simulator; ``keys`` are for those by radio."""
        self._site.keys = keys
        for each in handsets:
            name = f"handset {each.id}"
            self._crew[each.id] = CrewMember(name, Role(each.role), Gestures(each.layout))
        self._handsets += [each.driver for each in handset_drivers(handsets, self._site)]

    def build(self, journal: Journalling | None, brightness: int = 15) -> Assembly:
        """The finished service: it goes on where the one before it stopped."""
        plan, now = self._plan, self._clock()
        recorder = Recorder(
            journal,
            now,
            numbers=plan.numbers,
            play=plan.state.down.number,
            keeper=plan.keeper,
            recent=plan.recent,
            rows=plan.rows,
        )
        play_clock = PlayClock(self._rules, self._settings, plan.state, plan.state_at, plan.gesture)
        service = Service(
            play_clock,
            boards=self._boards,
            handsets=self._handsets,
            crew=self._crew,
            recorder=recorder,
            clock=self._clock,
            brightness=brightness,
            checkpointer=Checkpointer(self._recovery),
            off_why=plan.off_why,
            troubles=self.troubles,
        )
        resume(service, play_clock, recorder, plan, now, setup=self._setup)
        airs = self._site.airs
        press = _tapping(airs[0]) if airs else None
        return Assembly(service, self._site.pairs, airs, [air.run for air in airs], press)

    def troubles(self) -> dict[str, str]:
        """What beside the service is wrong, and why."""
        kept = self._recovery.troubles() if self._recovery else {}
        return self._without | kept


def _tapping(air: Air) -> Callable[[str], None]:
    first = next(iter(air.handsets))
    return lambda key: air.press(first, Key[key])


def rules_of(config: Config) -> RuleSet:
    """The rule set of a configuration with its options, and its local overrides over them.

    Raises :class:`~controller.rules.rulings.RulesError`.
    """
    rules = with_options(load_rule_set(config.rules, config.season), config.options)
    for each in config.overrides:
        starts_on = StartsOn(each.starts_on)
        rules = rules.with_override(each.ending, each.seconds, starts_on, each.citation)
    return rules


def checked_rules(config: Config) -> RuleSet:
    """The same, for a command: the file of the rule set may have changed since the configuration
    was read.

    Raises :class:`~controller.config.toml_table.ConfigError`.
    """
    try:
        rules = rules_of(config)
        return in_this_year(rules) if config.season is None else rules
    except RulesError as error:
        what = f'rules = "{config.rules}", season = {config.season or "the newest"}: {error}'
        raise ConfigError(config.source, [what]) from error


def _with_key() -> set[str]:
    """The drivers of handsets that need a key."""
    return {kind.name for kind in HANDSET_KINDS if kind.needs_key}


def radio_keys(config: Config) -> Keys | None:
    """The keys of the radio handsets, if one is configured.

    Raises ``ValueError`` naming file and fault, and ``OSError`` when the disk is ill.
    """
    with_key = _with_key()
    wanted = [each.id for each in config.handsets if each.driver in with_key]
    if not wanted or config.key_file is None:
        return None
    try:
        keys = load_keys(config.key_file)
    except OSError as error:
        if is_ill(error):
            raise
        raise ValueError(
            f"{config.source}: key_file = {config.key_file}: {error.strerror}"
        ) from error
    missing = [str(number) for number in wanted if number not in keys.handset]
    if missing:
        raise ValueError(f"{config.key_file}: no key for handset {', '.join(missing)}: pair it")
    return keys


def controller_id_of(config: Config) -> int:
    """The number of this installation on the boards' pair, 1-65535: from the configuration, else
    from the machine's own identity (machine-id(5))."""
    if config.controller_id is not None:
        return config.controller_id
    try:
        identity = Path("/etc/machine-id").read_bytes().strip()
    except OSError:
        identity = b""
    return crc_hqx(b"playclock " + identity, 0xFFFF) or SIMULATED_ID
