"""A release is what its list says and made by someone known; else one sentence says why not."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.systemd.computer import installation, release, service_manager
from tests.systemd.releases import digest, key, relist, small

InstallError, Release = service_manager.InstallError, release.Release


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    return small(tmp_path / "a stick")


def read(folder: Path) -> Any:
    return Release.read(folder, installation.NEEDED)


def refused(step: Callable[..., object], *arguments: object) -> str:
    """The one sentence that says why not."""
    with pytest.raises(InstallError) as why:
        step(*arguments)
    said = str(why.value)
    assert said.isprintable() and len(said) < 400
    return said


def test_a_whole_release_is_read_and_put_down_again(stick: Path, tmp_path: Path) -> None:
    found = read(stick)
    assert (found.version, found.digest) == ("0.1.0", digest(stick))
    assert found.name == f"0.1.0-{digest(stick)[:8]}"
    found.write(tmp_path / "copy")
    assert read(tmp_path / "copy").files == found.files


def change(path: Path, text: str, by: str) -> None:
    path.write_text(path.read_text().replace(text, by))


def listed(stick: Path, line: str) -> None:
    with (stick / "SHA256SUMS").open("a") as sums:
        sums.write(line)


def file(stick: Path, name: str, text: str) -> None:
    (stick / name).parent.mkdir(exist_ok=True)
    (stick / name).write_text(text)


def link(stick: Path, name: str, at: str) -> None:
    (stick / name).unlink(missing_ok=True)
    (stick / name).symlink_to(at)


def list_cut(stick: Path, lines: int) -> None:
    kept = (stick / "SHA256SUMS").read_text().splitlines(keepends=True)[:lines]
    (stick / "SHA256SUMS").write_text("".join(kept))


def renamed(stick: Path, name: str, text: str) -> None:
    """A file changed and listed as it is now."""
    file(stick, name, text)
    relist(stick)


ZERO = "0" * 64
HARMS: dict[str, tuple[Callable[[Path], object], str]] = {
    "no list": (lambda at: (at / "SHA256SUMS").unlink(), ": no release: SHA256SUMS is missing"),
    "empty list": (lambda at: list_cut(at, 0), "/SHA256SUMS: empty; "),
    "shortened list": (
        lambda at: list_cut(at, -1),
        "/wheels/pip-1-py3-none-any.whl: not listed in SHA256SUMS; ",
    ),
    "list without the installer": (
        lambda at: list_cut(at, 1),
        '/SHA256SUMS: "install.py" is not listed, which a release needs; ',
    ),
    "list cut in a line": (
        lambda at: os.truncate(at / "SHA256SUMS", (at / "SHA256SUMS").stat().st_size - 1),
        "/SHA256SUMS: cut short in line ",
    ),
    "no list of checksums": (
        lambda at: (at / "SHA256SUMS").write_bytes(b"\xff\x1b[2J\n"),
        r'/SHA256SUMS: line 1, "\xff\x1b[2J", lists no file; ',
    ),
    "listed twice": (
        lambda at: listed(at, f"{ZERO}  VERSION\n"),
        '"VERSION" is listed twice; ',
    ),
    "path outside": (
        lambda at: listed(at, f"{ZERO}  ../../etc/passwd\n"),
        '"../../etc/passwd" cannot be in a release',
    ),
    "absolute path": (
        lambda at: listed(at, f"{ZERO}  /etc/passwd\n"),
        '"/etc/passwd" cannot be in a release',
    ),
    "what the installation makes": (
        lambda at: renamed(at, "environment/python", "evil"),
        '"environment/python" cannot be in a release',
    ),
    "file not listed": (
        lambda at: file(at, "argparse.py", "evil"),
        "/argparse.py: not listed in SHA256SUMS; ",
    ),
    "compiled file not listed": (
        lambda at: file(at, "__pycache__/release.cpython-311.pyc", "evil"),
        "/__pycache__: a folder of which SHA256SUMS lists nothing",
    ),
    "name that a terminal obeys": (
        lambda at: file(at, "\x1b[2J", ""),
        r"/\x1b[2J: not listed in SHA256SUMS; ",
    ),
    "link": (
        lambda at: link(at, "VERSION", "/etc/hostname"),
        "/VERSION: a link, and a release holds none",
    ),
    "list a link": (
        lambda at: link(at, "SHA256SUMS", "/etc/hostname"),
        "/SHA256SUMS: a link, and a release holds none",
    ),
    "pipe": (
        lambda at: os.mkfifo(at / "waits"),
        "/waits: neither a file nor a folder",
    ),
    "file missing": (lambda at: (at / "VERSION").unlink(), "/VERSION: missing; "),
    "file damaged": (lambda at: file(at, "VERSION", "0.1.1\n"), "/VERSION: damaged; "),
    "version leads outside": (
        lambda at: renamed(at, "VERSION", "../../x\n"),
        '/VERSION: "../../x" is no version like 0.1.0',
    ),
    "second wheel of pip": (
        lambda at: renamed(at, "wheels/pip-2-py3-none-any.whl", "evil"),
        ": one wheel of pip is needed, and there is wheels/pip-1-py3-none-any.whl and"
        " wheels/pip-2-py3-none-any.whl",
    ),
    "wheel not locked": (
        lambda at: renamed(at, "wheels/it-1-py3-none-any.whl", "evil"),
        "/wheels/it-1-py3-none-any.whl: not the wheel that requirements.txt locks",
    ),
}


@pytest.mark.parametrize("harm", HARMS)
def test_a_harmed_release_is_refused_in_one_sentence(stick: Path, harm: str) -> None:
    do, said = HARMS[harm]
    do(stick)
    why = refused(read, stick)
    assert why.startswith(str(stick)) and said in why


def test_a_file_too_large_is_not_read_to_its_end(stick: Path) -> None:
    os.truncate(stick / "install.py", release.LARGEST_FILE + 1)
    assert "/install.py: larger than 16 MB" in refused(read, stick)


# Who made it


def vouched(stick: Path, current: Path | None = None, typed: str = "") -> None:
    release.check_maker(read(stick), current, typed)


def test_a_digest_typed_by_hand_vouches(stick: Path) -> None:
    whole = digest(stick)
    vouched(stick, typed=whole)
    vouched(stick, typed=release.groups(whole).upper())
    vouched(stick, typed=release.groups(whole[:20]))


def test_a_digest_too_short_or_of_another_release_does_not(stick: Path) -> None:
    whole = digest(stick)
    for typed in (whole[:19], "", "  ", whole + "0", "hello"):
        if typed:
            assert f'digest "{typed}": its first 5 groups' in refused(vouched, stick, None, typed)
    other = ("1" if whole[0] == "0" else "0") + whole[1:20]
    said = refused(vouched, stick, None, other)
    assert f'does not begin with "{other}"; do not install it' in said and whole[:4] not in said


def test_without_digest_and_signature_nobody_vouches(stick: Path, tmp_path: Path) -> None:
    assert ": not signed; give the digest" in refused(vouched, stick)
    assert ": not signed; give the digest" in refused(vouched, stick, tmp_path)


class Computer:
    """The release in use, its signers, and who holds which key."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.current = folder / "0.1.0-12345678"
        self.current.mkdir()

    def key(self, name: str) -> Path:
        """The key of ``name``, made when it is first asked for."""
        path = self._folder / name
        if not path.exists():
            path.with_suffix(".line").write_text(key(path))
        return path

    def trusts(self, *names: str) -> None:
        """From now on it trusts the keys of these."""
        lines = [self.key(name).with_suffix(".line").read_text() for name in names]
        (self.current / "release_signers").write_text("".join(lines))

    def sign(self, stick: Path, name: str, purpose: str = "playclock-release") -> None:
        """Sign with the key of ``name``."""
        (stick / "SHA256SUMS.sig").unlink(missing_ok=True)
        command = ["ssh-keygen", "-q", "-Y", "sign", "-n", purpose, "-f"]
        subprocess.run(
            [*command, self.key(name), stick / "SHA256SUMS"], capture_output=True, check=True
        )


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    return Computer(tmp_path)


