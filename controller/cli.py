"""The command line ``playclock``.

Each command's module is imported only when it is wanted, so that ``ruling`` answers as fast as
Python starts. Exit codes: 0 done; 1 the command ran and found something wrong (the service ended
by a fault, a broken record); 2 a mistake in the command line, configuration or a named file; 130
interrupted.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Sequence

from controller import VERSION
from controller.outcome import FOUND_WRONG, INTERRUPTED, MISTAKE

_EPILOG = """exit codes: 0 done; 1 the command found something wrong (the service ended by a
fault, the record's chain is broken); 2 a mistake in the command line, the configuration or a
file; 130 interrupted"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; gives its exit code."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    parser = _parser(arguments[:1])
    args = parser.parse_args(arguments)
    if args.command is None:
        parser.print_help()
        return MISTAKE
    try:
        code = int(args.run(args))
        if sys.stdout is not None:
            sys.stdout.flush()
    except KeyboardInterrupt:
        return INTERRUPTED
    except ValueError as error:
        print(f"playclock {args.command}: {error}", file=sys.stderr)
        return MISTAKE
    except OSError as error:
        return _output_failed(args.command, error)
    return code


def _output_failed(command: str, error: OSError) -> int:
    """Standard output took nothing: said in a line, unless its reader has simply gone."""
    if not isinstance(error, BrokenPipeError):
        print(f"playclock {command}: cannot write the output: {error.strerror}", file=sys.stderr)
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, AttributeError):
            stream.flush()
            continue
        if stream is not None:  # what is still buffered must not fail again at the exit
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    return FOUND_WRONG


def _parser(wanted: Sequence[str]) -> argparse.ArgumentParser:
    """The parser; only the wanted command is given its arguments, the others their names."""
    parser = argparse.ArgumentParser(
        prog="playclock",
        description="Keeps the 40/25 second play clock of American football.",
        epilog=_EPILOG,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"playclock {VERSION}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    for command, (words, fill) in _COMMANDS.items():
        sub = commands.add_parser(command, help=words, description=words, allow_abbrev=False)
        if command in wanted:
            fill(sub)
    return parser


def _fill_run(parser: argparse.ArgumentParser) -> None:
    from controller.commands import run as run_command  # noqa: PLC0415

    run_command.add_arguments(parser)
    parser.set_defaults(run=run_command.run)


def _fill_ruling(parser: argparse.ArgumentParser) -> None:
    from controller.commands import ruling as ruling_command  # noqa: PLC0415

    ruling_command.add_arguments(parser)
    parser.set_defaults(run=ruling_command.run)


def _fill_rules(parser: argparse.ArgumentParser) -> None:
    from controller.commands import rules as rules_command  # noqa: PLC0415

    rules_command.add_arguments(parser)
    parser.set_defaults(run=rules_command.run)


def _fill_journal(parser: argparse.ArgumentParser) -> None:
    from controller.commands import journal as journal_command  # noqa: PLC0415
    from controller.config import default_paths as places  # noqa: PLC0415

    def run(args: argparse.Namespace) -> int:
        if args.file is None:
            args.file = places.default_journal()
        return journal_command.run(args)

    journal_command.add_arguments(parser)
    parser.set_defaults(run=run)


def _fill_check(parser: argparse.ArgumentParser) -> None:
    from controller.commands import check as check_command  # noqa: PLC0415

    check_command.add_arguments(parser)
    parser.set_defaults(run=check_command.run)


def _fill_pair(parser: argparse.ArgumentParser) -> None:
    from controller.commands import pair as pair_command  # noqa: PLC0415

    pair_command.add_arguments(parser)
    parser.set_defaults(run=pair_command.run)


_COMMANDS = {
    "run": ("keep the play clock: handset in, boards out (simulated without --config)", _fill_run),
    "check": ("is everything ready for a game? what is wrong, and what to do", _fill_check),
    "pair": ("give a handset its keys by cable, list or revoke them", _fill_pair),
    "ruling": ("which count applies after an ending, and what starts it", _fill_ruling),
    "rules": ("the codes and seasons, the table of one, or where two differ", _fill_rules),
    "journal": ("read, search, export or verify the record of a game", _fill_journal),
}
