"""A computer at the field as the installer sees it: a root folder and a service manager."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.shared import scripts
from tests.systemd import releases
from tests.systemd.fake_systemctl import FakeSystemctl

installation = scripts.load("systemd/installation.py")
release = scripts.load("systemd/release.py")
service_manager = scripts.load("systemd/service_manager.py")

UNIT = "usr/local/lib/systemd/system/playclock.service"
RULES = "usr/local/lib/udev/rules.d/71-playclock.rules"
PORTS = "etc/udev/rules.d/70-playclock-ports.rules"


class Computer:
    """A computer at the field: its files, and its service manager."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "a root"
        self.opt = self.root / "opt" / "playclock"
        self.config = self.root / "etc" / "playclock" / "playclock.toml"
        self.root.mkdir()
        self.manager = FakeSystemctl(folder / "manager", self.root)
        asked = service_manager.Manager([str(self.manager.program)])
        self.installation = installation.Installation(self.root, asked)

    def install(self, release: Path) -> str:
        """Install by digest, which must succeed; gives what the user is told."""
        return str(self.installation.install(release, releases.digest(release)))

    def refuses(self, step: Callable[..., object], *arguments: object) -> str:
        """Why it was not done; nothing may have changed."""
        before = self.tree()
        with pytest.raises(service_manager.InstallError) as refused:
            step(*arguments)
        assert self.tree() == before
        return str(refused.value)

    def call(self, script: Path, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """Run an installer as its user does, from its folder and with nobody at a terminal."""
        where: list[str | Path] = ["--root", self.root, "--systemctl", self.manager.program]
        return subprocess.run(
            [sys.executable, script, *words, *where],
            capture_output=True,
            text=True,
            check=False,
            stdin=subprocess.DEVNULL,
            cwd=script.parent,
        )

    @property
    def version(self) -> str:
        """The version that the command in use says of itself."""
        command = self.root / "usr/local/bin/playclock"
        said = subprocess.run([command, "--version"], capture_output=True, text=True, check=True)
        return said.stdout.split()[-1]

    def tree(self) -> dict[str, str]:
        """Every link and what it names, every file of the system and what it says."""
        found = {}
        for path in sorted(self.root.rglob("*")):
            name = str(path.relative_to(self.root))
            if path.is_symlink():
                found[name] = str(path.readlink())
            elif path.is_file() and not set(path.parts) & {"environment", "__pycache__", "run"}:
                found[name] = path.read_bytes().hex()
        return found

    def releases(self) -> set[str]:
        """The versions whose folders are there."""
        folders = [path for path in self.opt.iterdir() if not path.is_symlink()]
        return {path.name.split("-")[0] for path in folders}
