"""The udev rules: their form, and that they name what the configuration names."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from controller.config.load import load_config

ROOT = Path(__file__).resolve().parents[2]
PORTS = ROOT / "systemd" / "70-playclock-ports.rules"
GENERAL = ROOT / "systemd" / "71-playclock.rules"

PAIR = re.compile(r'([A-Z_]+)(?:\{([A-Za-z_]+)\})?(==|!=|\+=|-=|:=|=)"([^"]*)"')
MATCHED = {"ACTION", "SUBSYSTEM", "DRIVER", "ENV", "SYMLINK"}
SET = {"SYMLINK", "ATTR", "ENV"}


def rules(path: Path, *, examples: bool = False) -> list[list[tuple[str, str, str, str]]]:
    """Key, its name in braces, operator and value of each rule; ``examples`` takes those that
    are to be switched on too."""
    found = []
    for line in path.read_text("utf-8").splitlines():
        rule = line.removeprefix("#") if examples and line.startswith("#SUB") else line
        if not rule or rule.startswith("#"):
            continue
        parts = [PAIR.fullmatch(part) for part in rule.split(", ")]
        assert all(parts), f"{path.name}: {rule}"
        found.append([(m[1], m[2] or "", m[3], m[4]) for m in parts if m is not None])
    return found


@pytest.mark.parametrize("path", [PORTS, GENERAL], ids=lambda path: path.name)
def test_every_rule_first_matches_and_then_sets(path: Path) -> None:
    for rule in rules(path, examples=True):
        operators = [operator for _, _, operator, _ in rule]
        first = next(i for i, operator in enumerate(operators) if operator not in ("==", "!="))
        assert {key for key, *_ in rule[:first]} <= MATCHED
        assert {key for key, *_ in rule[first:]} <= SET
        assert set(operators[first:]) <= {"=", "+="}


def test_nothing_is_named_until_the_site_says_which_port() -> None:
    assert rules(PORTS) == []


def test_the_examples_give_the_names_of_the_example_configuration() -> None:
    named = {f"/dev/{rule[-1][3]}" for rule in rules(PORTS, examples=True)}
    config = load_config(ROOT / "systemd" / "playclock.example.toml")
    ports = {each.port for each in config.boards} | {each.port for each in config.handsets}
    assert named == ports


def test_each_name_can_be_told_by_socket_or_by_serial_number() -> None:
    ways = {(rule[-1][3], rule[1][1]) for rule in rules(PORTS, examples=True)}
    names = {"playclock-boards", "playclock-receiver"}
    assert ways == {(name, way) for name in names for way in ("ID_PATH", "ID_SERIAL_SHORT")}


def test_udev_itself_finds_nothing_to_complain_about(tmp_path: Path) -> None:
    udevadm = shutil.which("udevadm")
    if udevadm is None or _version(udevadm) < 254:  # its first release with the command "verify"
        pytest.skip("udevadm of systemd 254 or later is not here")
    on = tmp_path / PORTS.name
    on.write_text(PORTS.read_text("utf-8").replace("#SUBSYSTEM", "SUBSYSTEM"))
    verified = subprocess.run(
        [udevadm, "verify", on, GENERAL], capture_output=True, text=True, check=False
    )
    assert verified.returncode == 0, verified.stdout + verified.stderr


def _version(udevadm: str) -> int:
    said = subprocess.run([udevadm, "--version"], capture_output=True, text=True, check=True)
    return int(said.stdout.split(".")[0])
