"""The command ``playclock journal``: a game line by line, a moment, CSV, and the chain's check.

Exit codes: 0 done (and the chain is whole), 1 the chain is broken, 2 wrong command line or file.
That there are no rows is an answer, not a fault: it is said, and the exit code is 0.
"""

from __future__ import annotations

import argparse
import math
import os
import re
import shutil
import sys
from collections.abc import Iterable
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from controller.config.default_paths import default_journal
from controller.journal.file import Head, JournalFileError
from controller.journal.head import kept_beside, read_head, short

if TYPE_CHECKING:
    from controller.journal.reader import Entry, Game, JournalReader

OK, BROKEN, WRONG = 0, 1, 2

_WITHIN_S = 60.0
_LONGEST_S = 366 * 86_400.0


class _Refused(Exception):
    """The command line asks for what cannot be given; the message names it."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give ``parser`` the arguments of the subcommand; ``file`` is None where none is named."""
    parser.add_argument(
        "file",
        metavar="FILE",
        nargs="?",
        type=Path,
        help="the journal (default: that of the simulator)",
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--games", action="store_true", help="list the games")
    what.add_argument(
        "--verify",
        action="store_true",
        help="check that no row was changed or cut off, and tell the head",
    )
    what.add_argument("--csv", action="store_true", help="write the rows as CSV, all columns")
    parser.add_argument(
        "--game",
        metavar="N",
        type=_game,
        help='a game by its number, "last" (the default) or "all"',
    )
    parser.add_argument(
        "--around",
        metavar="MOMENT",
        type=_moment,
        help='rows about a moment of local time: "19:03:12" of the game, the last one unless '
        '--game says which, or "2026-09-11 19:03:12"',
    )
    parser.add_argument(
        "--within",
        metavar="S",
        type=_seconds,
        help=f"seconds before and after that moment (default: {_WITHIN_S:.0f})",
    )
    parser.add_argument(
        "--head",
        metavar="HEAD",
        type=_head,
        help="with --verify: the head noted on the game's sheet, as 1234:7f3a-91c2-0d4e-88b1",
    )


def run(args: argparse.Namespace) -> int:
    """Do what the arguments ask; gives the exit code."""
    # Loaded here: every other subcommand builds this parser and wants no SQLite.
    from controller.journal.reader import JournalReader  # noqa: PLC0415

    if args.file is None:
        args.file = default_journal()
    try:
        _check_combination(args)
        with JournalReader(args.file) as reader:
            code = _print(reader, args)
        sys.stdout.flush()
    except (JournalFileError, _Refused) as error:
        print(f"playclock journal: {error}", file=sys.stderr)
        return WRONG
    except BrokenPipeError:
        # The reader of the pipe has seen enough. What is left in the buffer must not fail again
        # when the interpreter exits (Python's documentation of SIGPIPE).
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    return code


def _check_combination(args: argparse.Namespace) -> None:
    if args.within is not None and args.around is None:
        raise _Refused("--within needs --around")
    if isinstance(args.around, time) and args.game == "all":
        raise _Refused(f"--around {args.around}: a time alone is of one game: give the date too")
    if args.head is not None and not args.verify:
        raise _Refused("--head needs --verify")
    if args.games or args.verify:
        whole = "--games" if args.games else "--verify"
        for given, name in ((args.game, "--game"), (args.around, "--around")):
            if given is not None:
                raise _Refused(f"{whole} speaks of the whole journal and takes no {name}")


def _print(reader: JournalReader, args: argparse.Namespace) -> int:
    if args.verify:
        return _print_verdict(reader, args.file, args.head)
    if args.games:
        _print_games(reader)
        return OK
    entries, none = _chosen(reader, args)
    if args.csv:
        from controller.journal.format import write_csv  # noqa: PLC0415

        write_csv(entries, sys.stdout)
    else:
        _print_rows(entries, none)
    return OK


def _print_rows(entries: Iterable[Entry], none: str) -> None:
    """The rows, wrapped for a terminal and whole for anything else, or that there are ``none``."""
    from controller.journal.format import lines, wrapped  # noqa: PLC0415

    columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    any_row = False
    for text in lines(entries):
        print(wrapped(text, columns))
        any_row = True
    if not any_row:
        print(none)


def _chosen(reader: JournalReader, args: argparse.Namespace) -> tuple[Iterable[Entry], str]:
    """The rows asked for, and what to say when there are none."""
    game = _chosen_game(reader, args)
    where = "" if game is None else f" in game {game}"
    if args.around is None:
        return reader.entries(game), f"no rows{where}"
    within = timedelta(seconds=_WITHIN_S if args.within is None else args.within)
    moment = args.around
    if isinstance(moment, time):
        games = [each for each in reader.games() if each.number == game]
        if not games:
            return [], "no rows"
        moment = _on_the_day(moment, games[0])
    first, last = moment - within, moment + within
    day = "" if first.date() == last.date() else f"{last:%Y-%m-%d} "
    spell = f"between {first:%Y-%m-%d %H:%M:%S} and {day}{last:%H:%M:%S}"
    return reader.around(moment, within, game), f"no rows {spell}{where}"


def _on_the_day(at: time, game: Game) -> datetime:
    """The time of day of the day that puts it into the game, or nearest to it."""
    first, last = game.first.astimezone(), game.last.astimezone()
    days = range(-1, (last.date() - first.date()).days + 2)
    moments = [
        datetime.combine(first.date() + timedelta(days=day), at).astimezone() for day in days
    ]
    return min(moments, key=lambda moment: max(first - moment, moment - last, timedelta()))


def _chosen_game(reader: JournalReader, args: argparse.Namespace) -> int | None:
    """The number of the game asked for; None for all."""
    dated = args.around is not None and not isinstance(args.around, time)
    if args.game == "all" or (args.game is None and dated):
        return None
    if args.game in (None, "last"):
        return reader.last_game()
    numbers = [game.number for game in reader.games()]
    if args.game not in numbers:
        held = ", ".join(map(str, numbers)) or "no game"
        raise _Refused(f"--game {args.game}: not in {args.file}, which holds {held}")
    return int(args.game)


def _print_games(reader: JournalReader) -> None:
    games = reader.games()
    if not games:
        print("no games")
    for game in games:
        first, last = game.first.astimezone(), game.last.astimezone()
        print(
            f"game {game.number}  {first:%Y-%m-%d %H:%M:%S} to {last:%H:%M:%S}  "
            f"{game.rows} rows  rules {game.rules_hash}"
            + (f"  kind {game.kinds}" if game.kinds else "")
        )


def _kept(reader: JournalReader) -> tuple[tuple[Head, ...], str]:
    """The head kept beside the journal, or why it cannot be read."""
    try:
        return reader.kept_heads(), ""
    except JournalFileError as error:
        return (), str(error)


def _print_verdict(reader: JournalReader, file: Path, noted: Head | None) -> int:
    kept, unread = _kept(reader)
    verdict = reader.verify(*kept, *([noted] if noted else []))
    head = f"head {short(verdict.head)}" if verdict.rows else "no rows"
    if verdict.problem:
        print(f"{file}: BROKEN: {verdict.problem}")
        print(f"last good row before the break: {head}")
        return BROKEN
    print(f"{file}: {verdict.rows} rows, chain whole, {head}")
    for held, words in ((kept, f"kept in {kept_beside(file)}"), ([noted], "noted")):
        if held and held[0]:
            print(f"It holds the head {words}: {short(held[0])}")
    if unread:
        print(f"The head kept beside it cannot be read: {unread}")
        return BROKEN
    if noted is None:
        print(
            "Against one noted on paper: --verify --head HEAD. Only that shows a cut for certain."
        )
    return OK


def _game(text: str) -> int | str:
    if text in ("last", "all"):
        return text
    if not re.fullmatch(r"[0-9]{1,9}", text):
        raise argparse.ArgumentTypeError(f'{text!r}: must be a game\'s number, "last" or "all"')
    return int(text)


def _moment(text: str) -> datetime | time:
    """A moment of local time, or a time of day alone."""
    try:
        if re.fullmatch(r"[0-9]{1,2}(:[0-9]{2}){1,2}(\.[0-9]+)?", text):
            return time.fromisoformat(text if text[1] != ":" else f"0{text}")
        moment = datetime.fromisoformat(text).astimezone()
        _ = (moment - timedelta(seconds=_LONGEST_S), moment + timedelta(seconds=_LONGEST_S))
    except (ValueError, OverflowError) as error:
        raise argparse.ArgumentTypeError(
            f'{text!r}: must be a moment such as "19:03:12" or "2026-09-11 19:03:12"'
        ) from error
    return moment


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = math.nan
    if not 0 <= seconds <= _LONGEST_S:
        raise argparse.ArgumentTypeError(f"{text!r}: must be 0 to {_LONGEST_S:.0f} seconds")
    return seconds


def _head(text: str) -> Head:
    try:
        return read_head(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error
