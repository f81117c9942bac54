"""One installation of the play clock: a folder for each release, and one link that names the one in
use.

Changing the link is one step, so that a failure or a power cut leaves either release whole. What
the site changes is never overwritten, and the record is never touched.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import sys
from pathlib import Path

from release import Release, check_maker
from service_manager import UNIT, InstallError, Manager, run

NEEDED_BYTES = 24 << 20
"""A release takes 7 MB (measured), twice that while it is installed; the record of a season takes
less than the rest."""

OURS = {
    "playclock.service": f"usr/local/lib/systemd/system/{UNIT}",
    "playclock.sysusers.conf": "usr/local/lib/sysusers.d/playclock.conf",
    "playclock.tmpfiles.conf": "usr/local/lib/tmpfiles.d/playclock.conf",
    "71-playclock.rules": "usr/local/lib/udev/rules.d/71-playclock.rules",
    "playclock.example.toml": "etc/playclock/playclock.example.toml",
    "playclock-keys.conf": "etc/playclock/playclock-keys.conf",
    "playclock-pins.conf": "etc/playclock/playclock-pins.conf",
}
"""Files of a release, and where they take effect: always those of the release in use. Copies, for
``systemctl enable`` follows a link to its end, and ``disable`` removes it. A site overrides them
with files of the same name in /etc, or with drop-ins."""
THEIRS = {
    "playclock.example.toml": "etc/playclock/playclock.toml",
    "70-playclock-ports.rules": "etc/udev/rules.d/70-playclock-ports.rules",
}
"""Files that the site makes its own: copied once."""
COMMAND = "usr/local/bin/playclock"
BROUGHT = ".brought"
"""Where a release lies while it is installed by its own code, for it was found to be good."""
MODULES = ("install.py", "installation.py", "release.py", "service_manager.py")
"""The installer, which a release in use keeps for the next one and for the way back."""
NEEDED = frozenset({*MODULES, *(f"system/{name}" for name in {**OURS, **THEIRS})})
PIP = (
    "--quiet",
    "--no-cache-dir",
    "--disable-pip-version-check",
    "--no-index",
    "--no-deps",
    "--require-hashes",
)

TRY = "import controller.cli, serial"
TRY_CONFIG = """\
import sys, pathlib
from controller.config.load import load_config
try:
    load_config(pathlib.Path(sys.argv[1]))
except (ValueError, OSError) as error:
    sys.exit(str(error))
