"""The installer's command line: from the folder of a release, and from the one in use."""

from __future__ import annotations

import errno
import fcntl
import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller import VERSION
from tests.shared import scripts
from tests.systemd.computer import Computer, service_manager
from tests.systemd.releases import Releases, digest, relist, small

install = scripts.load("systemd/install.py")


@pytest.mark.full
@pytest.mark.needs_ssh
def test_a_release_installs_checks_the_next_one_itself_and_goes_away(
    computer: Computer, releases: Releases
) -> None:
    typed = digest(releases.old)[:20]
    done = computer.call(releases.old / "install.py", "install", "--digest", typed)
    assert (done.returncode, done.stderr) == (0, "")
    assert "systemctl enable --now playclock" in done.stdout
    current = computer.opt / "current" / "install.py"
    assert oct(current.stat().st_mode & 0o777) == "0o644"
    back = computer.call(current, "rollback")
    assert (back.returncode, back.stdout) == (1, "")
    assert "no previous release" in back.stderr and "Traceback" not in back.stderr

    before = computer.tree()
    own = computer.call(releases.new / "install.py", "install")
    assert own.returncode == 1 and computer.tree() == before
    assert own.stderr.endswith(f"sudo python3 -I {current} install {releases.new}\n")
    done = computer.call(current, "install", releases.new)
    assert (done.returncode, done.stderr) == (0, ""), "signed by whom the old one trusts"
    assert computer.version == "99.1" and computer.releases() == {VERSION, "99.1"}
    back = computer.call(current, "rollback")
    assert (back.returncode, back.stderr, computer.version) == (0, "", VERSION)

    gone = computer.call(current, "uninstall")
    assert (gone.returncode, gone.stderr) == (0, "")
    assert "The program is gone." in gone.stdout and not computer.opt.exists()


RAN = 'import pathlib\npathlib.Path(__file__).with_name("ran").touch()\n'
"""What must not be run says that it was."""


def no_code_ran(folder: Path) -> bool:
    return not list(folder.rglob("ran"))


@pytest.mark.full
@pytest.mark.parametrize("name", ["argparse", "sitecustomize", "__future__", "os", "venv"])
def test_what_lies_beside_the_installer_is_refused_and_never_run(
    computer: Computer, tmp_path: Path, name: str
) -> None:
    stick = small(tmp_path / "stick")
    (stick / f"{name}.py").write_text(RAN)
    done = computer.call(stick / "install.py", "install", "--digest", digest(stick))
    said = f"install: {stick / name}.py: not listed in SHA256SUMS; copy the release again\n"
    assert (done.returncode, done.stdout, done.stderr) == (1, "", said)
    assert computer.tree() == {} and no_code_ran(stick)


@pytest.mark.full
def test_a_damaged_part_of_the_installer_is_not_run(computer: Computer, tmp_path: Path) -> None:
    stick = small(tmp_path / "stick")
    (stick / "release.py").write_text(RAN)
    done = computer.call(stick / "install.py", "install", "--digest", digest(stick))
    listed = f"not as {stick / 'SHA256SUMS'} lists it"
    said = f"install: {stick / 'release.py'}: {listed}; copy the release again\n"
    assert (done.returncode, done.stdout, done.stderr) == (1, "", said)
    assert computer.tree() == {} and no_code_ran(stick)


@pytest.mark.full
def test_nothing_of_a_stick_is_run_by_the_release_in_use_before_it_is_known_whose_it_is(
    computer: Computer, tmp_path: Path
) -> None:
    """What is brought in by its digest runs from a copy that only root can change."""
    small(computer.opt / "0.1.0-12345678")
    (computer.opt / "current").symlink_to("0.1.0-12345678")
    current, stick = computer.opt / "current" / "install.py", small(tmp_path / "stick", "0.2.0")
    (stick / "install.py").write_text(RAN)
    relist(stick)
    before = computer.tree()
    done = computer.call(current, "install", stick)
    assert (done.returncode, done.stdout) == (1, "")
    said = f"install: {stick}: not signed; give the digest that its maker reads out to you"
    assert done.stderr == f"{said}, with --digest\n"
    assert computer.tree() == before and no_code_ran(computer.root.parent)
    done = computer.call(current, "install", stick, "--digest", digest(stick))
    assert done.returncode == 0 and computer.tree() == before
    assert no_code_ran(stick), "the copy ran, and is gone"
    done = computer.call(current, "install")
    assert done.stderr == "install: name the folder of the release to install\n"


