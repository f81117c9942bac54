"""A change of the key file: written whole beside it, and put into its place at the very end.

So a disk that is full or read-only is found before a handset is changed, and a power cut leaves
the old file or the new one. At no instant may anyone but the owner read either.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import stat
from pathlib import Path

from drivers.handset.keys import KeyFileError, Keys, key_text, load_keys

Owner = tuple[int, int]
"""User and group, by number."""


class KeyChange:
    """Holds the key file at ``path`` from ``with`` to its end, for one process alone.

    ``keys`` are those of the file, None when there is none yet. The new file has the owner of the
    old one, else ``owner``, else that of its folder, as far as this user may give files away.
    Entering raises :class:`KeyFileError` for a file that cannot be used and ``OSError``.
    """

    def __init__(self, path: Path, owner: Owner | None = None) -> None:
        self.path = path.resolve()  # a link stays, the file it leads to is replaced
        self.keys: Keys | None = None
        self._waiting = self.path.with_name(self.path.name + ".pairing")
        self._owner = owner
        self._descriptor = -1

    def __enter__(self) -> KeyChange:
        self._descriptor = self._held()
        try:
            self.keys = self._loaded()
            self._give_to_owner()
        except BaseException:
            self._let_go()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._let_go()

    def prepare(self, keys: Keys) -> None:
        """Write ``keys`` beside the file, down to the disk. Raises ``OSError``."""
        os.ftruncate(self._descriptor, 0)
        text = memoryview(key_text(keys))
        at = 0
        while at < len(text):
            at += os.pwrite(self._descriptor, text[at:], at)
        os.fsync(self._descriptor)

    def commit(self) -> None:
        """Put what was prepared into the file's place. Raises ``OSError``."""
        self._waiting.rename(self.path)
        os.close(self._descriptor)
        self._descriptor = -1
        folder = os.open(self.path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def _loaded(self) -> Keys | None:
        try:
            return load_keys(self.path)
        except FileNotFoundError:
            return None
        except KeyFileError as error:
            otherwise = "else remove it and pair every handset again"
            raise KeyFileError(f"{error}; mend it, {otherwise}") from error

    def _held(self) -> int:
        """The waiting file, ours alone: its lock goes with the process, however it ends."""
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
        descriptor = os.open(self._waiting, flags, 0o600)  # less the umask: never more
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            mine = os.fstat(descriptor)
            there = self._waiting.stat(follow_symlinks=False)
            if (mine.st_dev, mine.st_ino) != (there.st_dev, there.st_ino):
                raise BlockingIOError  # another one has just put it into the file's place
            if not stat.S_ISREG(mine.st_mode) or mine.st_mode & 0o077:
                raise KeyFileError(f"{self._waiting}: not a private file of ours: remove it")
            os.ftruncate(descriptor, 0)
        except (BlockingIOError, FileNotFoundError):
            os.close(descriptor)
            raise KeyFileError(f"{self.path}: another pairing is going on with this file") from None
        except BaseException:
            os.close(descriptor)
            raise
        return descriptor

    def _give_to_owner(self) -> None:
        if os.geteuid() != 0:
            return
        if self.keys is not None or self._owner is None:
            there = (self.path if self.keys is not None else self.path.parent).stat()
            self._owner = there.st_uid, there.st_gid
        os.fchown(self._descriptor, *self._owner)

    def _let_go(self) -> None:
        if self._descriptor >= 0:
            with contextlib.suppress(OSError):
                self._waiting.unlink()
            os.close(self._descriptor)
            self._descriptor = -1
