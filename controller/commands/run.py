"""``playclock run``: the service with its console.

``--config`` names an installation; without it two simulated boards and, at a terminal, its keys.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import signal
import sys
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path

from controller import VERSION
from controller.assembly.assembler import (
    Assembler,
    Companion,
    checked_rules,
    controller_id_of,
    radio_keys,
)
from controller.assembly.devices import SIMULATED_BOARDS, SIMULATED_HANDSETS
from controller.clock import boottime, synchronised
from controller.config.default_paths import default_journal
from controller.config.load import load_config
from controller.config.model import Config
from controller.console.task import ConsoleTask, Typing
from controller.journal.file import GAME_KINDS, NOT_TOLD
from controller.journal.head import RUNTIME_HEAD, short
from controller.journal.setup import setup_text
from controller.journal.writer import Journal, this_boot
from controller.outcome import DONE, FOUND_WRONG, MISTAKE, plain
from controller.recovery.marker import BusyError, FolderError
from controller.recovery.recovery import Recovery
from controller.rulebook.choice import add_option, rules_for
from controller.rulebook.loader import fingerprint, in_this_year
from controller.rulebook.options import split_option
from controller.rules.rulings import RuleSet
from controller.rules.settings import Settings
from controller.service.event_loop import UrgentLoop
from controller.service.service import Service
from controller.service.watchdog import Notifier, Watchdog
from drivers.whole_file import is_ill

SWITCH_INTERVAL_S = 0.0005
"""How long the journal's thread may keep the interpreter from the event loop: Python's own 5 ms
would be on the path from press to board."""
CLOSE_S = 2.0
SETTLE_S = 1.0
COLLECT_S = 60.0
"""CPython keeps up to 2,000 freed tuples of each length for later (Objects/tupleobject.c,
``PyTuple_MAXFREELIST``) and lets them go at a full collection only. By itself it begins one when
what was made since the last has grown to a quarter of what there was (Modules/gcmodule.c), which a
service that keeps nothing never reaches: it would grow for hours. One takes a fraction of a ms."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``run``."""
    parser.add_argument("--config", type=Path, metavar="FILE", help="the installation (TOML)")
    parser.add_argument(
        "--rules", default=None, metavar="CODE", help="rule set of the simulator: a code or a file"
    )
    parser.add_argument("--season", type=int, metavar="YEAR", help="season of the simulator")
    add_option(parser)
    parser.add_argument(
        "--no-boards", action="store_true", help="a crew without boards: cues and console only"
    )
    parser.add_argument(
        "--demo", action="store_true", help="simulator: a simulated keeper plays a short series"
    )
    parser.add_argument(
        "--plain", action="store_true", help="print lines instead of drawing the screen"
    )
    parser.add_argument(
        "--kind",
        choices=GAME_KINDS,
        default=NOT_TOLD,
        help="what is played, for the record (default: not told)",
    )
    parser.add_argument("--journal", type=Path, metavar="FILE", help="write the record here")


def run(args: argparse.Namespace) -> int:
    """Run the service; 0 when stopped, 1 after a bug, when another one runs or when the disk does
    not give the configuration, 2 for a mistake."""
    try:
        _check(args)
        plan = _configured(args) if args.config else _simulated(args)
    except (ValueError, OSError) as error:
        print(f"playclock run: {plain(error)}", file=sys.stderr)
        ill = is_ill(error) or is_ill(error.__cause__)
        return FOUND_WRONG if ill else MISTAKE  # of which the service manager tries only one again
    except BusyError as error:
        return _refused(error)
    try:
        return plan.run()
    except (BusyError, FolderError) as error:
        return _refused(error)


def _refused(error: BusyError | FolderError) -> int:
    """A folder cannot be used. When it is only busy the service manager may try again."""
    print(f"playclock run: {error}", file=sys.stderr)
    return FOUND_WRONG if isinstance(error, BusyError) else MISTAKE