@pytest.mark.needs_ssh
def test_who_is_trusted_by_the_release_in_use_may_sign_the_next(
    stick: Path, computer: Computer
) -> None:
    computer.sign(stick, "first")
    assert "trusts no signer yet; give" in refused(vouched, stick)
    assert "trusts no signer yet; give" in refused(vouched, stick, computer.current)
    computer.trusts("first")
    vouched(stick, computer.current)


@pytest.mark.full
@pytest.mark.needs_ssh
def test_nobody_else_may_and_for_nothing_else(stick: Path, computer: Computer) -> None:
    computer.trusts("first")
    said = "SHA256SUMS.sig: not made by a signer whom the release in use trusts; do not install"
    computer.sign(stick, "stranger")
    (stick / "release_signers").write_text((computer.current / "release_signers").read_text())
    relist(stick)  # trusting himself, or us, in his own release does not help him
    computer.sign(stick, "stranger")
    assert said in refused(vouched, stick, computer.current)
    computer.sign(stick, "first", "file")
    assert said in refused(vouched, stick, computer.current)
    computer.sign(stick, "first")
    vouched(stick, computer.current)
    renamed(stick, "install.py", "evil")  # after it was signed
    assert said in refused(vouched, stick, computer.current)
    (stick / "SHA256SUMS.sig").write_bytes(b"\0")
    assert said in refused(vouched, stick, computer.current)


@pytest.mark.full
@pytest.mark.needs_ssh
def test_keys_are_changed_by_a_release_that_the_old_one_signed(
    stick: Path, computer: Computer
) -> None:
    computer.trusts("first")
    computer.sign(stick, "second")
    refused(vouched, stick, computer.current)
    computer.trusts("first", "second")  # a release signed by the first brought this
    vouched(stick, computer.current)
    computer.trusts("second")
    computer.sign(stick, "first")
    refused(vouched, stick, computer.current)


@pytest.mark.needs_ssh
def test_with_the_key_lost_a_digest_typed_by_hand_goes_on(stick: Path, computer: Computer) -> None:
    computer.trusts("lost")
    computer.sign(stick, "new")
    refused(vouched, stick, computer.current)
    vouched(stick, computer.current, digest(stick))


@pytest.mark.full
@pytest.mark.needs_ssh
def test_an_older_release_that_was_signed_once_is_not_installed_again(
    tmp_path: Path, computer: Computer
) -> None:
    older = small(tmp_path / "older", "0.0.9")
    computer.trusts("first")
    computer.sign(older, "first")
    assert "0.0.9 is older than 0.1.0, which is in use; " in refused(
        vouched, older, computer.current
    )
    vouched(older, computer.current, digest(older))
    newer = small(tmp_path / "newer", "0.1.10")
    computer.sign(newer, "first")
    vouched(newer, computer.current)


def test_where_ssh_keygen_is_missing_it_says_so(
    stick: Path, computer: Computer, monkeypatch: pytest.MonkeyPatch
) -> None:
    (computer.current / "release_signers").touch()
    (stick / "SHA256SUMS.sig").touch()
    monkeypatch.setattr(shutil, "which", lambda _: None)
    assert "is missing: install openssh-client, or give the digest" in refused(
        vouched, stick, computer.current
    )