"""


class Installation:
    """The installation under ``root``; with another root than ``/`` it serves tests only."""

    def __init__(self, root: Path, manager: Manager) -> None:
        self.root = root
        self.manager = manager
        self.opt = root / "opt" / "playclock"
        self.config = root / "etc" / "playclock" / "playclock.toml"

    @property
    def current(self) -> Path | None:
        """The folder of the release in use."""
        return self._named("current")

    # The commands

    def install(self, folder: Path, digest: str = "") -> str:
        """Install or upgrade to the release in ``folder``; gives a line for the user. Its maker is
        known by ``digest``, typed by hand, or by a signature that the release in use trusts."""
        release = Release.read(folder, NEEDED)
        check_maker(release, self.current, digest)
        self._refuse_while_lit()
        target = self.opt / release.name
        if not self._whole(target):
            self._enough_room()
            self._make(release, target)
        if self._named("current") == target:
            self._place(target)
            return f"{release.name} is installed already"
        first = self._named("current") is None
        self._try_config(target)
        self._switch(target)
        self._remove_all_but("current", "previous")
        return f"{release.name} is installed. {self._next_steps() if first else self._as_it_is()}"

    def bring_in(self, folder: Path, digest: str = "") -> tuple[Path, str]:
        """Copy the release in ``folder``, checked as by :meth:`install`, to where nobody else can
        change it; gives that folder and its digest. A later release may lie otherwise than this
        one knows, so its own installer does the rest, from there."""
        release = Release.read(folder)
        check_maker(release, self.current, digest)
        self._refuse_while_lit()
        self._enough_room()
        brought = self.opt / BROUGHT
        shutil.rmtree(brought, ignore_errors=True)
        brought.mkdir()
        release.write(brought)
        return brought, release.digest

    def rollback(self) -> str:
        """Go back to the release before."""
        before = self._named("previous")
        if before is None or not self._whole(before):
            raise InstallError(f"{self.opt}: there is no previous release that works")
        self._refuse_while_lit()
        self._switch(before)
        return f"{before.name} is in use again. {self._as_it_is()}"

    def uninstall(self) -> str:
        """Remove the program; the site's files and the record stay."""
        self._refuse_while_lit()
        self.manager.call("disable", "--now", UNIT)
        for place in [*OURS.values(), COMMAND]:
            (self.root / place).unlink(missing_ok=True)
        shutil.rmtree(self.opt, ignore_errors=True)
        self.manager.call("daemon-reload")
        kept = f"{self.config.parent} and {self.root / 'var/lib/playclock'}"
        return f"The program is gone. Left where they are: {kept}"

    # Before anything is touched

    def _refuse_while_lit(self) -> None:
        """Raises :class:`InstallError` unless the service is stopped or says its boards are off."""
        shown = self.manager.shown()
        state, said = shown.get("ActiveState", "inactive"), shown.get("StatusText", "")
        if state in ("inactive", "failed"):
            if self._locked():
                raise InstallError("a play clock runs by hand: end it first")
        elif state != "active" or not said.startswith("boards off"):
            raise InstallError(
                f"the boards may be lit (the service is {state}, {said or 'no word of its boards'})"
                f": order BOARDS OFF, or end the game with: systemctl stop {UNIT}"
            )

    def _locked(self) -> bool:
        """Whether a service holds the runtime folder. Not asked of one that may be starting: the
        question holds the lock for an instant."""
        with contextlib.suppress(OSError), (self._runtime_folder() / "lock").open("rb") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                return True
        return False

    def _runtime_folder(self) -> Path:
        import tomllib  # noqa: PLC0415 - an older Python must get as far as saying that it is old

        with contextlib.suppress(OSError, ValueError):
            named = tomllib.loads(self.config.read_text("utf-8")).get("runtime_folder")
            if isinstance(named, str):
                return Path(named)
        return self.root / "run" / "playclock"

    def _enough_room(self) -> None:
        self.opt.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(self.opt).free
        if free < NEEDED_BYTES:
            raise InstallError(
                f"{self.opt}: {free >> 20} MB free, {NEEDED_BYTES >> 20} MB are needed"
            )

    def _try_config(self, target: Path) -> None:
        """The new release must take the site's configuration before a running service ends."""
        if self.config.exists():
            try:
                run([*python_of(target), "-c", TRY_CONFIG, self.config], named=target.name)
            except InstallError as error:
                if self.manager.up:
                    raise
                print(f"install: take care, the service would not start: {error}", file=sys.stderr)

    # A release's folder

    def _whole(self, target: Path) -> bool:
        """Whether it was made to the end and its Python is still that of this computer."""
        if (target / "complete").exists():
            with contextlib.suppress(InstallError):
                run([*python_of(target), "-c", TRY])
                return True
        return False

    def _make(self, release: Release, target: Path) -> None:
        """Make the folder beside the others; "complete" comes last, when all is on the disk."""
        shutil.rmtree(target, ignore_errors=True)  # cut short by a power failure
        try:
            release.write(target)
            self._make_environment(target)
            shutil.rmtree(target / "wheels")
            os.sync()
            (target / "complete").touch()
            os.sync()
        except BaseException:
            shutil.rmtree(target, ignore_errors=True)
            raise

    def _make_environment(self, target: Path) -> None:
        run([sys.executable, "-I", "-m", "venv", "--without-pip", target / "environment"])
        (pip,) = (target / "wheels").glob("pip-*.whl")
        pinned = ["--find-links", target / "wheels", "--requirement", target / "requirements.txt"]
        # Debian's Python may come without pip and without ensurepip: it runs from its wheel.
        run([*python_of(target), pip / "pip", "install", *PIP, *pinned], named="pip")
        run([*python_of(target), "-c", TRY], named=target.name)

    # The one step

    def _switch(self, target: Path) -> None:
        """Make ``target`` current; on any failure the one before runs on as it was."""
        before, up = self._named("current"), self.manager.up
        if up:
            self._refuse_while_lit()  # making the environment took a while
            self.manager.call("stop", UNIT)
        try:
            self._place(target)
            if up:
                self.manager.start()
        except BaseException as error:
            if before is not None:
                self._back(before, up)
            raise InstallError(f"{target.name} is not in use: {error}") from error
        if before is not None and before != target:
            _link(self.opt / "previous", before.name)

    def _back(self, before: Path, up: bool) -> None:
        self._place(before)
        if up:
            self.manager.call("stop", UNIT)
            self.manager.call("start", UNIT)

    def _place(self, target: Path) -> None:
        """Point ``current`` at ``target``, and put its files where they take effect."""
        for name, place in THEIRS.items():
            if not os.path.lexists(self.root / place):
                _copy(target / "system" / name, self.root / place)
        _link(self.opt / "current", target.name)
        _link(self.root / COMMAND, str(self.opt / "current/environment/bin/playclock"))
        for name, place in OURS.items():
            _copy(target / "system" / name, self.root / place)
        os.sync()
        if self.root == Path("/"):
            _take_effect()
        self.manager.call("daemon-reload")

    def _named(self, link: str) -> Path | None:
        """The release that ``current`` or ``previous`` names."""
        with contextlib.suppress(OSError):
            return self.opt / (self.opt / link).readlink()
        return None

    def _remove_all_but(self, *links: str) -> None:
        kept = [self._named(link) for link in links]
        for path in self.opt.iterdir():
            if path.is_dir() and not path.is_symlink() and path not in kept:
                shutil.rmtree(path, ignore_errors=True)

    def _next_steps(self) -> str:
        ports = self.root / THEIRS["70-playclock-ports.rules"]
        check = f"sudo -u playclock playclock check --config {self.config}"
        start = f"systemctl enable --now {UNIT}"
        return f"Now:\n  write {self.config}\n  name the ports in {ports}\n  {check}\n  {start}"

    def _as_it_is(self) -> str:
        return "The service runs." if self.manager.up else "The service is stopped, as it was."


def _link(path: Path, points_at: str) -> None:
    """A link made or changed in one step."""
    new = _beside(path)
    new.symlink_to(points_at)
    new.replace(path)


def _copy(source: Path, path: Path) -> None:
    """A file put in its place in one step."""
    new = _beside(path)
    shutil.copyfile(source, new)
    new.replace(path)


def _beside(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    new = path.with_name(f".{path.name}.new")
    new.unlink(missing_ok=True)
    return new


def _take_effect() -> None:
    """Make the user and its folders, and let udev read the rules where it runs."""
    run(["systemd-sysusers", "playclock.conf"])
    run(["systemd-tmpfiles", "--create", "playclock.conf"])
    if Path("/run/udev/control").exists():
        run(["udevadm", "control", "--reload"])
        run(["udevadm", "trigger", "--subsystem-match=tty", "--subsystem-match=usb-serial"])


def python_of(target: Path) -> list[Path | str]:
    """A release's own Python, deaf to the user's settings."""
    return [target / "environment" / "bin" / "python", "-I"]
