"""The program at a desk: boards at its port, keys on its terminal, its state on a card that fails.

The card is real files; what the program asks of them goes through ``card.c``, which answers as a
card in that condition does. There are no radio handsets: whoever is at the desk presses.
"""

from __future__ import annotations

import asyncio
import contextlib
import enum
import fcntl
import os
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import termios
from collections.abc import AsyncIterator, Callable
from pathlib import Path

from tests.shared.board_node import Node
from tests.shared.far_ends import FarEnds
from tests.shared.frames import S_NS
from tests.shared.installation import Site
from tests.shared.program import LATEST_NS, PROGRAM, ROOT, boottime, until

SHIM = Path(__file__).with_name("card.c")
INSTANT_S = 0.3
"""How long another process holds a lock "for an instant"."""
BOUNCE_S = 0.05
"""A key within so long of itself is taken for one that bounced."""


class Ill(enum.Enum):
    """How a card can be; the value's first letter is what ``card.c`` reads."""

    FULL = "full"
    READ_ONLY = "read-only"
    GONE = "gone"
    SLOW = "slow"
    IO_ERRORS = "i/o errors"
    LOCKED = "locked by another"


def shim(folder: Path) -> Path:
    """``card.c``, compiled."""
    made = folder / "card.so"
    command = ["cc", "-shared", "-fPIC", "-O1", "-o", str(made), str(SHIM), "-ldl"]
    subprocess.run(command, check=True, capture_output=True)
    return made


class Desk:
    """One installation and its card, at first well."""

    def __init__(self, site: Site, library: Path) -> None:
        self.site = site
        self.ends = FarEnds(boottime, site)
        self.log = site.folder / "output"
        self.state, self.run = site.folder / "state", site.folder / "run"
        self._control = site.folder / "control"
        self._control.write_text("well")
        self._environment = dict(os.environ, LD_PRELOAD=str(library), CARD=str(self.state))
        self._environment["CONTROL"] = str(self._control)
        self._keys, self._terminal = os.openpty()
        self._settings = termios.tcgetattr(self._terminal)
        self._journal_lock: sqlite3.Connection | None = None
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def up(self) -> bool:
        """True while the service runs."""
        return self.process is not None and self.process.poll() is None

    @property
    def said(self) -> str:
        """All that it said, on its output and to the log."""
        return self.log.read_text()

    def becomes(self, ill: Ill) -> None:
        """The card is like that from now on."""
        if ill is not Ill.LOCKED:
            self._control.write_text(ill.value)
            return
        with contextlib.suppress(sqlite3.OperationalError):  # no journal yet
            journal = f"file:{self.site.journal}?mode=rw"
            lock = sqlite3.connect(journal, uri=True, isolation_level=None)
            lock.execute("BEGIN EXCLUSIVE")
            self._journal_lock = lock
        held: list[int] = []
        for path in (self.state, self.run / "lock"):
            with contextlib.suppress(OSError):
                held.append(os.open(path, os.O_RDONLY))
                fcntl.flock(held[-1], fcntl.LOCK_EX | fcntl.LOCK_NB)
        for descriptor in held:
            asyncio.get_running_loop().call_later(INSTANT_S, os.close, descriptor)

    def heals(self) -> None:
        """The card is well again."""
        self._control.write_text("well")
        if self._journal_lock is not None:
            self._journal_lock.close()
            self._journal_lock = None

    def launch(self, *before: str) -> None:
        """Start the service, by way of a command ``before`` it."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*before, *PROGRAM, "run", "--config", str(self.site.config), "--plain"],
                cwd=ROOT,
                env=self._environment,
                stdin=self._terminal,
                stdout=log,
                stderr=log,
            )

    async def told(self, frames: int = 1) -> None:
        """Wait until the boards have heard more frames of the service, and it listens to keys."""
        heard = len(self.ends.boards.log) + frames
        await self.until(lambda: len(self.ends.boards.log) >= heard)
        await self.until(lambda: not termios.tcgetattr(self._terminal)[3] & termios.ICANON)

    async def until(self, holds: Callable[[], object], within_s: float = 10) -> None:
        """Wait until something holds."""
        await until(
            lambda: bool(holds()),
            within_s,
            lambda: f"boards {self.ends.read}; it said: {self.said}",
        )

    async def says(self, words: str) -> None:
        """Wait until it has said that."""
        await self.until(lambda: words in self.said)

    async def reads(self, text: str, within_s: float = 10) -> None:
        """Both boards come to read ``text``."""
        await self.until(lambda: self.ends.read == [text, text], within_s)

    def types(self, key: str) -> None:
        """A key of the terminal."""
        os.write(self._keys, key.encode())

    async def relights(self) -> None:
        """BOARDS OFF, twice."""
        self.types("o")
        await self.says("boards off or on")
        await asyncio.sleep(BOUNCE_S)
        self.types("o")

    def dies(self, *, power: bool) -> None:
        """Killed at once; with the ``power`` goes all that was in memory, and the boot."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()
        termios.tcsetattr(self._terminal, termios.TCSANOW, self._settings)
        if power:
            for each in self.run.iterdir():
                each.unlink()
            (self.state / "open").write_text("the boot before\n")

    async def stops(self) -> int:
        """Ended in order; gives the exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return await asyncio.to_thread(self.process.wait, 10)

    def close(self) -> None:
        """Leave nothing behind."""
        self.heals()
        if self.process is not None:
            self.process.kill()
            self.process.wait()
        self.ends.stop()
        os.close(self._keys)
        os.close(self._terminal)


@contextlib.asynccontextmanager
async def desk(library: Path) -> AsyncIterator[Desk]:
    """A desk whose service is not yet started."""
    folder = Path(tempfile.mkdtemp())  # a short path: the output has narrow lines
    try:
        with Site(folder, handsets=()) as site:
            made = Desk(site, library)
            try:
                yield made
            finally:
                made.close()
    finally:
        shutil.rmtree(folder)


def started_at(node: Node) -> int:
    """When the newest count of 40 went up on a board."""
    places = [place for place, face in enumerate(node.faces) if face == "40"]
    return node.instants[places[-1]]


def untrue(node: Node, since_at: int) -> list[tuple[str, float]]:
    """Numerals on a board that were not those of the count of 40 since then, with their second."""
    wrong = []
    for face, at in zip(node.faces, node.instants, strict=True):
        if at < since_at or not face.strip():
            continue
        may = {40 - (at - early - since_at) // S_NS for early in (0, LATEST_NS)}
        if int(face) not in may | {40 - (at + LATEST_NS - since_at) // S_NS}:
            wrong.append((face, (at - since_at) / S_NS))
    return wrong
