"""What the installer asks of systemd, and how it runs any program."""

from __future__ import annotations

import os
import shlex
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

UNIT = "playclock.service"
SETTLED_S = 3.0
"""A service that is still up so long after its first frame has come to stay."""
START_WITHIN_S = 90


class InstallError(Exception):
    """Not done; the message says why and what to do."""


class Manager:
    """The service manager, if one is running. ``command`` is empty without one."""

    def __init__(self, command: Sequence[str]) -> None:
        self._command = list(command)

    def __bool__(self) -> bool:
        return bool(self._command)

    def call(self, *words: str) -> None:
        """Raises :class:`InstallError` when it refuses."""
        if self._command:
            run([*self._command, *words], within_s=START_WITHIN_S)

    def shown(self) -> dict[str, str]:
        """How the service stands: ActiveState, StatusText and NRestarts of systemctl(1)."""
        if not self._command:
            return {}
        said = run([*self._command, "show", UNIT, "--property=ActiveState,StatusText,NRestarts"])
        return dict(line.split("=", 1) for line in said.splitlines() if "=" in line)

    @property
    def up(self) -> bool:
        """Whether the service runs, or tries to."""
        return self.shown().get("ActiveState", "inactive") not in ("inactive", "failed")

    def start(self) -> None:
        """Start the service and see it stay. Raises :class:`InstallError`."""
        self.call("start", UNIT)
        before = self.shown().get("NRestarts")
        time.sleep(SETTLED_S)
        shown = self.shown()
        if shown.get("ActiveState") != "active" or shown.get("NRestarts") != before:
            raise InstallError(f"the service did not stay up; see: journalctl -u {UNIT}")


def run(command: Sequence[str | Path], named: str = "", within_s: float = 600) -> str:
    """What a program printed; it is deaf to settings of Python and pip. Raises
    :class:`InstallError` with its words when it failed; ``named`` says what it was about, else the
    command does."""
    words = [str(each) for each in command]
    set_by_user = ("PIP_", "PYTHON")
    kept = {name: each for name, each in os.environ.items() if not name.startswith(set_by_user)}
    named = named or shlex.join(words[:3])
    try:
        done = subprocess.run(
            words,
            env=kept | {"PIP_CONFIG_FILE": os.devnull},  # the machine's own settings of pip
            capture_output=True,
            text=True,
            check=False,
            timeout=within_s,
            cwd="/",
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise InstallError(f"{named}: {error}") from error
    if done.returncode != 0:
        said = (done.stderr or done.stdout).strip() or f"exit code {done.returncode}"
        raise InstallError(f"{named}: {said}")
    return done.stdout