def _check(args: argparse.Namespace) -> None:
    if args.config is None:
        return
    for option in ("rules", "season", "option", "demo"):
        value = getattr(args, option)
        if not (value is None or value is False or value == []):
            raise ValueError(f"--{option} is for the simulator; with --config the file decides")


class Plan:
    """All that one run needs, before any event loop exists."""

    def __init__(
        self,
        args: argparse.Namespace,
        rules: RuleSet,
        settings: Settings,
        journal: Path,
        *,
        recovery: Recovery | None = None,
        options: Iterable[tuple[str, str]] = (),
        asked_as: str = "",
    ) -> None:
        self.rules_hash = fingerprint(rules)
        self.kind: str = args.kind
        self.recovery = recovery
        setup = setup_text(rules, self.rules_hash, settings, options=options, asked_as=asked_as)
        self.assembler = Assembler(boottime, rules, settings, recovery, setup)
        self.journal_path = journal
        self.brightness = 15
        self.demo = False
        self.runtime_head: Path | None = None
        """Where the record's head is kept until the power goes."""
        self.console = ConsoleTask(simulator=args.config is None, plain=args.plain)
        self.terminal: Typing | None = None

    def attach_console(self, role: str) -> None:
        """The console, and its keys when there is a terminal to type on."""
        typed = sys.stdin is not None and sys.stdin.isatty()
        fd = sys.stdin.fileno() if typed else None
        self.terminal = self.assembler.console(role, self.console, fd)

    def run(self) -> int:
        """Run until stopped; the boards are dark afterwards on every path."""
        sys.setswitchinterval(SWITCH_INTERVAL_S)
        gc.disable()  # until start-up is over
        if self.recovery is None:
            return self._run_loop()
        code = FOUND_WRONG
        try:
            self.recovery.begin()
            for what, why in self.assembler.troubles().items():
                print(f"playclock run: {what}: {why}", file=sys.stderr)
            code = self._run_loop()
        finally:
            self.recovery.close(in_order=code == DONE)
        return code

    def _run_loop(self) -> int:
        try:
            with asyncio.Runner(loop_factory=UrgentLoop) as runner:
                runner.run(self._run())
        except Exception as error:
            for each in _flat(error):
                print(f"playclock run: ended by a fault: {each!r}", file=sys.stderr)
            return FOUND_WRONG
        return DONE

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        journal = self._journal(loop)
        assembly = self.assembler.build(journal, self.brightness)
        service = assembly.service
        self.console.attach(service, self.terminal)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            if signal.getsignal(number) is not signal.SIG_IGN:  # nohup(1)
                loop.add_signal_handler(number, service.stop)
        loop.call_soon(journal.start)
        loop.call_later(SETTLE_S, _settle_memory, loop)
        for pair in assembly.pairs:
            pair.open()
        notifier = Notifier()
        beside: list[Companion] = [*assembly.companions, self.console.run]
        if notifier.listening:
            beside.append(Watchdog(service, notifier.tell, notifier.watchdog_s).run)
        if self.demo and assembly.press is not None:
            beside.append(partial(self._demonstrate, service, assembly.press))
        try:
            async with asyncio.TaskGroup() as group:
                tasks = [group.create_task(run()) for run in beside]
                await service.run()
                notifier.tell("STOPPING=1")
                for task in tasks:
                    task.cancel()
        finally:
            for pair in assembly.pairs:
                pair.close()
            notifier.close()
            try:
                whole = journal.close(CLOSE_S)
            finally:
                self.console.close(_last_words(journal) if whole else "")

    async def _demonstrate(self, service: Service, press: Callable[[str], None]) -> None:
        """Play the series; where nobody could end the run, that ends it."""
        from controller.assembly.demo import play  # noqa: PLC0415 - only here

        await play(press)
        if self.terminal is None:
            service.stop()

    def _journal(self, loop: asyncio.AbstractEventLoop) -> Journal:
        """The journal; its thread tells the loop when writing begins to fail, and when it heals."""
        return Journal(
            self.journal_path,
            software=VERSION,
            rules_hash=self.rules_hash,
            game_kind=self.kind,
            on_fault=lambda _: loop.call_soon_threadsafe(self.console.notify),
            synchronised=synchronised,
            runtime_head=self.runtime_head,
        )


