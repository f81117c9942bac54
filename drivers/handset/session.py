"""The session number: one more at every start, on disk before it is used.

The tag of every frame covers the session number, so a press recorded before a restart is worth
nothing after it. That holds only while no number is ever given out twice: the next number is
written, forced to the disk and renamed into place before :func:`next_session` returns it, and a
file that cannot be read to the last digit is an error, never a fresh start.
"""

from __future__ import annotations

import binascii
import contextlib
import fcntl
import os
import re
from collections.abc import Iterator
from pathlib import Path

from drivers.base import DriverError
from drivers.whole_file import replace_file

LAST_SESSION = 0xFFFF_FFFF
_LINE = re.compile(rb"session ([0-9A-F]{8}) check ([0-9A-F]{4})\n")
_LONGEST_SHOWN = 60
_MEND = "revoke every handset key, remove the file and pair the handsets again"


class SessionError(DriverError, ValueError):
    """The session file is missing, damaged or used up; the message says how to mend it."""


def next_session(path: Path, *, may_create: bool = False) -> int:
    """Give the next session number, 1 to 4294967295, committed to the disk at ``path``.

    ``may_create`` allows the file to be missing, and starts at 1. It belongs to installation
    and pairing, where the keys are new; at any other time a missing file means that numbers
    already used would come again, and is an error.

    Raises :class:`SessionError` for a missing, damaged or used-up file or when another process
    is taking a number at this moment, and ``OSError`` when the disk refuses.
    """
    with _locked(path.parent, path):
        last = _last_session(path, may_create)
        if last >= LAST_SESSION:
            raise SessionError(f"{path}: session {last} was the last that 32 bits hold: {_MEND}")
        replace_file(path, _line(last + 1), mode=0o644)
    return last + 1


def _last_session(path: Path, may_create: bool) -> int:
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        if may_create:
            return 0
        raise SessionError(
            f"{path}: the session file is missing, so session numbers would come again: {_MEND}"
        ) from None
    match = _LINE.fullmatch(content)
    if match is None or _line(int(match[1], 16)) != content:
        shown = repr(content[:_LONGEST_SHOWN])[1:]
        raise SessionError(
            f"{path}: damaged, holds {shown}; allowed is one line "
            f"'session <8 hex digits> check <4 hex digits>' whose check is right: {_MEND}"
        )
    return int(match[1], 16)


def _line(session: int) -> bytes:
    text = b"session %08X" % session
    return text + b" check %04X\n" % binascii.crc_hqx(text, 0xFFFF)


@contextlib.contextmanager
def _locked(folder: Path, path: Path) -> Iterator[None]:
    """Hold the folder, so that two processes starting at once never share a number."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError:
        raise SessionError(
            f"{path}: another process is taking a session number; only one may run"
        ) from None
    finally:
        os.close(descriptor)
