#!/usr/bin/env python3
"""Installs a release of the play clock, upgrades it, rolls it back. Run it as root:

    python3 install.py install                             from the folder of a release
    python3 /opt/playclock/current/install.py rollback     to the release before, and back again
    python3 /opt/playclock/current/install.py uninstall

Nothing is fetched: the release holds all there is. It goes into a folder of its own with a Python
environment of its own, /opt/playclock/VERSION; the link ``current`` names the one in use. The
site's files (/etc/playclock, its port names, drop-ins of the unit) are never overwritten, and the
record in /var/lib/playclock is never touched. A service whose boards may be lit is left alone.

Exit codes: 0 done, 1 not done and everything as it was, 2 a mistake in the command line.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import fcntl
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from installation import Installation
from service_manager import InstallError, Manager

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
        raise InstallError("run it as root: sudo python3 install.py ...")
    if root == Path("/") and shutil.which("systemd-sysusers") is None:
        raise InstallError("this computer does not run systemd, which the service needs")
    python = Path(sys.executable).resolve()
    if root == Path("/") and {"home", "root"} & set(python.parts[1:2]):
        raise InstallError(f"the service cannot see {python}: use /usr/bin/python3 install.py ...")
    try:
        import venv  # noqa: F401, PLC0415 - is it there?
    except ImportError as error:
        raise InstallError("this Python is incomplete: apt-get install python3") from error


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description="Install a release of the play clock.")
    parser.add_argument("command", choices=("install", "rollback", "uninstall"))
    parser.add_argument("--root", type=Path, default=Path("/"), help="for tests: not this computer")
    parser.add_argument("--systemctl", metavar="PROGRAM", help="for tests: the service manager")
    options = parser.parse_args()
    booted = options.root == Path("/") and Path("/run/systemd/system").is_dir()  # sd_booted(3)
    manager = Manager([options.systemctl or "systemctl"] if booted or options.systemctl else [])
    installation = Installation(options.root.resolve(), manager)
    commands: dict[str, Callable[[], str]] = {
        "install": lambda: installation.install(Path(__file__).resolve().parent),
        "rollback": installation.rollback,
        "uninstall": installation.uninstall,
    }
    os.umask(0o022)  # the service's user shall read what root installs
    try:
        check_machine(options.root)
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
