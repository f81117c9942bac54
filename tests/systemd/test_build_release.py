"""A release holds all that an installation needs, and nothing that changes from build to build."""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from controller import VERSION
from tests.shared import scripts
from tests.shared.scripts import ROOT
from tests.systemd.releases import Releases, build, changed, key

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
    files = {name for name in files if (releases.old / name).is_file()} - {"SHA256SUMS.sig"}
    assert files <= {line.split("  ", 1)[1] for line in lines}
    lock = (releases.old / "requirements.txt").read_text()
    for wheel in releases.old.glob("wheels/*.whl"):
        locked = f"--hash=sha256:{hashlib.sha256(wheel.read_bytes()).hexdigest()}" in lock
        assert locked is not wheel.name.startswith("pip-")


def test_two_builds_elsewhere_with_another_cache_are_the_same_byte_for_byte(
    releases: Releases, tmp_path: Path
) -> None:
    """Another folder, cache, time zone, date and umask; no wheel of the first build is at hand."""
    source = changed(tmp_path / "another folder")
    for path in source.rglob("*"):
        path.chmod(0o700)
    settings = {"PIP_CACHE_DIR": str(tmp_path / "cache"), "TZ": "Pacific/Auckland"}
    settings["SOURCE_DATE_EPOCH"] = "1700000000"
    again = build(source, tmp_path / "made", *releases.signing, umask=0o077, settings=settings)
    assert content(again) == content(releases.old)


def content(folder: Path) -> dict[str, bytes]:
    files = [path for path in folder.rglob("*") if path.is_file()]
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def test_what_is_built_and_installed_is_pinned_by_hash() -> None:
    backend = re.search(r'requires = \["(.*)"\]', (ROOT / "pyproject.toml").read_text())
    assert backend is not None
    pins = (ROOT / "systemd" / "requirements-build.txt").read_text()
    assert f"{backend[1]} \\\n    --hash=sha256:" in pins
    for path in [*(ROOT / "systemd").glob("requirements*.txt"), ROOT / "tests/requirements.txt"]:
        text = path.read_text()
        named = re.findall(r"^[a-z].*", text, re.MULTILINE)
        hashed = re.findall(r"^[a-z][a-z-]*==[0-9a-z.]+ \\\n    --hash=sha256:", text, re.MULTILINE)
        assert len(named) == len(hashed) > 0, path


@pytest.mark.needs_ssh
def test_a_release_is_not_signed_with_a_key_that_it_would_not_trust(
    releases: Releases, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = shutil.copytree(releases.old, tmp_path / "copy")
    (folder / "SHA256SUMS.sig").unlink()
    key(tmp_path / "key")
    with pytest.raises(build_release.ReleaseError, match="not one of the keys"):
        build_release._sign(tmp_path / "key", folder)


@pytest.mark.parametrize(
    "line",
    [
        "ssh-ed25519 AAAA",
        'release namespaces="playclock-release",valid-before="20300101" ssh-ed25519 AAAA',
        'release cert-authority,namespaces="playclock-release" ssh-ed25519 AAAA',
        'release namespaces="file" ssh-ed25519 AAAA',
    ],
)
def test_a_signer_has_no_dates_and_no_other_purpose(tmp_path: Path, line: str) -> None:
    (tmp_path / "signers").write_text(f"# who may sign\n\n{line}\n")
    with pytest.raises(build_release.ReleaseError, match=r"signers: line 3, .* is not like: "):
        build_release._signers(tmp_path / "signers", tmp_path)


def test_a_release_is_never_built_over_another(
    releases: Releases, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["build_release.py", str(releases.old.parent)])
    assert build_release.main() == 1
    assert f"{releases.old}: there already" in capsys.readouterr().err
