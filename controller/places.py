"""Where things are kept when no configuration says so."""

from __future__ import annotations

import os
from pathlib import Path

JOURNAL = "journal.sqlite3"


def default_state_folder() -> Path:
    """``$XDG_STATE_HOME/playclock``, by default ``~/.local/state/playclock`` (XDG base directory
    specification 0.8)."""
    base = os.environ.get("XDG_STATE_HOME", "")
    folder = Path(base) if base.startswith("/") else Path.home() / ".local" / "state"
    return folder / "playclock"


def default_journal() -> Path:
    """The journal of the simulator, and of the ``journal`` command when none is named."""
    return default_state_folder() / JOURNAL
