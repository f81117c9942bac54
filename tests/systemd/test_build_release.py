"""A release holds all that an installation needs, and nothing that changes from build to build."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from controller import VERSION
from tests.shared import scripts
from tests.systemd.releases import PIP_CACHE, Releases

build_release = scripts.load("systemd/build_release.py")
pytestmark = pytest.mark.full


def test_what_a_release_holds(releases: Releases) -> None:
    names = {path.name for path in releases.old.rglob("*") if path.is_file()}
    assert releases.old.name == f"playclock-{VERSION}"
    assert {"install.py", "SHA256SUMS", "requirements.txt", "playclock.service"} <= names
    assert {"playclock-keys.conf", "playclock-pins.conf"} <= names
    assert {"README.md", "LICENSE", "PROTOCOL.md"} <= names
    wheels = sorted(path.name.split("-")[0] for path in releases.old.glob("wheels/*"))
    assert wheels == ["pip", "playclock_controller", "pymodbus", "pyserial"]


def test_no_wheel_holds_machine_code(releases: Releases) -> None:
    for wheel in releases.old.glob("wheels/*.whl"):
        assert wheel.name.endswith("-none-any.whl")
        with zipfile.ZipFile(wheel) as archive:
            assert not [name for name in archive.namelist() if name.endswith((".so", ".pyd"))]


def test_every_file_is_in_the_checksums_and_every_wheel_in_the_lock(releases: Releases) -> None:
    listed = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"],
        cwd=releases.old,
        capture_output=True,
        text=True,
        check=False,
    )
    assert listed.returncode == 0, listed.stderr
    lines = (releases.old / "SHA256SUMS").read_text().splitlines()
    files = {str(path.relative_to(releases.old)) for path in releases.old.rglob("*.*")}
    files = {name for name in files if (releases.old / name).is_file()}
    assert files <= {line.split("  ", 1)[1] for line in lines}
    lock = (releases.old / "requirements.txt").read_text()
    for wheel in releases.old.glob("wheels/*.whl"):
        locked = f"--hash=sha256:{hashlib.sha256(wheel.read_bytes()).hexdigest()}" in lock
        assert locked is not wheel.name.startswith("pip-")


def test_the_same_source_gives_the_same_release(
    releases: Releases, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PIP_CACHE_DIR", str(PIP_CACHE))
    again = build_release.build(tmp_path)
    assert (again / "SHA256SUMS").read_text() == (releases.old / "SHA256SUMS").read_text()


def test_a_release_is_never_built_over_another(
    releases: Releases, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["build_release.py", str(releases.old.parent)])
    assert build_release.main() == 1
    assert f"{releases.old}: there already" in capsys.readouterr().err
