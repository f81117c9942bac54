"""The disk and the files of an installation: the record, the keys, the lock.

Nothing here is left behind, and the record is only read.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import pwd
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from controller.check.report import Finding, look, ok, wrong
from controller.journal.file import SCHEMA, JournalFileError
from controller.recovery.recovery import LOCK

LITTLE_MB, TOO_LITTLE_MB = 500, 50
"""A game's record takes well under 5 MB (from memory); the rest of the system wants room too."""
SLOW_SYNC_S = 0.1
"""A row shall be on the disk within 250 ms, which two syncs of this long allow (``journal``)."""
PROBES = 3
PROBE_BYTES = 4096
MB = 1_000_000
STOP = "stop it first: systemctl stop playclock"

Probe = Callable[[Path], float]


def user() -> str:
    """The name of whoever runs this check."""
    return name_of(os.geteuid())


def name_of(uid: int) -> str:
    """The name of a user, or the number of one without a name."""
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)


def stranger(state_folder: Path) -> str:
    """The owner of the state folder when that is another user than this one; else "".

    Another user could not write there, and root would leave files that the service cannot write.
    """
    try:
        owner = state_folder.stat().st_uid
    except OSError:
        return ""
    return "" if owner == os.geteuid() else name_of(owner)


def _nearest(folder: Path) -> Path:
    """The folder, or the nearest one above it that is there and may be looked at."""
    for each in (folder, *folder.parents):
        with contextlib.suppress(OSError):
            if each.exists():
                return each
    return Path("/")


def write_time_s(folder: Path) -> float:
    """How long the slowest of a few small writes takes until it is on the disk, in seconds.

    Raises ``OSError``; the file is gone afterwards.
    """
    probe = folder / f"check-{os.getpid()}"
    slowest_s = 0.0
    descriptor = os.open(probe, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        for _ in range(PROBES):
            since_s = time.monotonic()
            if os.write(descriptor, bytes(PROBE_BYTES)) < PROBE_BYTES:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(descriptor)
            slowest_s = max(slowest_s, time.monotonic() - since_s)
    finally:
        os.close(descriptor)
        probe.unlink()
    return slowest_s


def disk(folder: Path, probe: Probe = write_time_s) -> Iterator[Finding]:
    """The state folder: room, and whether it can be written, and how fast."""
    there = _nearest(folder)
    yield space(there)
    if there != folder:
        said = f"{folder} is not there yet"
        if os.access(there, os.W_OK, effective_ids=True):
            yield ok(f"{said}: the first start makes it")
        else:
            yield wrong(f"{said} and {user()} cannot make it", "run the install script")
        return
    try:
        slowest_s = probe(folder)
    except OSError as error:
        yield wrong(f"{folder} cannot be written: {error.strerror}", _cure(error))
        return
    said = f"a row of the record is on the disk in {slowest_s * 1000:.0f} ms"
    if slowest_s > SLOW_SYNC_S:
        yield look(said, "use a faster card or disk: a power cut would cost more of the record")
    else:
        yield ok(said)


def _cure(error: OSError) -> str:
    match error.errno:
        case errno.ENOSPC:
            return "make room: copy old records away and remove them"
        case errno.EROFS:
            return "make the disk writable again; a worn-out card turns read-only by itself"
        case errno.EPERM | errno.EACCES:
            return f"give the folder to {user()}, or run the check as the service's user"
    return "replace the card or disk"


def space(folder: Path) -> Finding:
    """How much room the disk of a folder has."""
    there = os.statvfs(folder)
    free_mb = there.f_bavail * there.f_frsize // MB
    said = f"{free_mb} MB free for the record in {folder}"
    if free_mb < TOO_LITTLE_MB:
        return wrong(said, "make room: copy old records away and remove them")
    if free_mb < LITTLE_MB:
        return look(said, "make room before it is full")
    return ok(said)


def record(path: Path, runtime: Path | None = None) -> Finding:
    """Does the journal open, and was no row of it changed, or cut off since its head was kept
    beside it or in ``runtime``, a file that goes with the power?"""
    from controller.journal.reader import JournalReader  # noqa: PLC0415 - loads SQLite

    keep = "copy it away, then remove it: the next start begins a new one"
    try:
        if not path.exists():
            return ok(f"the record {path} is not there yet: the first start makes it")
    except OSError as error:
        return wrong(f"the record {path} cannot be read: {error.strerror}", _cure(error))
    if not os.access(path, os.W_OK, effective_ids=True):
        return wrong(f"the record {path} cannot be written by {user()}", "give it to that user")
    try:
        with JournalReader(path) as reader:
            verdict, version = reader.verify(*reader.kept_heads(runtime)), reader.version
    except JournalFileError as error:
        return wrong(f"the record cannot be read: {error}", keep)
    if verdict.problem:
        return wrong(f"the record was changed: {verdict.problem}", keep)
    if version != SCHEMA:
        return wrong(f"the record is of an older program (version {version}), only read", keep)
    return ok(f"the record is whole: {verdict.rows} rows, none changed")


def runtime(folder: Path, mounts: str | None = None) -> Iterator[Finding]:
    """The folder of what shall go with the power. ``mounts`` is the text of proc(5)'s mounts."""
    there = _nearest(folder)
    kind = file_system(there, _mounts() if mounts is None else mounts)
    if kind not in ("tmpfs", "ramfs"):
        yield wrong(
            f"runtime folder {folder} is on a disk ({kind or 'unknown'}), not in memory",
            "set runtime_folder to a folder below /run",
        )
    elif there != folder:
        yield ok(f"runtime folder {folder}, in memory: the service makes it when it starts")
    else:
        yield ok(f"runtime folder {folder} is in memory")


def file_system(path: Path, mounts: str) -> str:
    """The kind of file system that ``path`` is on; "" where that is unknown."""
    best, kind = -1, ""
    real = path.resolve()
    for line in mounts.splitlines():
        fields = line.split()
        if len(fields) >= 3 and real.is_relative_to(fields[1]) and len(fields[1]) >= best:
            best, kind = len(fields[1]), fields[2]
    return kind


def _mounts() -> str:
    try:
        return Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


class ServiceLock:
    """The lock by which one service at a time has an installation; held until :meth:`release`.

    ``busy`` says that a service, or another check, runs now.
    """

    def __init__(self, runtime_folder: Path) -> None:
        self.busy = False
        self._descriptor: int | None = None
        with contextlib.suppress(OSError):  # no service has made it: none runs
            self._take(runtime_folder / LOCK)

    def _take(self, path: Path) -> None:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            self.busy = True
        else:
            self._descriptor = descriptor

    def release(self) -> None:
        """Let a service start again."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def findings(self) -> Iterator[Finding]:
        """Nothing, unless a service runs."""
        if self.busy:
            yield wrong(
                "the play clock service, or another check, is running and has the boards", STOP
            )
