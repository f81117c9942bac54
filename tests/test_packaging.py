"""The wheel holds the packages and their data, nothing else, and works where it is installed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LEFT_OUT = (".*", "__pycache__", "*.egg-info", "build", "dist")


def run(command: list[str | Path], folder: Path) -> str:
    """Run in ``folder``, with nothing of this checkout on Python's path; return what it printed."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel built from a copy: the build leaves its traces there, not in the checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    shutil.copytree(ROOT, folder / "source", ignore=shutil.ignore_patterns(*LEFT_OUT))
    pip: list[str | Path] = [sys.executable, "-m", "pip", "wheel", "--no-index"]
    run([*pip, "--no-build-isolation", "--no-deps", "-w", folder, folder / "source"], folder)
    (built,) = folder.glob("*.whl")
    return built


@pytest.mark.full
def test_the_wheel_holds_the_packages_and_their_data_only(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
    expected = {
        path.relative_to(ROOT).as_posix()
        for top in ("controller", "drivers")
        for pattern in ("*.py", "*.toml", "py.typed")
        for path in (ROOT / top).rglob(pattern)
    }
    assert names == expected
    assert "controller/rules/codes/nfhs.toml" in names


@pytest.mark.full
def test_the_installed_command_gives_a_ruling(wheel: Path, tmp_path: Path) -> None:
    home, elsewhere = tmp_path / "clean", tmp_path / "elsewhere"
    elsewhere.mkdir()
    assert ROOT not in home.parents
    run([sys.executable, "-m", "venv", "--without-pip", home], elsewhere)
    python = home / "bin" / "python"
    pip: list[str | Path] = [sys.executable, "-m", "pip", "--python", python]
    run([*pip, "install", "--no-index", "--no-deps", wheel], elsewhere)
    command = ["ruling", "runner_down_inbounds", "--rules", "nfhs", "--json"]
    ruling = json.loads(run([home / "bin" / "playclock", *command], elsewhere))
    assert (ruling["seconds"], ruling["starts_on"]) == (40, "dead_ball")
    assert isinstance(ruling["citation"], str) and ruling["citation"]
