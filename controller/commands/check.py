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
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from controller.assembly.assembler import (
    SIMULATED_BOARDS,
    SIMULATED_ID,
    controller_id_of,
    keys_and_session,
    rules_of,
)
from controller.assembly.builders import bound_keys
from controller.check import machine as check_machine
from controller.check import rules as check_rules
from controller.check import storage as check_storage
from controller.check.boards import check_boards
from controller.check.handsets import Known, check_handsets
from controller.check.ports import (
    Ports,
    board_wires,
    handset_wires,
    simulated_boards,
    simulated_handsets,
)
from controller.check.report import Report, look, ok, wrong
from controller.check.session import Pregame
from controller.clock import boottime, synchronised
from controller.config.default_paths import default_journal, default_state_folder
from controller.config.load import Config, ConfigError, check_endings, load_config
from controller.rulebook.loader import load_rule_set
from controller.rules.rulings import RulesError, RuleSet
from controller.service.event_loop import UrgentLoop

DONE, FOUND_WRONG, MISTAKE, INTERRUPTED = 0, 1, 2, 130
LONGEST_WAIT_S = 600.0
SIMULATED_HANDSET = Known(1, "keeper", "twelve")
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
    def handsets(self) -> list[Known]:
        """The handsets to be tried."""
        if self.config is None:
            return [SIMULATED_HANDSET]
        return [
            Known(each.id, each.role, each.layout, bound_keys(each))
            for each in self.config.handsets
        ]

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
        report.take([check_storage.record(self.journal)])
        if config is not None:
            report.take(check_storage.runtime(config.runtime_folder))

    async def _boards(self) -> None:
        self.report.title("Boards")
        wires, config = Ports(), self.config
        if config is None:
            names = dict(enumerate(SIMULATED_BOARDS, 1))
            simulated_boards(wires, names, SIMULATED_ID, self.clock)
        elif not config.boards:
            self.report.take([look("no boards are configured", "start with: run --no-boards")])
            return
        else:
            board_wires(wires, config.boards, controller_id_of(config), self.clock)
        brightness = config.brightness if config else BRIGHTEST
        await check_boards(wires, self.clock, brightness, self.report)

    async def _handsets(self) -> None:
        self.report.title("Handsets")
        wires, config = Ports(), self.config
        if config is None:
            simulated_handsets(wires, [SIMULATED_HANDSET.number], self.clock)
        elif not config.handsets:
            self.report.take([look("no handsets are configured", "keep the clock by the console")])
            return
        else:
            try:
                keys, session = keys_and_session(config)
            except (ValueError, OSError) as error:
                self.report.take([wrong(plain(error), "pair the handsets, or mend that file")])
                return
            if keys is not None:
                said = f"key file {config.key_file}: a key for every handset, nobody else reads it"
                self.report.take([ok(said), ok(f"session file: this is session {session}")])
            handset_wires(wires, config.handsets, keys, session, self.clock)
        await check_handsets(wires, self.handsets, self.clock, self.args.wait_s, self.report)

    async def _crew(self) -> None:
        boards = self.config is None or bool(self.config.boards)
        await Pregame(
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
        rules = _rules(config)
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


def _rules(config: Config) -> RuleSet:
    try:
        check_endings(config, load_rule_set(config.rules, config.season).rulings)
        return rules_of(config)
    except RulesError as error:
        what = f'rules = "{config.rules}", season = {config.season or "the newest"}: {error}'
        raise ConfigError(config.source, [what]) from error


def plain(error: Exception) -> str:
    """The error with its file, without the number that only a programmer knows."""
    if isinstance(error, OSError) and error.filename and error.strerror:
        return f"{error.filename}: {error.strerror}"
    return str(error)