def _simulated(args: argparse.Namespace) -> Plan:
    """Two simulated boards; keys from the terminal, or a demonstration where there is none."""
    asked_as = "nfhs" if args.rules is None else args.rules
    rules = rules_for(asked_as, args.season, args.option)
    rules = in_this_year(rules) if args.season is None else rules
    journal, options = args.journal or default_journal(), map(split_option, args.option)
    plan = Plan(args, rules, Settings(), journal, options=options, asked_as=asked_as)
    plan.attach_console("keeper")
    if not args.no_boards:
        plan.assembler.boards(SIMULATED_BOARDS)
    plan.demo = args.demo or plan.terminal is None
    if plan.demo:
        plan.assembler.handsets(SIMULATED_HANDSETS)
    return plan


def _configured(args: argparse.Namespace) -> Plan:
    """What a configuration file describes."""
    config = load_config(args.config)
    rules = checked_rules(config)
    if not config.boards and not args.no_boards:
        raise ValueError(f"{config.source}: boards: none configured; add [[boards]] or --no-boards")
    recovery = _recovery(config, rules)
    try:
        return _plan(args, config, rules, recovery)
    except BaseException:
        recovery.release()
        raise


def _plan(args: argparse.Namespace, config: Config, rules: RuleSet, recovery: Recovery) -> Plan:
    keys, no_keys = None, ""
    try:
        keys = radio_keys(config)
    except OSError as error:
        if not is_ill(error):
            raise
        no_keys = plain(error)
    journal = args.journal or config.journal
    plan = Plan(
        args,
        rules,
        config.play_clock,
        journal,
        recovery=recovery,
        options=config.options,
        asked_as=config.rules,
    )
    plan.brightness = config.brightness
    plan.runtime_head = config.runtime_folder / RUNTIME_HEAD
    if not args.no_boards:
        plan.assembler.boards(config.boards, controller_id_of(config))
    if no_keys:
        plan.assembler.without_radio(config.handsets, no_keys)
    else:
        plan.assembler.handsets(config.handsets, keys)
    if config.console.enabled:
        plan.attach_console(config.console.role)
    return plan


def _recovery(config: Config, rules: RuleSet) -> Recovery:
    """Where the last run stopped. Raises ``ValueError`` that names the folder."""
    try:
        return Recovery(
            config.runtime_folder,
            config.state_folder,
            boot_id=this_boot(),
            software=VERSION,
            rules_hash=fingerprint(rules),
            now=boottime(),
        )
    except OSError as error:
        why = f"{error.filename or config.runtime_folder}: {error.strerror}"
        raise ValueError(f"{config.source}: runtime_folder: {why}") from error


def _last_words(journal: Journal) -> str:
    """What the crew notes on the game's sheet."""
    head = short(journal.head)
    return f"the record ends with {head}: note it on the game's sheet" if head else ""


def _settle_memory(loop: asyncio.AbstractEventLoop) -> None:
    """Start-up is over: what lives now lives all game, so the collector need not look at it."""
    gc.collect()
    gc.freeze()
    gc.enable()
    loop.call_later(COLLECT_S, _let_go, loop)


def _let_go(loop: asyncio.AbstractEventLoop) -> None:
    """Give back what is kept for later and was not needed."""
    gc.collect()
    loop.call_later(COLLECT_S, _let_go, loop)


def _flat(error: BaseException) -> list[BaseException]:
    """The errors inside nested groups."""
    if isinstance(error, BaseExceptionGroup):
        return [each for inner in error.exceptions for each in _flat(inner)]
    return [error]
