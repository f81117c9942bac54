"""What the installer will not do: then everything stays as it was, and it says why."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from controller import VERSION
from tests.systemd.computer import Computer
from tests.systemd.releases import Releases

pytestmark = pytest.mark.full


@pytest.mark.parametrize(
    ("state", "said", "word"),
    [
        ("active", "boards lit", "boards lit"),
        ("active", "boards blank", "boards blank"),
        ("active", "", "no word"),
        ("activating", "boards off: by order", "activating"),
        ("deactivating", "", "deactivating"),
    ],
)
def test_boards_that_may_be_lit_are_left_alone(
    computer: Computer, releases: Releases, state: str, said: str, word: str
) -> None:
    computer.manager.stands(state, said)
    why = computer.refuses(releases.old / "install.py")
    assert word in why and "systemctl stop" in why
    assert computer.manager.calls() == []


def test_rolling_back_is_refused_while_boards_are_lit(
    computer: Computer, releases: Releases
) -> None:
    computer.install(releases.old)
    computer.install(releases.new)
    computer.manager.stands("active", "boards lit")
    assert "may be lit" in computer.refuses(computer.opt / "current/install.py", "rollback")
    assert "may be lit" in computer.refuses(computer.opt / "current/install.py", "uninstall")


def test_a_clock_that_was_started_by_hand_is_left_alone(
    computer: Computer, releases: Releases, tmp_path: Path
) -> None:
    computer.install(releases.old)
    folder = tmp_path / "run"
    folder.mkdir()
    text = computer.config.read_text()
    named = text.replace('#runtime_folder = "/run/playclock"', f'runtime_folder = "{folder}"')
    assert named != text
    computer.config.write_text(named)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert "by hand" in computer.refuses(releases.new / "install.py")
    computer.install(releases.new)


def test_a_configuration_that_the_new_release_does_not_take_stops_the_upgrade(
    computer: Computer, releases: Releases
) -> None:
    computer.install(releases.old)
    computer.config.write_text(computer.config.read_text() + '\nbrightnes = "full"\n')
    computer.manager.stands("active", "boards off: by order")
    computer.manager.calls()
    refused = computer.call(releases.new / "install.py", "install")
    assert refused.returncode == 1 and "brightnes" in refused.stderr
    assert computer.version == VERSION and computer.manager.calls() == []
    computer.manager.stands("inactive")
    warned = computer.call(releases.new / "install.py", "install")
    assert warned.returncode == 0 and "take care" in warned.stderr


@pytest.mark.parametrize("name", ["requirements.txt", "system/playclock.service"])
def test_a_damaged_release_is_refused(
    computer: Computer, releases: Releases, tmp_path: Path, name: str
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(releases.old, copy)
    (copy / name).write_bytes((copy / name).read_bytes()[:-1])
    assert f"{copy / name}: missing or damaged" in computer.refuses(copy / "install.py")
    (copy / name).unlink()
    assert f"{copy / name}: missing or damaged" in computer.refuses(copy / "install.py")
    (copy / "SHA256SUMS").write_bytes(b"\xff no checksums\n")
    assert "missing or damaged" in computer.refuses(copy / "install.py")


def test_a_wheel_that_is_not_the_locked_one_is_not_installed(
    computer: Computer, releases: Releases, tmp_path: Path
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(releases.old, copy)
    lock = copy / "requirements.txt"
    lock.write_text(lock.read_text().replace("sha256:c", "sha256:d"))
    sums = subprocess.run(
        ["sh", "-c", "rm SHA256SUMS && find . -type f -printf '%P\\0' | xargs -0 sha256sum"],
        cwd=copy,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    (copy / "SHA256SUMS").write_text(sums)
    refused = computer.call(copy / "install.py", "install")
    assert refused.returncode == 1 and "do not match" in refused.stderr.lower()
    assert list(computer.opt.iterdir()) == [], "nothing half made is left"


def test_a_folder_that_is_no_release(computer: Computer, tmp_path: Path) -> None:
    for name in ("install.py", "installation.py", "service_manager.py"):
        shutil.copyfile(Path(__file__).parents[2] / "systemd" / name, tmp_path / name)
    assert "no release" in computer.refuses(tmp_path / "install.py")


def test_two_installers_at_once(computer: Computer, releases: Releases) -> None:
    computer.install(releases.old)
    with (computer.root / "run" / "playclock-install.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert "another installation" in computer.refuses(releases.new / "install.py")


def test_nothing_to_roll_back_to(computer: Computer, releases: Releases) -> None:
    computer.install(releases.old)
    why = computer.refuses(computer.opt / "current" / "install.py", "rollback")
    assert "no previous release" in why


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a small disk")
def test_a_full_disk_is_said_before_anything_is_written(
    computer: Computer, releases: Releases
) -> None:
    computer.opt.mkdir(parents=True)
    install = [sys.executable, str(releases.old / "install.py"), "install"]
    small = 'mount -t tmpfs -o size=8m tmpfs "$1" && shift && "$@"'
    mounted = ["unshare", "--mount", "sh", "-c", small, "sh", str(computer.opt)]
    done = subprocess.run(
        [*mounted, *install, "--root", str(computer.root)],
        capture_output=True,
        text=True,
        check=False,
    )
    if "mount" in done.stderr or "unshare" in done.stderr:
        pytest.skip(f"no mount of one's own here: {done.stderr}")
    assert done.returncode == 1
    assert "MB free, 16 MB are needed" in done.stderr


def test_without_root_it_says_so(releases: Releases) -> None:
    command = [sys.executable, str(releases.old / "install.py"), "install"]
    if os.geteuid() == 0:
        command = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", *command]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd="/")
    assert done.returncode != 0
    if "Permission denied" not in done.stderr:  # the checkout may be closed to others
        assert "sudo python3 install.py" in done.stderr
