"""``playclock check``: is everything ready for a game? In plain words, with what to do.

Exit codes: 0 all is right, 1 something is wrong, 2 a mistake in the command line or the
configuration. The boards are dark at the end on every path.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import shutil
import signal
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from controller.assembly.assembler import (
    SIMULATED_ID,
    checked_rules,
    controller_id_of,
    radio_keys,
)
from controller.assembly.devices import (
    SIMULATED_BOARDS,
    SIMULATED_HANDSETS,
    board_drivers,
    handset_drivers,
)
from controller.check import machine as check_machine
from controller.check import rules as check_rules
from controller.check import storage as check_storage
from controller.check.boards import check_boards
from controller.check.handsets import CheckedHandset, check_handsets
from controller.check.ports import SniffingPort
from controller.check.report import Report, look, ok, wrong
from controller.check.session import CrewCheckSession
from controller.clock import boottime, synchronised
from controller.config.default_paths import default_journal, default_state_folder
from controller.config.load import load_config
from controller.config.model import Config, HandsetConfig
from controller.journal.head import RUNTIME_HEAD
from controller.outcome import DONE, FOUND_WRONG, INTERRUPTED, MISTAKE, plain
from controller.rulebook.loader import load_rule_set
from controller.rules.rulings import RuleSet
from controller.service.event_loop import UrgentLoop
from drivers.kind import Site

LONGEST_WAIT_S = 600.0
ROOT = Path("/")
BRIGHTEST = 15


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``check``."""
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help="the installation (default: the simulator)"
    )
    parser.add_argument(
        "--crew", action="store_true", help="then lead the officials through their own steps"
    )
    parser.add_argument("--no-boards", action="store_true", help="leave the boards out")
    parser.add_argument("--no-handsets", action="store_true", help="leave the handsets out")
    parser.add_argument(
        "--wait-s",
        type=_seconds,
        default=20.0,
        metavar="S",
        help="how long to wait for each key (default: 20)",
    )
    parser.add_argument(
        "--journal", type=Path, metavar="FILE", help="keep the outcome of --crew here"
    )


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 1 <= value <= LONGEST_WAIT_S:
        raise argparse.ArgumentTypeError(f"{text!r}: must be 1 to {LONGEST_WAIT_S:.0f} seconds")
    return value


@dataclass(slots=True)
class Check:
    """One check of an installation, or of the simulator when ``config`` is None."""

    args: argparse.Namespace
    config: Config | None
    rules: RuleSet
    report: Report
    clock: Callable[[], int] = boottime
    root: Path = ROOT
    fd: int | None = None
    """Where the crew's answers are typed."""

    @property
    def handsets(self) -> list[CheckedHandset]:
        """The handsets to be tried."""
        return [
            CheckedHandset(
                each.id, each.role, each.layout, each.details.keys if each.details else ()
            )
            for each in self._configured
        ]

    @property
    def _configured(self) -> Sequence[HandsetConfig]:
        return self.config.handsets if self.config else SIMULATED_HANDSETS

    @property
    def journal(self) -> Path:
        """Where the outcome is kept."""
        if self.args.journal is not None:
            return Path(self.args.journal)
        return self.config.journal if self.config else default_journal()

    async def run(self) -> int:
        """Everything that was asked for, part by part."""
        lock = check_storage.ServiceLock(self.config.runtime_folder) if self.config else None
        try:
            if self.config is None:
                self.report.title("The simulator: an installation is named with --config FILE")
            self._rules_and_machine()
            if lock is not None and lock.busy:
                self.report.title("Service")
                self.report.take(lock.findings())
                self.report.close()
                return FOUND_WRONG
            if not self.args.no_boards:
                await self._boards()
            if not self.args.no_handsets:
                await self._handsets()
            if self.args.crew:
                await self._crew()
            self.report.close()
        finally:
            if lock is not None:
                lock.release()
        return FOUND_WRONG if self.report.wrong else DONE

    def _rules_and_machine(self) -> None:
        report, config = self.report, self.config
        report.title("Rules")
        report.take(check_rules.rules(self.rules, config))
        report.title("Computer")
        report.take(check_machine.machine(self.root, datetime.now(), synchronised()))
        state = config.state_folder if config else default_state_folder()
        report.take(check_storage.disk(state))
        runtime = config.runtime_folder / RUNTIME_HEAD if config else None
        report.take([check_storage.record(self.journal, runtime)])
        if config is not None:
            report.take(check_storage.runtime(config.runtime_folder))

    def _site(self) -> Site:
        return Site(self.clock, listen=SniffingPort)

    async def _boards(self) -> None:
        self.report.title("Boards")
        config, site = self.config, self._site()
        boards = config.boards if config else SIMULATED_BOARDS
        if not boards:
            self.report.take([look("no boards are configured", "start with: run --no-boards")])
            return
        site.controller_id = controller_id_of(config) if config else SIMULATED_ID
        brightness = config.brightness if config else BRIGHTEST
        await check_boards(board_drivers(boards, site), site, brightness, self.report)

    async def _handsets(self) -> None:
        self.report.title("Handsets")
        config, site = self.config, self._site()
        if not self._configured:
            self.report.take([look("no handsets are configured", "keep the clock by the console")])
            return
        if config is not None:
            try:
                site.keys = radio_keys(config)
            except (ValueError, OSError) as error:
                self.report.take([wrong(plain(error), "pair the handsets, or mend that file")])
                return
            if site.keys is not None:
                said = f"key file {config.key_file}: a key for every handset, nobody else reads it"
                self.report.take([ok(said)])
        drivers = handset_drivers(self._configured, site)
        await check_handsets(drivers, site, self.handsets, self.args.wait_s, self.report)

    async def _crew(self) -> None:
        boards = self.config is None or bool(self.config.boards)
        await CrewCheckSession(
            self.config,
            self.rules,
            self.journal,
            boards=boards and not self.args.no_boards,
            handsets=[] if self.args.no_handsets else self.handsets,
            clock=self.clock,
            report=self.report,
            fd=self.fd,
        ).run()


def run(args: argparse.Namespace) -> int:
    """Check; gives the exit code."""
    try:
        check = _prepared(args)
    except (ValueError, OSError) as error:
        print(f"playclock check: {plain(error)}", file=sys.stderr)
        return MISTAKE
    with (
        contextlib.suppress(asyncio.CancelledError),
        asyncio.Runner(loop_factory=UrgentLoop) as runner,
    ):
        return runner.run(_until_told(check))
    return INTERRUPTED


async def _until_told(check: Check) -> int:
    """SIGTERM and SIGHUP end the check as Ctrl-C does: with dark boards."""
    loop, task = asyncio.get_running_loop(), asyncio.current_task()
    assert task is not None
    for number in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is not signal.SIG_IGN:  # nohup(1)
            loop.add_signal_handler(number, task.cancel)
    return await check.run()


def _prepared(args: argparse.Namespace) -> Check:
    config = None
    rules = load_rule_set("nfhs")
    if args.config is not None:
        config = load_config(args.config)
        rules = checked_rules(config)
        owner = check_storage.stranger(config.state_folder)
        if owner:
            raise ValueError(
                f"{config.state_folder} belongs to {owner}: run this as that user "
                f"(sudo -u {owner} playclock check ...)"
            )
    columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    fd = None if sys.stdin is None else sys.stdin.fileno()
    return Check(args, config, rules, Report(_print, columns), fd=fd)


def _print(line: str) -> None:
    print(line, flush=True)
