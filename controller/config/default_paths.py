"""Where things are kept when no configuration says so."""

from __future__ import annotations

import os
from pathlib import Path

JOURNAL = "journal.sqlite3"


def default_state_folder() -> Path:
    """``$XDG_STATE_HOME/playclock``, by default ``~/.local/state/playclock`` (XDG base directory
    specification 0.8). Raises ``ValueError`` for a user without a home."""
    base = os.environ.get("XDG_STATE_HOME", "")
    if base.startswith("/"):
        return Path(base) / "playclock"
    try:
        return Path.home() / ".local" / "state" / "playclock"
    except RuntimeError:
        raise ValueError(
            f"user {os.getuid()} has no home folder: set XDG_STATE_HOME, or name the file"
        ) from None


def default_runtime_folder() -> Path:
    """For what shall go with the power: the folder that the service manager made
    (``RUNTIME_DIRECTORY``, systemd.exec(5)), else the user's own in tmpfs, else ``/run/playclock``.
    """
    made = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if made.startswith("/"):
        return Path(made)
    base = os.environ.get("XDG_RUNTIME_DIR", "")
    return Path(base if base.startswith("/") and os.geteuid() else "/run") / "playclock"


def default_journal() -> Path:
    """The journal of the simulator, and of the ``journal`` command when none is named."""
    return default_state_folder() / JOURNAL
