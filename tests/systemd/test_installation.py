"""What an installation does, with a stand-in for the service manager, and what it will not do: then
everything stays as it was, and it says why."""

from __future__ import annotations

import fcntl
import shutil
from pathlib import Path

import pytest

from controller import VERSION
from tests.systemd.computer import PORTS, RULES, UNIT, Computer, service_manager
from tests.systemd.releases import Releases, digest, small

pytestmark = pytest.mark.full


@pytest.fixture
def installed(computer: Computer, releases: Releases) -> Computer:
    """A computer with the old release on it, whose service manager was asked nothing since."""
    computer.install(releases.old)
    computer.manager.calls()
    return computer


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
    (packages,) = computer.opt.glob("current/environment/lib/python*/site-packages")
    names = {path.name for path in packages.iterdir() if not path.name.endswith(".dist-info")}
    assert names == {"controller", "drivers", "pymodbus", "serial"}, "the locked, no installer"


def test_installing_again_changes_nothing_and_there_is_nothing_to_roll_back_to(
    installed: Computer, releases: Releases
) -> None:
    before = installed.tree()
    assert "installed already" in installed.install(releases.old)
    assert installed.tree() == before
    assert "no previous release" in installed.refuses(installed.installation.rollback)


def test_an_upgrade_and_back_again(installed: Computer, releases: Releases) -> None:
    installed.config.write_text(installed.config.read_text() + "# Fairview Field\n")
    (installed.root / PORTS).write_text("# ours\n")
    (installed.root / "etc/systemd/system").mkdir(parents=True)
    installed.manager.stands("active", "boards off: by order")

    assert "is installed. The service runs." in installed.install(releases.new)
    assert installed.version == "99.1"
    assert installed.manager.calls() == ["stop", "daemon-reload", "start"]
    assert installed.releases() == {VERSION, "99.1"}

    installed.manager.stands("active", "boards off: by order")
    installed.installation.rollback()
    assert installed.version == VERSION
    assert installed.manager.state == "active"

    installed.manager.stands("inactive")
    assert "stopped, as it was" in installed.installation.rollback()
    assert installed.version == "99.1"
    assert installed.manager.state == "inactive"

    assert installed.config.read_text().endswith("# Fairview Field\n")
    assert (installed.root / PORTS).read_text() == "# ours\n"


def test_only_the_previous_release_is_kept(computer: Computer, releases: Releases) -> None:
    for release in (releases.old, releases.new, releases.broken):
        computer.install(release)
    assert computer.releases() == {"99.1", "99.2"}


def test_a_release_that_does_not_start_gives_way_to_the_one_before(
    installed: Computer, releases: Releases
) -> None:
    installed.manager.stands("active", "boards off: by order")
    with pytest.raises(service_manager.InstallError, match=r"99\.2.* is not in use: "):
        installed.install(releases.broken)
    assert installed.version == VERSION and installed.manager.state == "active"
    calls = ["stop", "daemon-reload", "start", "daemon-reload", "stop", "start"]
    assert installed.manager.calls() == calls
    assert not (installed.opt / "previous").exists()
    unit = (releases.old / "system" / "playclock.service").read_text()
    assert (installed.root / UNIT).read_text() == unit


def test_what_a_power_cut_left_half_made_is_made_again(
    installed: Computer, releases: Releases
) -> None:
    installed.install(releases.new)
    (cut,) = installed.opt.glob("99.1-*")
    shutil.rmtree(cut / "environment" / "lib")
    (cut / "complete").unlink()
    installed.install(releases.new)
    assert installed.version == "99.1"


def test_an_environment_whose_python_is_gone_is_made_again(
    installed: Computer, releases: Releases
) -> None:
    (library,) = installed.opt.glob("current/environment/lib/python*")
    library.rename(library.with_name("python3.9"))  # as after an upgrade of the system
    assert "installed already" in installed.install(releases.old)
    assert installed.version == VERSION


def test_uninstalling_leaves_the_site_its_own(installed: Computer) -> None:
    installed.installation.uninstall()
    assert installed.manager.calls() == ["disable", "daemon-reload"]
    assert set(installed.tree()) == {
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
    why = computer.refuses(computer.installation.install, releases.old, digest(releases.old))
    assert word in why and "systemctl stop" in why
    assert computer.manager.calls() == []


def test_rolling_back_is_refused_while_boards_are_lit(
    installed: Computer, releases: Releases
) -> None:
    installed.install(releases.new)
    installed.manager.stands("active", "boards lit")
    assert "may be lit" in installed.refuses(installed.installation.rollback)
    assert "may be lit" in installed.refuses(installed.installation.uninstall)


def test_a_clock_that_was_started_by_hand_is_left_alone(
    installed: Computer, releases: Releases, tmp_path: Path
) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    text = installed.config.read_text()
    named = text.replace('#runtime_folder = "/run/playclock"', f'runtime_folder = "{folder}"')
    assert named != text
    installed.config.write_text(named)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert "by hand" in installed.refuses(
            installed.installation.install, releases.new, digest(releases.new)
        )
    installed.install(releases.new)


def test_a_configuration_that_the_new_release_does_not_take_stops_the_upgrade(
    installed: Computer, releases: Releases, capsys: pytest.CaptureFixture[str]
) -> None:
    installed.config.write_text(installed.config.read_text() + '\nbrightnes = "full"\n')
    installed.manager.stands("active", "boards off: by order")
    with pytest.raises(service_manager.InstallError, match="brightnes"):
        installed.install(releases.new)
    assert installed.version == VERSION and installed.manager.calls() == []
    installed.manager.stands("inactive")
    installed.install(releases.new)
    assert "take care" in capsys.readouterr().err


def test_a_release_that_cannot_be_made_leaves_nothing_behind(
    computer: Computer, tmp_path: Path
) -> None:
    stick = small(tmp_path / "stick")  # its wheel of pip is none
    with pytest.raises(service_manager.InstallError, match="pip: "):
        computer.install(stick)
    assert list(computer.opt.iterdir()) == [], "nothing half made is left"


def test_a_harmed_release_changes_nothing(installed: Computer, tmp_path: Path) -> None:
    stick = small(tmp_path / "stick", "99.1")
    (stick / "argparse.py").touch()
    install = installed.installation.install
    assert "not listed" in installed.refuses(install, stick, digest(stick))
    (stick / "argparse.py").unlink()
    assert "not signed" in installed.refuses(install, stick)
    assert installed.manager.calls() == []
