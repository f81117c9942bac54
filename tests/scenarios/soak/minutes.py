"""The soak in real time: the real process on ptys, played for minutes by a seeded keeper.

The far ends and the keeper are those of the benchmarks; a bare event loop runs beside the service
and both are read in one loop, so that a busy machine disturbs both alike. What the service prints
is read too: while all is well it must print nothing.
"""

from __future__ import annotations

import contextlib
import os
import random
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from controller.journal.reader import JournalReader
from controller.journal.row import Row
from drivers.base import Key
from tests.benchmarks import rig
from tests.benchmarks.lateness import Changes, start_floor
from tests.scenarios.soak.plays import plays
from tests.scenarios.soak.vital_signs import Vitals

SEED = 4025
SETTLE_S = 20
SAMPLE_S = 5
AHEAD = -10


@dataclass(slots=True)
class Minutes:
    """What was gathered of one run, from its beginning, when the start-up was over, to its end."""

    begins_at: int
    ends_at: int
    presses: int
    """Since the start of the process."""
    samples: list[Vitals]
    seen: list[tuple[int, int]]
    """Which numerals came to the boards, and when."""
    ticks_ms: list[float]
    """How late the bare loop's ticks were, one a second."""
    shows: list[int]
    """When a SHOW came."""
    said: str
    rows: list[Row]
    """The whole journal."""
    problem: str
    """What is wrong with the journal's chain."""
    exit_code: int


class Soak:
    """Plays on one service for ``minutes``."""

    def __init__(self, folder: Path, stack: ExitStack, minutes: float) -> None:
        self._loop, self._stack, self._minutes = rig.SelectLoop(), stack, minutes
        self._plays = plays(random.Random(SEED))
        self._changes = Changes()
        self._presses, self._said = 0, b""
        self._samples: list[Vitals] = []
        self._shows: list[int] = []
        self._site = stack.enter_context(rig.installation(folder))
        self._service = stack.enter_context(rig.process(rig.service(self._site), listen=True))
        assert self._service.stdout is not None
        self._loop.watch(self._service.stdout.fileno(), self._hear)
        self._counterpart = rig.Counterpart(self._loop, self._site, prompt=True)

    def run(self) -> Minutes:
        """Run it to its end."""
        screen = self._counterpart.screen
        self._counterpart.wait_for_start()
        self._press(rig.now())
        self._loop.serve(rig.now() + SETTLE_S * rig.S)
        screen.listeners += [self._changes.shown, lambda _, at: self._shows.append(at)]
        self._said = b""
        begins_at = rig.now()
        ends_at = begins_at + round(self._minutes * 60 * rig.S)
        ticks = start_floor(self._loop, self._site.folder, self._stack, begins_at + rig.S)
        self._sample(begins_at)
        with ahead():
            self._loop.serve(ends_at)
        self._service.terminate()
        code = self._service.wait(rig.STOP_S)
        with JournalReader(self._site.journal) as journal:
            problem = journal.verify().problem
            rows = [entry.row for entry in journal.entries()]
        return Minutes(
            begins_at,
            ends_at,
            self._presses,
            self._samples,
            self._changes.seen,
            ticks.late_ms,
            self._shows,
            self._said.decode("utf-8", "replace"),
            rows,
            problem,
            code,
        )

    def _press(self, at: int) -> None:
        pause_s, key = next(self._plays)
        self._loop.at("press", at + round(pause_s * rig.S), lambda due_at: self._do(due_at, key))

    def _do(self, at: int, key: Key) -> None:
        self._counterpart.press(key)
        self._presses += 1
        self._press(at)

    def _sample(self, at: int) -> None:
        self._samples.append(Vitals.of(self._service.pid, at))
        self._loop.at("sample", at + SAMPLE_S * rig.S, self._sample)

    def _hear(self, data: bytes, at: int) -> None:
        self._said += data


def soak(folder: Path, minutes: float) -> Minutes:
    """Run the service in ``folder`` for so long, and gather."""
    with ExitStack() as stack, rig.undisturbed():
        return Soak(folder, stack, minutes).run()


@contextlib.contextmanager
def ahead() -> Iterator[None]:
    """Whoever measures runs before whom it measures, if it may (setpriority(2))."""
    before = os.getpriority(os.PRIO_PROCESS, 0)
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, AHEAD)
    try:
        yield
    finally:
        os.setpriority(os.PRIO_PROCESS, 0, before)
