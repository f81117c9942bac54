"""The installer at its work, with a stand-in for the service manager."""

from __future__ import annotations

import shutil

import pytest

from controller import VERSION
from tests.systemd.computer import PORTS, RULES, UNIT, Computer
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
    assert oct((computer.opt / "current/install.py").stat().st_mode & 0o777) == "0o644"


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
    back = computer.rollback()
    assert (back.returncode, back.stderr) == (0, "")
    assert computer.version == VERSION
    assert computer.manager.state == "active"

    computer.manager.stands("inactive")
    forward = computer.rollback()
    assert "stopped, as it was" in forward.stdout and computer.version == "99.1"
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
    broken = computer.call(releases.broken / "install.py", "install")
    assert broken.returncode == 1
    assert "99.2" in broken.stderr and "is not in use: " in broken.stderr
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
    done = computer.call(computer.opt / "current" / "install.py", "uninstall")
    assert (done.returncode, done.stderr) == (0, "")
    assert computer.manager.calls() == ["disable", "daemon-reload"]
    assert set(computer.tree()) == {
        "etc/playclock/playclock.toml",
        PORTS,
    }
