"""What an installation does, with a stand-in for the service manager, and what it will not do: then
everything stays as it was, and it says why."""

from __future__ import annotations

import fcntl
import shutil
import subprocess
from pathlib import Path

import pytest

from controller import VERSION
from tests.systemd.computer import PORTS, RULES, UNIT, Computer, service_manager
from tests.systemd.releases import Releases

pytestmark = pytest.mark.full


def test_a_first_installation_waits_for_its_configuration(
    computer: Computer, releases: Releases
) -> None:
    said = computer.install(releases.old)
    assert str(computer.config) in said and "systemctl enable --now playclock" in said
    system = releases.old / "system"
    assert (computer.root / UNIT).read_text() == (system / "playclock.service").read_text()
    assert (computer.root / RULES).read_text() == (system / "71-playclock.rules").read_text()
    assert computer.config.read_text() == (system / "playclock.example.toml").read_text()
    assert computer.version == VERSION
    assert computer.manager.calls() == ["daemon-reload"], "it starts nothing"


def test_the_environment_holds_the_locked_wheels_and_no_installer(
    computer: Computer, releases: Releases
) -> None:
    computer.install(releases.old)
    (packages,) = computer.opt.glob("current/environment/lib/python*/site-packages")
    names = {path.name for path in packages.iterdir() if not path.name.endswith(".dist-info")}
    assert names == {"controller", "drivers", "pymodbus", "serial"}


def test_installing_again_changes_nothing(computer: Computer, releases: Releases) -> None:
    computer.install(releases.old)
    before = computer.tree()
    assert "installed already" in computer.install(releases.old)
    assert computer.tree() == before


def test_an_upgrade_and_back_again(computer: Computer, releases: Releases) -> None:
    computer.install(releases.old)
    computer.config.write_text(computer.config.read_text() + "# Fairview Field\n")
    (computer.root / PORTS).write_text("# ours\n")
    (computer.root / "etc/systemd/system").mkdir(parents=True)
    computer.manager.stands("active", "boards off: by order")
    computer.manager.calls()

    assert "is installed. The service runs." in computer.install(releases.new)
    assert computer.version == "99.1"
    assert computer.manager.calls() == ["stop", "daemon-reload", "start"]
    assert computer.releases() == {VERSION, "99.1"}

    computer.manager.stands("active", "boards off: by order")
    computer.installation.rollback()
    assert computer.version == VERSION
    assert computer.manager.state == "active"

    computer.manager.stands("inactive")
    assert "stopped, as it was" in computer.installation.rollback()
    assert computer.version == "99.1"
    assert computer.manager.state == "inactive"

    assert computer.config.read_text().endswith("# Fairview Field\n")
    assert (computer.root / PORTS).read_text() == "# ours\n"


def test_only_the_previous_release_is_kept(computer: Computer, releases: Releases) -> None:
    for release in (releases.old, releases.new, releases.broken):
        computer.install(release)
    assert computer.releases() == {"99.1", "99.2"}


def test_a_release_that_does_not_start_gives_way_to_the_one_before(
    computer: Computer, releases: Releases
) -> None:
    computer.install(releases.old)
    computer.manager.stands("active", "boards off: by order")
    computer.manager.calls()
    with pytest.raises(service_manager.InstallError, match=r"99\.2.* is not in use: "):
        computer.install(releases.broken)
    assert computer.version == VERSION and computer.manager.state == "active"
    calls = ["stop", "daemon-reload", "start", "daemon-reload", "stop", "start"]
    assert computer.manager.calls() == calls
    assert not (computer.opt / "previous").exists()
    unit = (releases.old / "system" / "playclock.service").read_text()
    assert (computer.root / UNIT).read_text() == unit


def test_what_a_power_cut_left_half_made_is_made_again(
    computer: Computer, releases: Releases
) -> None:
    computer.install(releases.old)
    computer.install(releases.new)
    (cut,) = computer.opt.glob("99.1-*")
    shutil.rmtree(cut / "environment" / "lib")
    (cut / "complete").unlink()
    computer.install(releases.new)
    assert computer.version == "99.1"


def test_an_environment_whose_python_is_gone_is_made_again(
    computer: Computer, releases: Releases
) -> None:
    computer.install(releases.old)
    (library,) = computer.opt.glob("current/environment/lib/python*")
    library.rename(library.with_name("python3.9"))  # as after an upgrade of the system
    assert "installed already" in computer.install(releases.old)
    assert computer.version == VERSION


def test_uninstalling_leaves_the_site_its_own(computer: Computer, releases: Releases) -> None:
    computer.install(releases.old)
    computer.manager.calls()
    computer.installation.uninstall()
    assert computer.manager.calls() == ["disable", "daemon-reload"]
    assert set(computer.tree()) == {
        "etc/playclock/playclock.toml",
        PORTS,
    }


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
    why = computer.refuses(computer.installation.install, releases.old)
    assert word in why and "systemctl stop" in why
    assert computer.manager.calls() == []


def test_rolling_back_is_refused_while_boards_are_lit(
    computer: Computer, releases: Releases
) -> None:
    computer.install(releases.old)
    computer.install(releases.new)
    computer.manager.stands("active", "boards lit")
    assert "may be lit" in computer.refuses(computer.installation.rollback)
    assert "may be lit" in computer.refuses(computer.installation.uninstall)


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
        assert "by hand" in computer.refuses(computer.installation.install, releases.new)
    computer.install(releases.new)


def test_a_configuration_that_the_new_release_does_not_take_stops_the_upgrade(
    computer: Computer, releases: Releases, capsys: pytest.CaptureFixture[str]
) -> None:
    computer.install(releases.old)
    computer.config.write_text(computer.config.read_text() + '\nbrightnes = "full"\n')
    computer.manager.stands("active", "boards off: by order")
    computer.manager.calls()
    with pytest.raises(service_manager.InstallError, match="brightnes"):
        computer.install(releases.new)
    assert computer.version == VERSION and computer.manager.calls() == []
    computer.manager.stands("inactive")
    computer.install(releases.new)
    assert "take care" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["requirements.txt", "system/playclock.service"])
def test_a_damaged_release_is_refused(
    computer: Computer, releases: Releases, tmp_path: Path, name: str
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(releases.old, copy)
    (copy / name).write_bytes((copy / name).read_bytes()[:-1])
    assert f"{copy / name}: missing or damaged" in computer.refuses(
        computer.installation.install, copy
    )
    (copy / name).unlink()
    assert f"{copy / name}: missing or damaged" in computer.refuses(
        computer.installation.install, copy
    )
    (copy / "SHA256SUMS").write_bytes(b"\xff no checksums\n")
    assert "missing or damaged" in computer.refuses(computer.installation.install, copy)


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
    with pytest.raises(service_manager.InstallError, match=r"(?i)do not match"):
        computer.install(copy)
    assert list(computer.opt.iterdir()) == [], "nothing half made is left"


def test_nothing_to_roll_back_to(computer: Computer, releases: Releases) -> None:
    computer.install(releases.old)
    why = computer.refuses(computer.installation.rollback)
    assert "no previous release" in why
