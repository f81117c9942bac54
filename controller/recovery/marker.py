"""The marker on the disk: there from a start to an orderly end, it tells a power cut from a fresh
start.

The disk may be full, read-only, gone, broken or slow, and the clock waits for it a moment at most:
all that could wait is done in threads. What fails is tried again, and :attr:`OpenMarker.fault` says
why until then.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import threading
import time
from pathlib import Path

from drivers.whole_file import replace_file

MARKER = "open"
PATIENCE_S = 0.5
"""A start waits so long for the disk: with it the boards are told again within the 1.5 s after
which they are dark."""
LOCKED_S = 1.0
"""How long a lock that another process holds for an instant is waited for."""
LOOK_S = 0.01
RETRY_S = 5.0
TOO_SLOW = "the disk does not answer"


class BusyError(Exception):
    """Another service holds a folder; the message names it."""


class FolderError(ValueError):
    """A folder cannot be trusted or is none; the message says why and what to do."""


class OpenMarker:
    """The marker in ``folder``, for one service at a time; ``boot_id`` is what it holds."""

    def __init__(self, folder: Path, boot_id: str) -> None:
        self.fault = ""
        """Why there is no marker of this run on the disk; empty when there is, or before
        :meth:`put`."""
        self._folder, self._content = folder, f"{boot_id}\n".encode()
        self._path = folder / MARKER
        self._held: int | None = None
        self._over = threading.Event()
        self._attempted = threading.Event()
        self._contended = False
        self._refusal: BusyError | FolderError | None = None
        self._thread: threading.Thread | None = None

    def left_behind(self) -> tuple[bool, str]:
        """Whether a run before left its marker, and why that is not known, if it is not."""
        found: list[tuple[bool, str]] = []
        looker = threading.Thread(target=lambda: found.append(self._look()), daemon=True)
        looker.start()
        looker.join(PATIENCE_S)
        return found[0] if found else (False, f"{self._folder}: {TOO_SLOW}")

    def _look(self) -> tuple[bool, str]:
        try:
            self._path.lstat()
        except (FileNotFoundError, NotADirectoryError):
            return False, ""
        except OSError as error:
            return False, f"{self._folder}: {error.strerror}"
        return True, ""

    def put(self) -> None:
        """Hold the folder and have the marker there, soon if the disk takes it.

        Raises :class:`BusyError` when another service holds the folder, and :class:`FolderError`
        when it is something else than a folder.
        """
        self.fault = f"{self._folder}: {TOO_SLOW}"
        self._thread = threading.Thread(target=self._write, name="marker", daemon=True)
        self._thread.start()
        while not self._attempted.wait(PATIENCE_S) and self._contended:
            pass
        if self._refusal is not None:
            raise self._refusal

    def _write(self) -> None:
        while not self._over.is_set():
            try:
                self._put_once()
                self.fault = ""
            except (BusyError, FolderError) as error:
                self.fault, self._refusal = str(error), error
            except OSError as error:
                self.fault = f"{self._folder}: {error.strerror}"
            self._attempted.set()
            if not self.fault:
                return
            self._over.wait(RETRY_S)

    def _put_once(self) -> None:
        if self._held is None:
            try:
                self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            except (FileExistsError, NotADirectoryError):
                what = f"state_folder = {self._folder}: is not a folder"
                raise FolderError(what) from None
            folder = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            self._contended = True
            try:
                self._held = locked(folder, self._folder)
            finally:
                self._contended = False
        with contextlib.suppress(OSError):
            if self._path.read_bytes() == self._content:  # after a death in the same boot
                return
        replace_file(self._path, self._content, mode=0o644)

    def take_away(self) -> None:
        """The end was in order."""
        self._stop()
        if self._held is not None:  # else it is another service's, or there is none
            with contextlib.suppress(OSError):  # the next start says that the end was not clean
                self._path.unlink()

    def release(self) -> None:
        """Let go of the folder, the marker as it is."""
        self._stop()
        held, self._held = self._held, None
        if held is not None:
            os.close(held)

    def _stop(self) -> None:
        self._over.set()
        if self._thread is not None:
            self._thread.join(PATIENCE_S)


def locked(descriptor: int, where: Path) -> int:
    """``descriptor``, with a lock that goes with the process, however it ends.

    Raises :class:`BusyError` when another process holds it for longer than :data:`LOCKED_S`; the
    descriptor is closed then.
    """
    over_s = time.monotonic() + LOCKED_S
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > over_s:
                os.close(descriptor)
                raise BusyError(f"{where}: another play clock service is running here") from None
            time.sleep(LOOK_S)
        except OSError:
            os.close(descriptor)
            raise
        else:
            return descriptor
