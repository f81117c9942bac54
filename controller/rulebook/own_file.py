"""Reads the file of a rule set from a path that somebody gave: whole, or a clear refusal."""

from __future__ import annotations

import codecs
import os
import stat

from controller.rules.rulings import RulesError

LARGEST_FILE_BYTES = 256 * 1024
"""The largest rule set that ships has 20 kB; a video or a record given by mistake has more."""


def is_path(name: str) -> bool:
    """True for a file's name in place of a code's: with a separator in it, or ending in .toml."""
    return "/" in name or os.sep in name or name.endswith(".toml")


def read_words(path: str) -> str:
    """The text of the file. Raises :class:`RulesError`, which names the file; never waits."""
    name = shown_path(path)
    try:
        data = read_regular(path, LARGEST_FILE_BYTES)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise RulesError(f"{name}: cannot be read: {reason}") from error
    if len(data) > LARGEST_FILE_BYTES:
        raise RulesError(f"{name}: larger than {LARGEST_FILE_BYTES} bytes: no rule set")
    return decoded(data.removeprefix(codecs.BOM_UTF8), name)  # some editors write one


def shown_path(path: str) -> str:
    """``path`` in one line."""
    return path if path.isprintable() else ascii(path)


def decoded(data: bytes, source: str) -> str:
    """``data`` as text. Raises :class:`RulesError` with the first line that is not UTF-8."""
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        byte = f"0x{data[error.start]:02X}"
        raise RulesError(f"{source}: line {line}: byte {byte} is not UTF-8") from error


def read_regular(path: str, largest: int) -> bytes:
    """The first bytes of a file, one more than ``largest`` at most. Never waits.

    Raises ``OSError``, also for what is no regular file, and ``ValueError`` for a NUL in the name.
    """
    _only_regular(os.stat(path).st_mode)  # noqa: PTH116 - opening alone starts a watchdog
    # O_NONBLOCK: if it became a pipe meanwhile, opening it would wait for ever
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    with open(descriptor, "rb") as file:  # noqa: PTH123 - a descriptor
        _only_regular(os.fstat(descriptor).st_mode)
        return file.read(largest + 1)


def _only_regular(mode: int) -> None:
    if not stat.S_ISREG(mode):
        what = "a folder" if stat.S_ISDIR(mode) else "a device, pipe or socket"
        raise OSError(0, f"it is {what}, not a file")
