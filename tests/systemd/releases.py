"""Builds releases of this checkout, and of changed copies of it."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.shared.scripts import ROOT

PIP_CACHE = ROOT / ".check" / "pip"
SYSTEM = sorted((ROOT / "systemd").glob("*playclock*"))
INSTALLER = [path for path in (ROOT / "systemd").glob("*.py") if path.name != "build_release.py"]
LEFT_OUT = (".*", "__pycache__", "*.egg-info", "build", "dist", "tests")


NEEDS = ("requirements.txt", "requirements-installer.txt", "requirements-build.txt")
SIGNER = 'release namespaces="playclock-release" '


@dataclass(frozen=True)
class Releases:
    """``new`` is newer than ``old``; the service of ``broken`` ends at once. One key signed them,
    and each trusts it."""

    old: Path
    new: Path
    broken: Path
    signing: tuple[str, ...]
    """The options with which they were built."""


def key(path: Path) -> str:
    """A new key in ``path``; gives the line that names it among signers."""
    made = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", path.name, "-f"]
    subprocess.run([*made, str(path)], check=True)
    return SIGNER + path.with_suffix(".pub").read_text()


def signing(folder: Path) -> tuple[str, ...]:
    """Options that sign a release; none where ssh-keygen is missing."""
    if shutil.which("ssh-keygen") is None:
        return ()
    folder.mkdir()
    (folder / "signers").write_text(key(folder / "key"))
    return ("--signers", str(folder / "signers"), "--key", str(folder / "key"))


def called(command: list[str | Path], settings: Mapping[str, str], umask: int = -1) -> str:
    """What a step of a build printed; ``settings`` are pip's."""
    done = subprocess.run(
        command,
        env={**os.environ, "PIP_CACHE_DIR": str(PIP_CACHE), **settings},
        umask=umask,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0 and os.environ.get("CI", "").lower() not in {"1", "true"}:
        pytest.skip(f"no release could be built, perhaps for want of a network: {done.stderr}")
    assert done.returncode == 0, done.stderr
    return done.stdout


def build(
    source: Path, target: Path, *options: str, settings: Mapping[str, str], umask: int = -1
) -> Path:
    """A release of ``source``, in a folder whose name has a space."""
    script = source / "systemd" / "build_release.py"
    said = called([sys.executable, script, target, *options], settings, umask)
    return Path(said.splitlines()[0])


def changed(folder: Path, version: str = "") -> Path:
    """A copy of the source, perhaps under another version."""
    shutil.copytree(ROOT, folder, ignore=shutil.ignore_patterns(*LEFT_OUT))
    init = folder / "controller" / "__init__.py"
    if version:
        init.write_text(re.sub(r'VERSION = ".*"', f'VERSION = "{version}"', init.read_text()))
    return folder


def build_all(folder: Path) -> Releases:
    """The three, in ``folder``."""
    wheels = folder / "wheels"  # the index is asked once
    pip: list[str | Path] = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
    pip += ["--require-hashes", "--only-binary=:all:", "--dest", wheels]
    for name in NEEDS:
        pip += ["--requirement", ROOT / "systemd" / name]
    called(pip, {})
    here = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": wheels.as_uri()}
    options = signing(folder / "keys")
    old = build(ROOT, folder, *options, settings=here)
    new = build(changed(folder / "new", "99.1"), folder, *options, settings=here)
    worse = changed(folder / "broken", "99.2")
    command = worse / "controller" / "commands" / "run.py"
    command.write_text(command.read_text() + "\n\ndef run(args: object) -> int:\n    return 1\n")
    return Releases(old, new, build(worse, folder, *options, settings=here), options)


def small(folder: Path, version: str = "0.1.0") -> Path:
    """A release with all that is looked at before anything is installed, and no program."""
    system = {f"system/{each.name}": each.read_bytes() for each in SYSTEM}
    wheels = {"wheels/pip-1-py3-none-any.whl": b"pip", "wheels/it-1-py3-none-any.whl": b"it"}
    lock = f"it==1 --hash=sha256:{hashlib.sha256(b'it').hexdigest()}\n".encode()
    files = {"VERSION": f"{version}\n".encode(), "requirements.txt": lock, **system, **wheels}
    files |= {path.name: path.read_bytes() for path in INSTALLER}
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    relist(folder)
    return folder


def relist(folder: Path) -> None:
    """List what the folder holds now, as who harms it would."""
    names = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    lines = [
        f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}\n"
        for name in names
        if not name.name.startswith("SHA256SUMS")
    ]
    (folder / "SHA256SUMS").write_text("".join(lines))


def digest(folder: Path) -> str:
    """The digest of a release, as its maker would read it out."""
    return hashlib.sha256((folder / "SHA256SUMS").read_bytes()).hexdigest()
