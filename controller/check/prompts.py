"""Talks with the people at the terminal: questions, and waiting for something to happen.

``s`` skips a step, ``r`` begins it again, ``q`` ends the check, at any moment; Enter
follows each.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import termios
from collections.abc import Callable

from controller.check.report import Report

POLL_S = 0.05
S_NS = 1_000_000_000


class Skip(Exception):
    """The step shall be left out."""


class Repeat(Exception):
    """The step shall begin again."""


class Abort(Exception):
    """The whole check shall end."""


_COMMANDS: dict[str, type[Exception]] = {"s": Skip, "r": Repeat, "q": Abort}


class Lines:
    """Typed lines, each with the instant at which its Enter came.

    Reads descriptor ``fd``; the end of the input (or None for ``fd``) is line None, for ever.
    """

    def __init__(self, fd: int | None, clock: Callable[[], int]) -> None:
        self._fd, self._clock = fd, clock
        self._queue: asyncio.Queue[tuple[str | None, int]] = asyncio.Queue()
        self._rest = b""
        self._reading = False

    def open(self) -> None:
        """Begin to read, inside the event loop."""
        if self._fd is None:
            self._put(None)
            return
        loop = asyncio.get_running_loop()
        try:
            loop.add_reader(self._fd, self._readable)
            self._reading = True
        except PermissionError:  # a plain file, which epoll does not take: epoll_ctl(2)
            while self._fd is not None:
                self._readable()

    def close(self) -> None:
        """Stop reading."""
        if self._reading and self._fd is not None:
            asyncio.get_running_loop().remove_reader(self._fd)
        self._fd = None

    def forget(self) -> None:
        """Drop what was typed ahead at a terminal: it answers no question asked since."""
        if self._fd is None or not os.isatty(self._fd):
            return
        with contextlib.suppress(termios.error):
            termios.tcflush(self._fd, termios.TCIFLUSH)
        while not self._queue.empty():
            self._queue.get_nowait()

    async def next(self, timeout_s: float | None = None) -> tuple[str | None, int]:
        """The next line and its instant. Raises ``TimeoutError``."""
        async with asyncio.timeout(timeout_s):
            line, at = await self._queue.get()
        if line is None:
            self._put(None)
        return line, at

    def _put(self, line: str | None) -> None:
        self._queue.put_nowait((line, self._clock()))

    def _readable(self) -> None:
        assert self._fd is not None
        try:
            data = os.read(self._fd, 4096)
        except BlockingIOError:
            return
        except OSError:  # the terminal has hung up
            data = b""
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            self._put(line.decode("utf-8", "replace").strip())
        if not data:
            self.close()
            self._put(None)


class Dialogue:
    """Questions to people. The end of the input counts as ``q``."""

    def __init__(self, lines: Lines, report: Report, clock: Callable[[], int]) -> None:
        self._lines, self._report, self._clock = lines, report, clock

    def say(self, text: str) -> None:
        """Something to read or to do."""
        self._report.say(text)

    async def ask(self, question: str) -> bool:
        """A question with yes or no for an answer."""
        while True:
            line, _ = await self.enter(f"{question} (y or n, then Enter)")
            if line in ("y", "yes"):
                return True
            if line in ("n", "no"):
                return False
            self.say("please type y or n, then Enter; s skips, r repeats, q ends the check")

    async def enter(self, prompt: str) -> tuple[str, int]:
        """A line in small letters, and when its Enter came."""
        self._lines.forget()
        self.say(prompt)
        return self._checked(*await self._lines.next())

    async def until(self, happened: Callable[[], bool], timeout_s: float) -> bool:
        """Wait until something has happened; False when it has not in that time."""
        self._lines.forget()
        ends_at = self._clock() + round(timeout_s * S_NS)
        while not happened():
            if self._clock() >= ends_at:
                return False
            try:
                self._checked(*await self._lines.next(POLL_S))
            except TimeoutError:
                continue
        return True

    def _checked(self, line: str | None, at: int) -> tuple[str, int]:
        if line is None:
            raise Abort
        text = line.lower()
        if text in _COMMANDS:
            raise _COMMANDS[text]
        return text, at
