"""How a command ends: its exit code, and an error in words."""

from __future__ import annotations

DONE, FOUND_WRONG, MISTAKE, INTERRUPTED = 0, 1, 2, 130
"""0 done; 1 the command ran and found something wrong; 2 a mistake in the command line, the
configuration or a named file; 130 interrupted."""


def plain(error: Exception) -> str:
    """The error with its file, without the number that only a programmer knows."""
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return str(error)
