"""The command line ``playclock``.

Each command's module is imported only when it is wanted, so that ``ruling`` answers as fast as
Python starts. Exit codes: 0 done; 1 the command ran and found something wrong (the service ended
by a fault, a broken record); 2 a mistake in the command line, configuration or a named file; 130
interrupted.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Any

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
    commands = parser.add_subparsers(
        dest="command", metavar="COMMAND", title="commands", parser_class=_CommandParser
    )
    for command, words in _COMMANDS.items():
        sub = commands.add_parser(command, help=words, description=words, allow_abbrev=False)
        if command in wanted:
            module = importlib.import_module(f"controller.commands.{command}")
            module.add_arguments(sub)
            sub.set_defaults(run=module.run)
    return parser


class _CommandParser(argparse.ArgumentParser):
    """Takes options before, between and behind words: argparse has that for no subparser."""

    _intermixed = False

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        if self._intermixed:  # called by what is called below
            return super().parse_known_args(args, namespace)
        self._intermixed = True
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self._intermixed = False


_COMMANDS = {
    "run": "keep the play clock: handset in, boards out (simulated without --config)",
    "check": "is everything ready for a game? what is wrong, and what to do",
    "pair": "give a handset its keys by cable, list or revoke them",
    "ruling": "which count applies after an ending, and what starts it",
    "rehearse": "play a sequence of presses in virtual time, and say what each does",
    "rules": "the codes and seasons, the table of one, or where two differ",
    "journal": "read, search, export or verify the record of a game",
}
"""The commands, each a module of its name in ``controller/commands``, and what they are for."""
