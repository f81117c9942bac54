#!/usr/bin/env python3
"""Makes a release: a folder that holds all an installation needs, to be carried to the field.

    python3 systemd/build_release.py FOLDER [--signers FILE] [--key FILE]

writes ``FOLDER/playclock-VERSION`` and says the digest to be read out to who installs it. It needs
pip, and a package index or pip's own settings for a folder of wheels (``PIP_NO_INDEX``,
``PIP_FIND_LINKS``). The same source and signers give the same release, byte for byte, whoever makes
it and wherever: what builds it is pinned by hash, and dates, modes and compression are fixed.

``--signers`` names the file of those who may sign the next release, a line for each key:

    release namespaces="playclock-release" ssh-ed25519 AAAA... whose key it is

``--key`` is the key of ssh-keygen that signs this one; it must be among them.

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

from installation import MODULES, OURS, THEIRS
from release import (
    CHECKSUMS,
    NAMESPACE,
    SIGNATURE,
    SIGNER,
    SIGNER_LINE,
    SIGNERS,
    Release,
    groups,
    signed,
)
from service_manager import InstallError

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
SOURCE = ("controller", "drivers", "pyproject.toml", "README.md", "LICENSE")
SYSTEM = sorted({*OURS, *THEIRS})
DOCUMENTS = ("README.md", "LICENSE", "hardware")
LOCK = "requirements.txt"
LEFT_OUT = shutil.ignore_patterns(".*", "__pycache__", "build", "dist", "*.egg-info")
FIXED = {
    "SOURCE_DATE_EPOCH": "315532800",  # 1980, the oldest date that a wheel, a zip file, can hold
    "PYTHONHASHSEED": "0",
    "LC_ALL": "C.UTF-8",
    "TZ": "UTC",
}
BUILD = """\
import sys
sys.path.insert(0, sys.argv[1])
from setuptools import build_meta
build_meta.build_wheel(sys.argv[2], {"--build-option": ["--compression=stored"]})
"""
"""Asks the pinned backend itself (PEP 517), with nothing else on Python's path. Compressed bytes
would differ from one version of zlib to the next."""


class ReleaseError(Exception):
    """No release; the message says why."""


def build(target: Path, signers: Path | None = None, key: Path | None = None) -> Release:
    """Make the release in ``target``. Raises :class:`ReleaseError`."""
    release = target / f"playclock-{version()}"
    if release.exists():
        raise ReleaseError(f"{release}: there already; remove it, or name another folder")
    if key and signers is None:
        raise ReleaseError(f"{key}: name its public half in a file for --signers, too")
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".release-", dir=target) as made_in:
        folder = Path(made_in) / release.name
        folder.mkdir()
        _wheels(Path(made_in), folder)
        _copies(folder)
        if signers:
            _signers(signers, folder)
        _checksums(folder)
        if key:
            _sign(key, folder)
        Release.read(folder, frozenset(MODULES))
        folder.rename(release)
    return Release.read(release)


def version() -> str:
    """The version that the program says of itself."""
    text = (ROOT / "controller" / "__init__.py").read_text("utf-8")
    found = re.search(r'^VERSION = "([^"]+)"$', text, re.MULTILINE)
    if found is None:
        raise ReleaseError("controller/__init__.py: no VERSION")
    return found[1]


def _wheels(made_in: Path, folder: Path) -> None:
    """The program's wheel, what it needs, and the lock that pins them all."""
    wheels, backend = folder / "wheels", made_in / "backend"
    _download(wheels)
    (packed,) = wheels.glob("setuptools-*.whl")
    shutil.unpack_archive(packed, backend, "zip")  # a wheel without machine code works like that
    packed.unlink()
    for name in SOURCE:  # a build leaves its traces there, not in the checkout
        _copy(ROOT / name, made_in / "source" / name)
    alone = [sys.executable, "-I", "-S", "-c", BUILD, backend, made_in]
    done = subprocess.run(
        alone,
        env={"HOME": str(made_in), **FIXED},
        cwd=made_in / "source",
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        raise ReleaseError(f"the wheel: {done.stderr}")
    (own,) = made_in.glob("*.whl")
    line = f"playclock-controller=={version()} \\\n    --hash=sha256:{_sha256(own)}\n"
    text = f"{(HERE / LOCK).read_text('utf-8')}\n# the program\n{line}"
    (folder / LOCK).write_text(text, "utf-8")
    own.rename(wheels / own.name)


def _download(target: Path) -> None:
    """What the locks name, by hash; the user's settings of pip say from where."""
    pip: list[str | Path] = [sys.executable, "-m", "pip", "download", "--quiet"]
    pip += ["--disable-pip-version-check", "--require-hashes", "--no-deps", "--only-binary=:all:"]
    for lock in (LOCK, "requirements-installer.txt", "requirements-build.txt"):
        pip += ["--requirement", HERE / lock]
    _run([*pip, "--dest", target], "pip download")


def _run(command: list[str | Path], named: str) -> None:
    if subprocess.run(command, check=False).returncode != 0:
        raise ReleaseError(f"{named} failed; its words are above")


def _copies(folder: Path) -> None:
    (folder / "VERSION").write_text(f"{version()}\n", "utf-8")
    for name in MODULES:
        _copy(HERE / name, folder / name)
    for name in SYSTEM:
        _copy(HERE / name, folder / "system" / name)
    for name in DOCUMENTS:
        _copy(ROOT / name, folder / "documents" / name)


def _copy(source: Path, target: Path) -> None:
    """Contents only: no date and no mode goes along."""
    target.parent.mkdir(exist_ok=True)
    if source.is_dir():
        shutil.copytree(source, target, ignore=LEFT_OUT, copy_function=shutil.copyfile)
    else:
        shutil.copyfile(source, target)


def _checksums(folder: Path) -> None:
    """Of every file, in the form of sha256sum(1)."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    lines = [f"{_sha256(path)}  {path.relative_to(folder).as_posix()}\n" for path in files]
    (folder / CHECKSUMS).write_text("".join(lines), "utf-8")


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _signers(file: Path, folder: Path) -> None:
    lines = file.read_text("utf-8").splitlines()
    for number, line in enumerate(lines, 1):
        if line.strip() and line[0] != "#" and SIGNER_LINE.fullmatch(line) is None:
            form = f'{SIGNER} namespaces="{NAMESPACE}" KIND KEY'
            raise ReleaseError(f'{file}: line {number}, "{line[:60]}", is not like: {form}')
    (folder / SIGNERS).write_text("".join(f"{line}\n" for line in lines), "utf-8")


def _sign(key: Path, folder: Path) -> None:
    """Raises :class:`ReleaseError` where the release would not trust its own signer."""
    sign = ["ssh-keygen", "-q", "-Y", "sign", "-f", key, "-n", NAMESPACE, folder / CHECKSUMS]
    _run(sign, "ssh-keygen")
    signature = (folder / SIGNATURE).read_bytes()
    if not signed((folder / CHECKSUMS).read_bytes(), signature, folder / SIGNERS):
        raise ReleaseError(f"{key}: not one of the keys in the file of signers")


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description="Make a release to be carried to the field.")
    parser.add_argument("folder", type=Path, help="where the release's own folder shall lie")
    parser.add_argument("--signers", type=Path, help="file of those who may sign the next release")
    parser.add_argument("--key", type=Path, help="key of ssh-keygen that signs this one")
    options = parser.parse_args()
    os.umask(0o022)  # a wheel keeps the modes of its files
    try:
        release = build(options.folder, options.signers, options.key)
    except (ReleaseError, InstallError, OSError) as error:
        print(f"build_release: {error}", file=sys.stderr)
        return 1
    print(f"{release.folder}\nIts digest, to be read out: {groups(release.digest)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
