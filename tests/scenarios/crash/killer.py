"""Kills a process at one chosen system call, from a thread beside the event loop of a test."""

from __future__ import annotations

import os
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from tests.scenarios.crash.ptrace import Call, Traced

LOOP, JOURNAL = "loop", "journal"
WORD_BYTES = 8
"""No more is copied at once, so never half of it."""
PATIENCE_S = 0.5
"""A point is waited for so much longer than the window was that it was found in."""


@dataclass(frozen=True, slots=True, order=True)
class Point:
    """The ``nth`` call of one name (from 1) that a thread makes in the window.

    ``torn``: as if the process had died a little earlier or later, half-way through a change of a
    file: of the bytes that this call would write the first half are written.
    """

    thread: str
    name: str
    nth: int
    torn: bool = False

    def __str__(self) -> str:
        return f"{self.thread}: {self.name} {self.nth}{', torn' if self.torn else ''}"


@dataclass(frozen=True, slots=True)
class Seen:
    """A call in the window. ``tears``: here a change of a file can be half done."""

    point: Point
    tears: bool


Opens = Callable[[Traced, Call], bool]
"""Whether this entry of a call is meant."""
_BY_DESCRIPTOR = {"write", "pwrite64", "fsync", "fdatasync", "ftruncate", "fallocate", "flock"}
_BY_PATH = {"mkdir", "rename", "unlink"}
_BY_FOLDER_AND_PATH = {"openat", "mkdirat", "renameat", "renameat2", "unlinkat"}


def reads_from(link: Path) -> Opens:
    """The window opens when the service is about to read from a device."""
    device = os.path.realpath(link)

    def opens(traced: Traced, call: Call) -> bool:
        return call.name == "read" and traced.path_of(call.arguments[0]) == device

    return opens


def after(at: int) -> Opens:
    """The window opens with the first call after an instant of CLOCK_BOOTTIME."""
    return lambda *_: time.clock_gettime_ns(time.CLOCK_BOOTTIME) >= at


def any_call(_: Traced, __: Call) -> bool:
    """Every call is meant."""
    return True


def touches(folder: Path) -> Opens:
    """The calls that open or change something below ``folder``, or write to a device."""

    def meant(traced: Traced, call: Call) -> bool:
        if call.name in _BY_DESCRIPTOR:
            path = traced.path_of(call.arguments[0])
        elif call.name in _BY_PATH:
            path = traced.text(call.arguments[0])
        elif call.name in _BY_FOLDER_AND_PATH:
            path = traced.text(call.arguments[1])
        else:
            return False
        return path.startswith((f"{folder}/", "/dev/pts/"))

    return meant


@dataclass(frozen=True, slots=True)
class Window:
    """When it opens (by a call of the event loop's thread), for how many seconds at most, and which
    calls are counted."""

    opens: Opens
    length_s: float
    counts: Opens = any_call


class Killer(threading.Thread):
    """Lets the process run into ``point`` of the window, and kills it there; without a point at the
    end of the window, and some time after it when the point is not met. ``seen`` are the calls
    until then, the one that was not made among them.
    """

    def __init__(self, pid: int, window: Window, point: Point | None) -> None:
        super().__init__(name="killer", daemon=True)
        self.seen: list[Seen] = []
        self.met = False
        self.armed = threading.Event()
        self.problem: BaseException | None = None
        self._pid, self._window, self._point = pid, window, point
        self._over_at = 0.0
        self._counts: Counter[tuple[str, str]] = Counter()
        self._tear: Callable[[], None] = lambda: None

    def run(self) -> None:
        """Trace the process until it is dead."""
        try:
            traced = Traced(self._pid)
            self.armed.set()
            for call in traced.calls():
                if call.result is None and not self.met:
                    self._entered(traced, call)
            self._tear()
        except BaseException as error:
            self.problem = error
        finally:
            self.armed.set()

    def _entered(self, traced: Traced, call: Call) -> None:
        thread = LOOP if call.thread == self._pid else JOURNAL
        if not self._over_at:
            if thread != LOOP or not self._window.opens(traced, call):
                return
            patience_s = 0 if self._point is None else PATIENCE_S
            self._over_at = time.monotonic() + self._window.length_s + patience_s
        if time.monotonic() > self._over_at:
            traced.kill()
            return
        if not self._window.counts(traced, call):
            return
        self._counts[thread, call.name] += 1
        point = Point(thread, call.name, self._counts[thread, call.name])
        tear = self._half_done(traced, call)
        self.seen.append(Seen(point, tear is not None))
        if self._point == point:
            self.met = True
            traced.kill()
        elif self._point == replace(point, torn=True) and tear is not None:
            self.met = True
            self._tear = tear
            traced.kill()

    def _half_done(self, traced: Traced, call: Call) -> Callable[[], None] | None:
        """How to leave half of the change of a file that ends here, if there is one."""
        if call.name != "pwrite64":
            return None
        descriptor, address, length, offset = call.arguments[:4]
        if length <= WORD_BYTES:
            return None
        path, data = traced.path_of(descriptor), traced.memory(address, length // 2)
        return lambda: _overwrite(path, data, offset)


def _overwrite(path: str, data: bytes, offset: int) -> None:
    target = os.open(path, os.O_WRONLY)
    try:
        assert os.pwrite(target, data, offset) == len(data)
    finally:
        os.close(target)
