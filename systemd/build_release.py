#!/usr/bin/env python3
"""Makes a release: a folder that holds all an installation needs, to be carried to the field.

    python3 systemd/build_release.py FOLDER

writes ``FOLDER/playclock-VERSION``. It needs pip, and a package index or pip's own settings for a
folder of wheels (``PIP_NO_INDEX``, ``PIP_FIND_LINKS``). The same source gives the same release.

Exit codes: 0 made, 1 not made.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
SOURCE = ("controller", "drivers", "pyproject.toml", "README.md", "LICENSE")
SYSTEM = (
    "playclock.service",
    "playclock.sysusers.conf",
    "playclock.tmpfiles.conf",
    "playclock.example.toml",
    "playclock-keys.conf",
    "playclock-pins.conf",
    "70-playclock-ports.rules",
    "71-playclock.rules",
)
INSTALLER = ("install.py", "installation.py", "service_manager.py")
DOCUMENTS = ("README.md", "LICENSE", "hardware")
CHECKSUMS = "SHA256SUMS"
EPOCH_1980 = "315532800"
"""The oldest date that a wheel, being a zip file, can hold."""


class ReleaseError(Exception):
    """No release; the message says why."""


def build(target: Path) -> Path:
    """Make the release in ``target``; gives its folder. Raises :class:`ReleaseError`."""
    release = target / f"playclock-{version()}"
    if release.exists():
        raise ReleaseError(f"{release}: there already; remove it, or name another folder")
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".release-", dir=target) as made_in:
        folder = Path(made_in) / release.name
        folder.mkdir()
        _wheels(Path(made_in) / "source", folder)
        _copies(folder)
        _checksums(folder)
        folder.rename(release)
    return release


def version() -> str:
    """The version that the program says of itself."""
    text = (ROOT / "controller" / "__init__.py").read_text("utf-8")
    found = re.search(r'^VERSION = "([^"]+)"$', text, re.MULTILINE)
    if found is None:
        raise ReleaseError("controller/__init__.py: no VERSION")
    return found[1]


def _wheels(source: Path, folder: Path) -> None:
    """The program's wheel, what it needs, and the lock that pins them all."""
    wheels = folder / "wheels"
    source.mkdir()
    for name in SOURCE:  # a build leaves its traces there, not in the checkout
        _copy(ROOT / name, source / name)
    lock, installer = HERE / "requirements.txt", HERE / "requirements-installer.txt"
    _pip("wheel", "--no-deps", "--wheel-dir", str(wheels), str(source))
    (own,) = wheels.glob("*.whl")
    hashed = ("--require-hashes", "--no-deps", "--only-binary=:all:")
    for each in (lock, installer):
        _pip("download", *hashed, "--dest", str(wheels), "--requirement", str(each))
    line = f"playclock-controller=={version()} \\\n    --hash=sha256:{_sha256(own)}\n"
    text = f"{lock.read_text('utf-8')}\n# the program\n{line}"
    (folder / "requirements.txt").write_text(text, "utf-8")


def _pip(*arguments: str) -> None:
    environment = {"SOURCE_DATE_EPOCH": EPOCH_1980} | os.environ
    command = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet", *arguments]
    if subprocess.run(command, env=environment, check=False).returncode != 0:
        raise ReleaseError(f"pip {arguments[0]} failed; its words are above")


def _copies(folder: Path) -> None:
    (folder / "VERSION").write_text(f"{version()}\n", "utf-8")
    for name in INSTALLER:
        shutil.copyfile(HERE / name, folder / name)
    for name in SYSTEM:
        _copy(HERE / name, folder / "system" / name)
    for name in DOCUMENTS:
        _copy(ROOT / name, folder / "documents" / name)


def _copy(source: Path, target: Path) -> None:
    target.parent.mkdir(exist_ok=True)
    if source.is_dir():
        shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__", ".*"))
    else:
        shutil.copyfile(source, target)


def _checksums(folder: Path) -> None:
    """Of every file, in the form of sha256sum(1)."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    lines = [f"{_sha256(path)}  {path.relative_to(folder).as_posix()}\n" for path in files]
    (folder / CHECKSUMS).write_text("".join(lines), "utf-8")


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description="Make a release to be carried to the field.")
    parser.add_argument("folder", type=Path, help="where the release's own folder shall lie")
    try:
        release = build(parser.parse_args().folder)
    except (ReleaseError, OSError) as error:
        print(f"build_release: {error}", file=sys.stderr)
        return 1
    print(f"{release}\nAt the field, as root:  python3 install.py install")
    return 0


if __name__ == "__main__":
    sys.exit(main())
