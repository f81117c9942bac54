#!/usr/bin/python3 -I
"""Installs a release of the play clock, upgrades it, rolls it back. Run it as root. The first time,
from the folder of the release, once its digest is found to be the one that its maker read out:

    python3 -I install.py install --digest "ab12 cd34 ..."

From then on the release in use installs the next one, so that nothing on a stick is ever run
before it is known whose it is:

    python3 -I /opt/playclock/current/install.py install FOLDER
    python3 -I /opt/playclock/current/install.py rollback     to the release before, and back again
    python3 -I /opt/playclock/current/install.py uninstall

Nothing is fetched: the release holds all there is. It goes into a folder of its own with a Python
environment of its own, /opt/playclock/VERSION; the link ``current`` names the one in use. The
site's files (/etc/playclock, its port names, drop-ins of the unit) are never overwritten, and the
record in /var/lib/playclock is never touched. A service whose boards may be lit is left alone.

Exit codes: 0 done, 1 not done and everything as it was, 2 a mistake in the command line.
"""

# No "from __future__": it would be looked for beside this file, before the next lines.
import sys

if __name__ == "__main__" and not sys.flags.isolated:
    import os  # Python has read it at its own start

    # Isolated, Python looks for modules neither beside this file nor where the user's settings say.
    os.execv(sys.executable, [sys.executable, "-I", "-B", *sys.argv])

import argparse
import contextlib
import errno
import fcntl
import functools
import hashlib
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).resolve().parent


def beside(name: str) -> ModuleType:
    """The module ``name`` from its source beside this file, and from nothing else: the folder is
    never on Python's path, and nothing compiled is read."""
    if name in sys.modules:
        return sys.modules[name]
    path, sums = HERE / f"{name}.py", HERE / "SHA256SUMS"
    source = path.read_bytes() if path.is_file() else b""
    line = f"{hashlib.sha256(source).hexdigest()}  {path.name}"
    if sums.is_file() and line not in sums.read_text("utf-8", "replace").splitlines():
        sys.exit(f"install: {path}: not as {sums} lists it; copy the release again")
    module = sys.modules[name] = ModuleType(name)
    module.__file__ = str(path)
    exec(compile(source, path, "exec"), module.__dict__)
    return module


InstallError = beside("service_manager").InstallError
Manager = beside("service_manager").Manager
UnknownMakerError = beside("release").UnknownMakerError
GROUPS = beside("release").GROUPS
Installation = beside("installation").Installation

OLDEST_PYTHON = (3, 11)


@contextlib.contextmanager
def alone(root: Path) -> Iterator[None]:
    """Hold the installation: two installers at once would undo each other's steps."""
    folder = root / "run"
    folder.mkdir(exist_ok=True)
    with (folder / "playclock-install.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InstallError("another installation is going on") from None
        yield


def plain(error: OSError) -> str:
    """What an error of the system means here."""
    if error.errno == errno.EROFS:
        return f"{error.filename}: read-only; first: mount -o remount,rw /"
    if error.errno == errno.ENOSPC:
        return f"{error.filename}: the disk is full"
    return f"{error.filename}: {error.strerror}" if error.filename else str(error)


def check_machine(root: Path) -> None:
    """Raises :class:`InstallError` where this computer cannot take an installation."""
    if sys.version_info < OLDEST_PYTHON:
        oldest = ".".join(map(str, OLDEST_PYTHON))
        raise InstallError(f"Python {sys.version.split()[0]}: {oldest} or newer is needed")
    if root == Path("/") and os.geteuid() != 0:
        raise InstallError("run it as root: sudo python3 -I install.py ...")
    if root == Path("/") and shutil.which("systemd-sysusers") is None:
        raise InstallError("this computer does not run systemd, which the service needs")
    python = Path(sys.executable).resolve()
    if root == Path("/") and {"home", "root"} & set(python.parts[1:2]):
        raise InstallError(
            f"the service cannot see {python}: use /usr/bin/python3 -I install.py ..."
        )
    try:
        import venv  # noqa: F401, PLC0415 - is it there?
    except ImportError as error:
        raise InstallError("this Python is incomplete: apt-get install python3") from error


def check_who_installs(here: Path, opt: Path) -> None:
    """Raises :class:`InstallError` where a release is in use, under ``opt``, and this one was not
    brought there by it."""
    own = opt / "current" / "install.py"
    if own.is_file() and here.parent != opt.resolve():
        raise InstallError(
            "a release is in use, which checks the next one before any of it is run:"
            f" sudo python3 -I {own} install {here}"
        )


def typed(step: Callable[[str], Any], digest: str) -> Any:
    """Do ``step`` with the digest; a person at a terminal is asked for one that is missing."""
    try:
        return step(digest)
    except UnknownMakerError:
        if digest or not sys.stdin.isatty():
            raise
    asked = f"Its digest, as its maker reads it out, {GROUPS} groups of four or more: "
    return step(input(asked))


def upgrade(installation: Any, options: argparse.Namespace) -> int:
    """Check the release in a folder with the code of this one, which is in use, and let the copy
    that was checked install itself."""
    with alone(installation.root):
        bring = functools.partial(installation.bring_in, options.folder.resolve())
        folder, digest = typed(bring, options.digest)
    try:
        command = [sys.executable, "-I", "-B", folder / "install.py", "install"]
        command += ["--digest", digest, "--root", options.root]
        command += ["--systemctl", options.systemctl] if options.systemctl else []
        return subprocess.run(command, check=False).returncode
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def parsed() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description="Install a release of the play clock.")
    parser.add_argument("command", choices=("install", "rollback", "uninstall"))
    parser.add_argument("folder", type=Path, nargs="?", help="of the release to install")
    parser.add_argument(
        "--digest", default="", help=f"of its SHA256SUMS: all, or its first {GROUPS} groups of four"
    )
    parser.add_argument("--root", type=Path, default=Path("/"), help="for tests: not this computer")
    parser.add_argument("--systemctl", metavar="PROGRAM", help="for tests: the service manager")
    options = parser.parse_args()
    if options.command != "install" and (options.folder or options.digest):
        parser.error(f"{options.command} takes no folder and no digest")
    return options


def main() -> int:
    """Do what the command line says."""
    options, here = parsed(), Path(__file__).resolve().parent
    booted = options.root == Path("/") and Path("/run/systemd/system").is_dir()  # sd_booted(3)
    manager = Manager([options.systemctl or "systemctl"] if booted or options.systemctl else [])
    installation = Installation(options.root.resolve(), manager)
    commands: dict[str, Callable[[], str]] = {
        "install": lambda: typed(functools.partial(installation.install, here), options.digest),
        "rollback": installation.rollback,
        "uninstall": installation.uninstall,
    }
    os.umask(0o022)  # the service's user shall read what root installs
    try:
        check_machine(options.root)
        check_who_installs(here, installation.opt)
        in_use = (installation.opt / "current").resolve()
        if options.command == "install" and not options.folder and here == in_use:
            raise InstallError("name the folder of the release to install")
        if options.folder:
            return upgrade(installation, options)
        with alone(options.root):
            print(commands[options.command]())
    except InstallError as error:
        print(f"{options.command}: {error}", file=sys.stderr)
        return 1
    except OSError as error:
        print(f"{options.command}: {plain(error)}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
