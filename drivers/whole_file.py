"""Files that are there as a whole or not at all, also after a power cut."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

_ILL = {
    *(errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ENODEV, errno.ENXIO),
    *(errno.ENOMEDIUM, errno.ESTALE, errno.ETIMEDOUT, errno.EUCLEAN, errno.ENOMEM, errno.ENFILE),
}


def is_ill(error: BaseException | None) -> bool:
    """True when the disk has failed: nobody named or permitted something wrongly."""
    return isinstance(error, OSError) and error.errno in _ILL


def replace_file(path: Path, content: bytes, mode: int) -> None:
    """Put ``content`` at ``path`` so that after a power cut the old or the new file is there.

    The new file has exactly the permission bits ``mode``. Raises ``OSError``.
    """
    waiting = path.with_name(path.name + ".new")
    with contextlib.suppress(FileNotFoundError):
        waiting.unlink()
    descriptor = os.open(waiting, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
        file.flush()
        os.fchmod(descriptor, mode)
        os.fsync(descriptor)
    waiting.replace(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
