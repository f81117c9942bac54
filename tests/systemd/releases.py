"""Builds releases of this checkout, and of changed copies of it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.shared.scripts import ROOT

PIP_CACHE = ROOT / ".check" / "pip"
LEFT_OUT = (".*", "__pycache__", "*.egg-info", "build", "dist", "tests")


@dataclass(frozen=True)
class Releases:
    """``new`` is newer than ``old``; the service of ``broken`` ends at once."""

    old: Path
    new: Path
    broken: Path


def build(source: Path, target: Path, **settings: str) -> Path:
    """A release of ``source``, in a folder whose name has a space; ``settings`` are pip's."""
    environment = os.environ | {"PIP_CACHE_DIR": str(PIP_CACHE)} | settings
    built = subprocess.run(
        [sys.executable, source / "systemd" / "build_release.py", target],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if built.returncode != 0 and os.environ.get("CI", "").lower() not in {"1", "true"}:
        pytest.skip(f"no release could be built, perhaps for want of a network: {built.stderr}")
    assert built.returncode == 0, built.stderr
    return Path(built.stdout.splitlines()[0])


def changed(folder: Path, version: str) -> Path:
    """The source under another version."""
    shutil.copytree(ROOT, folder, ignore=shutil.ignore_patterns(*LEFT_OUT))
    init = folder / "controller" / "__init__.py"
    init.write_text(re.sub(r'VERSION = ".*"', f'VERSION = "{version}"', init.read_text()))
    return folder


def build_all(folder: Path) -> Releases:
    """The three, in ``folder``."""
    old = build(ROOT, folder)
    # The others are built with what is here already: no index is asked again.
    here = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": (old / "wheels").as_uri()}
    here["PIP_NO_BUILD_ISOLATION"] = "0"  # pip reads it the wrong way round: none
    new = build(changed(folder / "new", "99.1"), folder, **here)
    worse = changed(folder / "broken", "99.2")
    command = worse / "controller" / "commands" / "run.py"
    command.write_text(command.read_text() + "\n\ndef run(args: object) -> int:\n    return 1\n")
    return Releases(old, new, build(worse, folder, **here))
