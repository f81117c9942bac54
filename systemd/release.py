"""A release as its maker made it, and who vouches for it.

Its folder holds exactly the files that ``SHA256SUMS`` lists, that list, and perhaps the list's
signature. Everything is read once and kept in memory: what is installed is what was looked at, even
if the stick says something else when it is read again.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import stat
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from service_manager import InstallError

CHECKSUMS = "SHA256SUMS"
SIGNATURE = f"{CHECKSUMS}.sig"
SIGNERS = "release_signers"
"""Who may sign the next release: a file of a release, in the form of ssh-keygen's allowed signers.
A release in use trusts those it came with and nobody else."""
SIGNER = "release"
NAMESPACE = "playclock-release"
"""A signature made for anything else, a file or a commit, is none of a release (ssh-keygen(1), -n).
"""

ALWAYS = ("VERSION", "install.py", "requirements.txt")
"""What a release of any version holds: more is not asked of the next one by the one in use."""
VERSION = re.compile(r"[0-9]{1,4}(\.[0-9]{1,4}){1,3}")
LINE = re.compile(r"([0-9a-f]{64})  (.+)")
NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._+-]*(/[A-Za-z0-9_][A-Za-z0-9._+-]*)*")
"""No folder above, no absolute path, nothing hidden, nothing that a terminal would obey."""
KEPT_FREE = ("complete", "environment")
"""Names in a release's folder that the installation makes itself."""
SIGNER_LINE = re.compile(
    rf'{SIGNER} namespaces="{NAMESPACE}" (sk-)?(ssh-ed25519|ecdsa-sha2-nistp[0-9]+|ssh-rsa)'
    r"(@openssh\.com)? [A-Za-z0-9+/]+=*( .*)?"
)
"""No dates and no certificates: a computer at a field may have no clock."""
GROUPS = 5
"""So many groups of four digits at least are typed: 80 bits, out of reach of who would make another
release with the same ones."""
LARGEST_FILE, LARGEST_RELEASE = 16 << 20, 64 << 20  # bytes


def told(what: object) -> str:
    """A name from a stick as it can be shown: in one line, and nothing that a terminal obeys."""
    escaped = (
        each if each.isprintable() else each.encode("unicode_escape").decode() for each in str(what)
    )
    return "".join(escaped)


@dataclass(frozen=True)
class Release:
    """A release, found whole. ``files`` has the content of each by its name."""

    folder: Path
    version: str
    sums: bytes
    signature: bytes | None
    files: Mapping[str, bytes]

    @property
    def digest(self) -> str:
        """The SHA-256 of its list of files, which stands for all of them."""
        return hashlib.sha256(self.sums).hexdigest()

    @property
    def name(self) -> str:
        """What its folder is called where it is installed."""
        return f"{self.version}-{self.digest[:8]}"

    @classmethod
    def read(cls, folder: Path, needed: frozenset[str] = frozenset()) -> Release:
        """The release in ``folder``, which must hold ``needed`` besides what each release has.
        Raises :class:`InstallError` where a file is missing, changed, or not in the list."""
        if not os.path.lexists(folder / CHECKSUMS):
            raise InstallError(f"{told(folder)}: no release: {CHECKSUMS} is missing")
        sums = _content(folder / CHECKSUMS)
        listed = _listed(folder, sums, needed)
        signature = _compare(folder, set(listed))
        files: dict[str, bytes] = {}
        for name, digest in listed.items():
            files[name] = _content(folder / name)
            if hashlib.sha256(files[name]).hexdigest() != digest:
                raise InstallError(f"{folder / name}: damaged; copy the release again")
            if sum(map(len, files.values())) > LARGEST_RELEASE:
                raise InstallError(f"{folder}: more than {LARGEST_RELEASE >> 20} MB, no release")
        version = files["VERSION"].decode("utf-8", "replace").removesuffix("\n")
        if VERSION.fullmatch(version) is None:
            raise InstallError(f'{folder / "VERSION"}: "{told(version)}" is no version like 0.1.0')
        _check_wheels(folder, files)
        signed = _content(folder / SIGNATURE) if signature else None
        return cls(folder, version, sums, signed, files)

    def write(self, target: Path) -> None:
        """Put its files and their list into ``target``."""
        for name, content in {**self.files, CHECKSUMS: self.sums}.items():
            path = target / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)


def _content(path: Path) -> bytes:
    """A file of the stick: no link is followed, nothing is waited for."""
    if path.is_symlink():
        raise InstallError(f"{path}: a link, and a release holds none")
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    with os.fdopen(descriptor, "rb") as file:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise InstallError(f"{path}: not a file")
        content = file.read(LARGEST_FILE + 1)
    if len(content) > LARGEST_FILE:
        raise InstallError(f"{path}: larger than {LARGEST_FILE >> 20} MB, none of a release")
    return content


def _listed(folder: Path, sums: bytes, needed: frozenset[str]) -> dict[str, str]:
    """Names and digests of the list."""
    place, again = folder / CHECKSUMS, "copy the release again"
    listed: dict[str, str] = {}
    lines = sums.decode("utf-8", "backslashreplace").split("\n")
    if lines == [""]:
        raise InstallError(f"{place}: empty; {again}")
    for number, line in enumerate(lines[:-1], 1):
        found = LINE.fullmatch(line)
        if found is None:
            raise InstallError(
                f'{place}: line {number}, "{told(line[:80])}", lists no file; {again}'
            )
        digest, name = found.groups()
        taken = name in (CHECKSUMS, SIGNATURE) or name.split("/")[0] in KEPT_FREE
        if NAME.fullmatch(name) is None or taken:
            raise InstallError(f'{place}: line {number}: "{told(name)}" cannot be in a release')
        if name in listed:
            raise InstallError(f'{place}: line {number}: "{name}" is listed twice; {again}')
        listed[name] = digest
    if lines[-1]:
        raise InstallError(f"{place}: cut short in line {len(lines)}; {again}")
    for name in sorted({*ALWAYS, *needed} - set(listed)):
        raise InstallError(f'{place}: "{name}" is not listed, which a release needs; {again}')
    return listed


