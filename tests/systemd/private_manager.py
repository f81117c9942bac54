"""A real service manager for one test, in name spaces of its own: the machine notices nothing.

systemd runs as process 1 of a process-id name space, on the machine's own files with throw-away
layers over /etc, /opt, /var and /usr/local. It knows the units of the installation and the bare
targets, so nothing of the machine's own is started. No journal runs: logs go nowhere unless a
drop-in sends them to a file.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

SYSTEMD = Path("/lib/systemd/systemd")
PYTHON = Path("/usr/bin/python3")
"""The system's: the sandbox hides one that lies in a home folder."""
TARGETS = "basic sysinit shutdown multi-user umount final local-fs timers paths sockets slices"
UP_WITHIN_S = 20

BEGIN = """\
set -e
mount -t tmpfs tmpfs "$1"
for folder in etc opt var usr/local; do
    mkdir -p "$1/$folder/upper" "$1/$folder/work"
    options="lowerdir=/$folder,upperdir=$1/$folder/upper,workdir=$1/$folder/work"
    mount -t overlay -o "$options" overlay "/$folder"
done
mount -t proc proc /proc
mount -t tmpfs -o mode=755 tmpfs /run
mount -t sysfs sysfs /sys
mount -t cgroup2 cgroup2 /sys/fs/cgroup
rm -rf /etc/systemd/system
mkdir -p /etc/systemd/system /run/targets
for name in $2; do ln -s "/lib/systemd/system/$name.target" /run/targets; done
export SYSTEMD_UNIT_PATH=/etc/systemd/system:/usr/local/lib/systemd/system:/run/targets
export container=test
exec /lib/systemd/systemd --system --unit=multi-user.target --log-target=console
"""
SPACES = ("mount", "pid", "ipc", "uts", "net", "cgroup")


def cannot_run() -> str:
    """Why no manager can run here; empty when one may."""
    if os.geteuid() != 0:
        return "only root may make name spaces for a service manager"
    if not SYSTEMD.exists() or shutil.which("unshare") is None:
        return "systemd and unshare are needed"
    newer = "import sys; sys.exit(sys.version_info < (3, 11))"
    if not PYTHON.exists() or subprocess.call([PYTHON, "-c", newer]) != 0:
        return f"{PYTHON} is missing or too old"
    return "" if _cgroup2() is not None else "no cgroup2 file system is mounted"


def _cgroup2() -> Path | None:
    for line in Path("/proc/self/mounts").read_text().splitlines():
        _, place, kind, options, *_ = line.split()
        if kind == "cgroup2" and "rw" in options.split(","):
            return Path(place)
    return None


class PrivateManager:
    """The manager. Use it in a ``with`` statement; ``folder`` is for its throw-away layers."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._log = folder.with_suffix(".log")
        self._init = 0

    def __enter__(self) -> PrivateManager:
        self._folder.mkdir()
        top = _cgroup2()
        assert top is not None
        self._cgroup = top / f"playclock-test-{os.getpid()}"
        try:
            self._cgroup.mkdir(exist_ok=True)
            procs = self._cgroup / "cgroup.procs"
            spaces = [f"--{each}" for each in SPACES]
            enter = ["sh", "-c", f'echo $$ > "{procs}" && exec "$@"', "sh", "unshare", *spaces]
            begin = ["--fork", "--kill-child", "--propagation=private", "sh", "-c", BEGIN, "sh"]
            with self._log.open("wb") as log:
                self._unshare = subprocess.Popen(
                    [*enter, *begin, str(self._folder), TARGETS], stdout=log, stderr=log
                )
            self._wait()
        except OSError as error:
            pytest.skip(f"no service manager can run here: {error}")
        return self

    def _wait(self) -> None:
        children = Path(f"/proc/{self._unshare.pid}/task/{self._unshare.pid}/children")
        until = time.monotonic() + UP_WITHIN_S
        while time.monotonic() < until:
            if self._unshare.poll() is not None:
                self.__exit__()
                pytest.skip(f"no service manager can run here: {self._log.read_text()}")
            with contextlib.suppress(IndexError, AssertionError):
                self._init = int(children.read_text().split()[0])
                if self.run("systemctl", "is-system-running").strip() == "running":
                    return
            time.sleep(0.05)
        self.__exit__()
        pytest.fail(f"the service manager did not come up: {self._log.read_text()}")

    def __exit__(self, *_: object) -> None:
        if self._init:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._init, signal.SIGKILL)  # and with it all of its process ids
        self._unshare.kill()
        self._unshare.wait()
        for _attempt in range(100):  # the kernel takes a moment to empty them
            try:
                for path in [*sorted(self._cgroup.rglob("*/"), reverse=True), self._cgroup]:
                    path.rmdir()
                return
            except OSError:
                time.sleep(0.02)

    def call(self, *command: str | Path) -> subprocess.CompletedProcess[str]:
        """Run a program beside the manager."""
        spaces = [f"--{each}" for each in SPACES]
        return subprocess.run(
            ["nsenter", f"--target={self._init}", *spaces, "--", *command],
            capture_output=True,
            text=True,
            check=False,
        )

    def run(self, *command: str | Path) -> str:
        """The same, for what must succeed; gives what it printed."""
        done = self.call(*command)
        log = self._log.read_text(errors="replace")[-2000:]
        assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}\n{log}"
        return done.stdout

    def write(self, path: str, text: str) -> None:
        """Write a file where the manager sees it."""
        outside = Path(f"/proc/{self._init}/root{path}")
        outside.parent.mkdir(parents=True, exist_ok=True)
        outside.write_text(text)

    def read(self, path: str) -> str:
        """Read a file that the manager sees."""
        return Path(f"/proc/{self._init}/root{path}").read_text()

    def shown(self, *properties: str) -> dict[str, str]:
        """Properties of the play clock's unit."""
        asked = ",".join(properties)
        said = self.run("systemctl", "show", "playclock", f"--property={asked}")
        return dict(line.split("=", 1) for line in said.splitlines())

    @property
    def main_pid(self) -> int:
        """The service's process, by the number that this process knows it by."""
        inside = self.shown("MainPID")["MainPID"]
        for status in Path("/proc").glob("[0-9]*/status"):
            with contextlib.suppress(OSError):
                found = [each for each in status.read_text().splitlines() if "NSpid" in each]
                numbers = found[0].split()[1:]
                if len(numbers) > 1 and numbers[1] == inside and self._ours(status.parent):
                    return int(numbers[0])
        raise AssertionError(f"no process {inside} of the manager")

    def _ours(self, process: Path) -> bool:
        return (process / "ns/pid").readlink() == Path(f"/proc/{self._init}/ns/pid").readlink()
