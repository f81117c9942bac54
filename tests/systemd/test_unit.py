"""The unit: as systemd reads it, how much it leaves open, and that it agrees with the program."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from controller.config.load import load_config
from controller.outcome import MISTAKE

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "systemd" / "playclock.service"
PYTHON = "/opt/playclock/current/environment/bin/python"
EXPOSURE = 1.6


def setting(name: str) -> str:
    """The one value of a setting."""
    (value,) = re.findall(rf"^{name}=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE)
    return str(value)


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with a Python that is there: ``verify`` looks for the program."""
    path = tmp_path / UNIT.name
    python = tmp_path / "python"  # the checkout's path may hold a space
    python.symlink_to(sys.executable)
    path.write_text(UNIT.read_text("utf-8").replace(PYTHON, str(python)))
    return path


def analyzed(*arguments: str | Path) -> tuple[int, str]:
    """What systemd finds in a unit: exit code and words."""
    command = ["systemd-analyze", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


def verified(unit: Path) -> tuple[int, str]:
    return analyzed("verify", "--recursive-errors=no", unit)


def exposure(unit: Path) -> float:
    """How much is left open, on systemd's scale of 10."""
    code, said = analyzed("security", "--offline=true", f"--threshold={EXPOSURE * 10:.0f}", unit)
    assert code == 0, said
    found = re.search(r"Overall exposure level for playclock.service: ([0-9.]+)", said)
    assert found is not None
    return float(found[1])


@pytest.mark.needs_systemd
def test_systemd_finds_nothing_to_complain_about_and_little_left_open(unit: Path) -> None:
    assert verified(unit) == (0, "")
    assert exposure(unit) <= EXPOSURE


@pytest.mark.needs_systemd
@pytest.mark.parametrize("line", ["ProtectSytem=strict", "WatchdogSec=soon"])
def test_a_slip_in_the_unit_would_be_found(unit: Path, line: str) -> None:
    unit.write_text(unit.read_text().replace("NotifyAccess=", f"{line}\nNotifyAccess="))
    assert verified(unit)[0] == 1


DROP_INS = sorted((ROOT / "systemd").glob("playclock-*.conf"))


@pytest.mark.needs_systemd
def test_what_the_drop_ins_open_is_understood_and_stays_little(unit: Path) -> None:
    folder = unit.with_name(f"{unit.name}.d")
    folder.mkdir()
    for each in DROP_INS:
        (folder / each.name).write_text(each.read_text("utf-8"))
    assert verified(unit) == (0, "")
    # ``security`` reads no drop-ins of a file: what they say goes into the unit itself.
    unit.write_text("\n".join(path.read_text("utf-8") for path in (unit, *DROP_INS)))
    assert exposure(unit) <= EXPOSURE


def test_pins_and_key_devices_are_closed_without_their_drop_ins() -> None:
    settings = [line for line in UNIT.read_text("utf-8").splitlines() if line[:1] not in ("#", "")]
    groups = [line for line in settings if line.startswith("SupplementaryGroups=")]
    assert groups == ["SupplementaryGroups=dialout"]
    opened = {line.partition("=")[2] for line in settings if line.startswith("DeviceAllow=")}
    assert opened == {f"char-{major} rw" for major in (4, 166, 188, 204)}
    asked = "".join(path.read_text("utf-8") for path in DROP_INS)
    assert "DeviceAllow=char-13 rw\n" in asked and "DeviceAllow=char-gpiochip rw\n" in asked


def test_it_agrees_with_the_program() -> None:
    config = load_config(ROOT / "systemd" / "playclock.example.toml")
    assert setting("RestartPreventExitStatus") == str(MISTAKE)
    assert config.state_folder == Path("/var/lib") / setting("StateDirectory")
    assert Path("/run") / setting("RuntimeDirectory") == Path("/run/playclock")
    assert setting("ExecStart").startswith(f"{PYTHON} -I ")
    assert setting("ExecStart").endswith("--config /etc/playclock/playclock.toml")


def test_the_user_is_made_and_may_use_serial_ports() -> None:
    lines = (ROOT / "systemd" / "playclock.sysusers.conf").read_text("utf-8").splitlines()
    made = [line.split() for line in lines if line and not line.startswith("#")]
    assert made[0][:2] == ["u", setting("User")]
    assert made[1] == ["m", setting("User"), setting("SupplementaryGroups")]


def test_its_folders_are_there_before_it_has_run() -> None:
    lines = (ROOT / "systemd" / "playclock.tmpfiles.conf").read_text("utf-8").splitlines()
    made = [tuple(line.split()) for line in lines if line and not line.startswith("#")]
    owner = (setting("User"), setting("Group"), "-")
    assert made == [
        ("d", f"/run/{setting('RuntimeDirectory')}", setting("RuntimeDirectoryMode"), *owner),
        ("d", f"/var/lib/{setting('StateDirectory')}", setting("StateDirectoryMode"), *owner),
    ]


def test_serial_ports_are_let_in_by_number() -> None:
    """By name they would be looked up in /proc/devices, where a driver not yet loaded is missing.

    Numbers from Linux, Documentation/admin-guide/devices.txt."""
    allowed = re.findall(r"^DeviceAllow=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE)
    assert allowed == ["char-4 rw", "char-166 rw", "char-188 rw", "char-204 rw"]
    assert setting("DevicePolicy") == "closed"