def _compare(folder: Path, listed: set[str]) -> bool:
    """See that the folder holds exactly what is listed; gives whether a signature lies there."""
    found = set(_walk(folder, folder, {folder / name for name in listed}))
    for name in sorted(listed - found):
        raise InstallError(f"{folder / name}: missing; copy the release again")
    for name in sorted(found - listed - {CHECKSUMS, SIGNATURE}):
        where = told(folder / name)
        raise InstallError(f"{where}: not listed in {CHECKSUMS}; copy the release again")
    return SIGNATURE in found


def _walk(top: Path, folder: Path, listed: set[Path]) -> Iterator[str]:
    """The names of the files below ``top``."""
    for entry in sorted(os.scandir(folder), key=lambda each: each.name):
        path = Path(entry.path)
        if entry.is_symlink():
            raise InstallError(f"{told(path)}: a link, and a release holds none")
        if entry.is_dir(follow_symlinks=False):
            if not any(path in each.parents for each in listed):
                raise InstallError(f"{told(path)}: a folder of which {CHECKSUMS} lists nothing")
            yield from _walk(top, path, listed)
        elif entry.is_file(follow_symlinks=False):
            yield path.relative_to(top).as_posix()
        else:
            raise InstallError(f"{told(path)}: neither a file nor a folder")


def _check_wheels(folder: Path, files: Mapping[str, bytes]) -> None:
    """One wheel is pip, which installs the others; of those each stands in the lock."""
    lock = files["requirements.txt"].decode("utf-8", "replace")
    wheels = {name: content for name, content in files.items() if name.startswith("wheels/")}
    pip = sorted(name for name in wheels if name.startswith("wheels/pip-"))
    if len(pip) != 1:
        named = " and ".join(pip) or "none"
        raise InstallError(f"{folder}: one wheel of pip is needed, and there is {named}")
    for name in sorted(wheels.keys() - {*pip}):
        if f"--hash=sha256:{hashlib.sha256(wheels[name]).hexdigest()}" not in lock:
            raise InstallError(f"{folder / name}: not the wheel that requirements.txt locks")


# Who vouches for it

GIVE = "give the digest that its maker reads out to you, with --digest"


class UnknownMakerError(InstallError):
    """Nothing on this computer can say who made the release; a digest typed by hand can."""


def check_maker(release: Release, current: Path | None, typed: str) -> None:
    """Raises :class:`InstallError` unless ``typed`` is the release's digest, or one of those whom
    the release in use (``current``, its folder) trusts has signed it and it is not an older one."""
    if typed:
        _check_digest(release, typed)
        return
    if release.signature is None:
        raise UnknownMakerError(f"{release.folder}: not signed; {GIVE}")
    if current is None or not (current / SIGNERS).is_file():
        raise UnknownMakerError(f"{release.folder}: this computer trusts no signer yet; {GIVE}")
    if not signed(release.sums, release.signature, current / SIGNERS):
        raise InstallError(
            f"{release.folder / SIGNATURE}: not made by a signer whom the release in use trusts;"
            f" do not install it, or {GIVE}"
        )
    in_use = current.name.partition("-")[0]
    if _numbers(release.version) < _numbers(in_use):
        raise InstallError(
            f"{release.folder}: {release.version} is older than {in_use}, which is in use;"
            f" go back with rollback, or {GIVE}"
        )


def _check_digest(release: Release, typed: str) -> None:
    given = re.sub(r"[\s-]", "", typed).lower()
    if re.fullmatch(rf"[0-9a-f]{{{4 * GROUPS},64}}", given) is None:
        raise InstallError(
            f'digest "{told(typed)}": its first {GROUPS} groups of four, of 0-9 and a-f, are needed'
        )
    if not release.digest.startswith(given):
        raise InstallError(
            f'{release.folder / CHECKSUMS}: its digest does not begin with "{given}";'
            " do not install it, and ask its maker"
        )


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(each) for each in version.split(".") if each.isdecimal())


def signed(sums: bytes, signature: bytes, signers: Path) -> bool:
    """Whether one of ``signers`` signed a release's list. Raises :class:`InstallError` where
    ssh-keygen, which knows, is missing."""
    if shutil.which("ssh-keygen") is None:
        raise InstallError(
            f"ssh-keygen, which checks signatures, is missing: install openssh-client, or {GIVE}"
        )
    with tempfile.NamedTemporaryFile() as kept:
        kept.write(signature)
        kept.flush()
        asked = ["ssh-keygen", "-Y", "verify", "-f", signers, "-I", SIGNER]
        asked += ["-n", NAMESPACE, "-s", kept.name]
        done = subprocess.run(asked, input=sums, capture_output=True, check=False, cwd="/")
    return done.returncode == 0


def groups(digest: str) -> str:
    """A digest as it is read out."""
    return " ".join(digest[at : at + 4] for at in range(0, len(digest), 4))