class Called:
    """The command line, called in this process as ``install.py`` of ``folder``."""

    def __init__(self, computer: Computer, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self._patch = patch
        self._where = ["--root", str(computer.root), "--systemctl", str(computer.manager.program)]
        patch.setattr(install, "__file__", str(folder / "install.py"))

    def __call__(self, *words: str) -> int:
        self._patch.setattr(sys, "argv", ["install.py", *words, *self._where])
        return int(install.main())


@pytest.fixture
def called(computer: Computer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Called:
    return Called(computer, tmp_path, monkeypatch)


def test_a_release_in_use_knows_its_own_folder_behind_a_link(tmp_path: Path) -> None:
    (tmp_path / "disk" / "playclock" / "0.1.0-12345678").mkdir(parents=True)
    (tmp_path / "opt").symlink_to("disk")
    opt = tmp_path / "opt" / "playclock"
    (opt / "current").symlink_to("0.1.0-12345678")
    (opt / "current" / "install.py").touch()
    install.check_who_installs((opt / "current").resolve(), opt)
    with pytest.raises(service_manager.InstallError, match=f"install {tmp_path}$"):
        install.check_who_installs(tmp_path, opt)


def test_a_person_at_a_terminal_is_asked_for_the_digest(
    computer: Computer,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    called = Called(computer, small(tmp_path / "stick"), monkeypatch)
    asked: list[str] = []

    def answer(words: str) -> str:
        asked.append(words)
        return "1" * 20

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    monkeypatch.setattr("builtins.input", answer)
    assert called("install") == 1
    assert f'does not begin with "{"1" * 20}"; do not install it' in capsys.readouterr().err
    assert asked == ["Its digest, as its maker reads it out, 5 groups of four or more: "]
    assert computer.tree() == {}


def test_a_folder_that_is_no_release(
    called: Called, computer: Computer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert called("install") == 1
    assert f"install: {tmp_path}: no release: " in capsys.readouterr().err
    assert computer.tree() == {}


def test_two_installers_at_once(
    called: Called, computer: Computer, capsys: pytest.CaptureFixture[str]
) -> None:
    assert called("uninstall") == 0
    with (computer.root / "run" / "playclock-install.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert called("install") == 1
    assert "install: another installation is going on" in capsys.readouterr().err


def test_an_error_of_the_system_is_told_and_not_shown_as_a_trace(
    called: Called, computer: Computer, capsys: pytest.CaptureFixture[str]
) -> None:
    (computer.root / "run").write_text("a file where a folder should be")
    assert called("install") == 1
    assert capsys.readouterr().err == f"install: {computer.root / 'run'}: File exists\n"


@pytest.mark.parametrize(
    ("code", "said"),
    [
        (errno.EROFS, "/opt: read-only; first: mount -o remount,rw /"),
        (errno.ENOSPC, "/opt: the disk is full"),
        (errno.EACCES, "/opt: Permission denied"),
    ],
)
def test_what_an_error_of_the_system_means(code: int, said: str) -> None:
    assert install.plain(OSError(code, os.strerror(code), "/opt")) == said


def test_a_mistake_in_the_command_line(called: Called) -> None:
    for words in (["upgrade"], ["rollback", "/media"], ["rollback", "--digest", "1234"]):
        with pytest.raises(SystemExit) as ended:
            called(*words)
        assert ended.value.code == 2


@pytest.mark.parametrize(
    ("patched", "value", "said"),
    [
        ("OLDEST_PYTHON", (99, 1), "99.1 or newer is needed"),
        ("os.geteuid", lambda: 1000, "run it as root"),
        ("shutil.which", lambda _: None, "does not run systemd"),
        ("sys.executable", str(Path("/", "root", "python")), "the service cannot see "),
        ("sys.modules", {"venv": None}, "this Python is incomplete"),
    ],
)
def test_a_computer_that_cannot_take_an_installation_says_why(
    monkeypatch: pytest.MonkeyPatch, patched: str, value: object, said: str
) -> None:
    monkeypatch.setattr(install.os, "geteuid", lambda: 0)
    monkeypatch.setattr(install.shutil, "which", lambda _: "/usr/bin/it")
    monkeypatch.setattr(install.sys, "executable", "/usr/bin/python3")
    if isinstance(value, dict):
        for name, module in value.items():
            monkeypatch.setitem(sys.modules, name, module)
    else:
        owner, _, name = patched.rpartition(".")
        monkeypatch.setattr(getattr(install, owner) if owner else install, name, value)
    with pytest.raises(service_manager.InstallError, match=said):
        install.check_machine(Path("/"))


@pytest.mark.full
@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a small disk")
def test_a_full_disk_is_said_before_anything_is_written(
    computer: Computer, releases: Releases
) -> None:
    computer.opt.mkdir(parents=True)
    install = [sys.executable, str(releases.old / "install.py"), "install"]
    install += ["--digest", digest(releases.old)]
    mount = 'mount -t tmpfs -o size=8m tmpfs "$1" && shift && "$@"'
    mounted = ["unshare", "--mount", "sh", "-c", mount, "sh", str(computer.opt)]
    done = subprocess.run(
        [*mounted, *install, "--root", str(computer.root)],
        capture_output=True,
        text=True,
        check=False,
    )
    if "mount" in done.stderr or "unshare" in done.stderr:
        pytest.skip(f"no mount of one's own here: {done.stderr}")
    assert done.returncode == 1
    assert "MB free, 24 MB are needed" in done.stderr


@pytest.mark.full
def test_without_root_it_says_so(releases: Releases) -> None:
    command = [sys.executable, str(releases.old / "install.py"), "install"]
    if os.geteuid() == 0:
        command = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", *command]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd="/")
    assert done.returncode != 0
    if "Permission denied" not in done.stderr:  # the checkout may be closed to others
        assert "sudo python3 -I install.py" in done.stderr
