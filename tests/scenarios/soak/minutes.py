"""The soak in real time: the real process on ptys, played for minutes by a seeded keeper.

The far ends and the keeper are those of the benchmarks; a bare event loop runs beside the service
and both are read in one loop, so that a busy machine disturbs both alike. What the service prints
is read too: while all is well it must print nothing.
"""

from __future__ import annotations

import contextlib
import os
import random
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from controller.journal.reader import JournalReader
from controller.journal.row import Row
from drivers.base import Key
from tests.benchmarks import rig
from tests.benchmarks.figures import Finding, at_most, equal, percentile
from tests.benchmarks.lateness import Changes, Due, Lateness, start_floor
from tests.benchmarks.vital_signs import Spell, Vitals
from tests.scenarios.soak.plays import plays
from tests.shared.installation import BOARDS

SEED = 4025
SETTLE_S = 20
SAMPLE_S = 5
AHEAD = -10

WINDOW_S = 300
"""The beginning and the end that are compared, each at most a third of the run."""

GROWTH_KIB, LATE_GROWTH_KIB = 512, 160
"""From the first window to the last, and within the last one. What CPython keeps of freed objects
for later fills in the first minutes, and goes with each full collection, once a minute
(``controller.commands.run``). A window has 3,000 refreshes: 54 bytes kept of each show. What is
kept of a press shows in ``day`` only, which collects before it looks."""
CPU_RATIO, SWITCH_RATIO, SHOW_RATIO = 1.5, 1.1, 1.05
"""Besides three of the kernel's ticks of processor time, which is counted in them. The same work
takes a third more of it on a busy machine, whose caches are others'."""
P50_RATIO, P50_SLACK_MS = 1.5, 1.0
P99_RATIO, P99_SLACK_MS = 2.0, 5.0
"""Lateness at the end may be so many times that of the beginning, or as many times more as the
bare loop's, and the slack: the p99 of some two hundred numerals is the third worst of them."""
HELD_UP_MS = 500.0
"""A bare loop that is later than this was kept from running: a numeral may have been skipped."""

ANSWER_MS = 20.0
"""A far end that is held up for longer answers too late."""
UNCOUNTED = 0.25
"""So many of the silences may then be without a counted late answer: the service does not count one
that comes while it waits for the next."""


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


class Played(rig.Bench):
    """A service that is played on, whose vital signs are sampled and whose words are kept."""

    def __init__(self, folder: Path, stack: ExitStack, seed: int) -> None:
        super().__init__(folder, stack, listen=True, prompt=True)
        self._plays = plays(random.Random(seed))
        self._presses, self._said = 0, b""
        self._samples: list[Vitals] = []
        assert self.process.stdout is not None
        self.loop.watch(self.process.stdout.fileno(), self._hear)

    def _end(self) -> tuple[int, list[Row], str]:
        """Stop the service; gives its exit code, its record, and what is wrong with the chain."""
        self.process.terminate()
        code = self.process.wait(rig.STOP_S)
        with JournalReader(self.site.journal) as journal:
            problem = journal.verify().problem
            return code, [entry.row for entry in journal.entries()], problem

    def _press(self, at: int) -> None:
        pause_s, key = next(self._plays)
        self.loop.at("press", at + round(pause_s * rig.S), lambda due_at: self._do(due_at, key))

    def _do(self, at: int, key: Key) -> None:
        self.counterpart.press(key)
        self._presses += 1
        self._press(at)

    def _sample(self, at: int) -> None:
        self._samples.append(Vitals.of(self.process.pid, at))
        self.loop.at("sample", at + SAMPLE_S * rig.S, self._sample)

    def _hear(self, data: bytes, at: int) -> None:
        self._said += data


class Soak(Played):
    """Plays on one service for ``minutes``."""

    def __init__(self, folder: Path, stack: ExitStack, minutes: float) -> None:
        super().__init__(folder, stack, SEED)
        self._minutes = minutes
        self._changes = Changes()
        self._shows: list[int] = []

    def run(self) -> Minutes:
        """Run it to its end."""
        screen = self.counterpart.screen
        self.counterpart.wait_for_start()
        self._press(rig.now())
        self.loop.serve(rig.now() + SETTLE_S * rig.S)
        screen.listeners += [self._changes.shown, lambda _, at: self._shows.append(at)]
        self._said = b""
        begins_at = rig.now()
        ends_at = begins_at + round(self._minutes * 60 * rig.S)
        ticks = start_floor(self.loop, self.site.folder, self.stack, begins_at + rig.S)
        self._sample(begins_at)
        with ahead():
            self.loop.serve(ends_at)
        code, rows, problem = self._end()
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


# What must be flat


def dues(rows: Sequence[Row]) -> list[Due]:
    """The numerals that running counts must bring, from the journal alone.

    The last half second before the next press is left out: there the two may pass each other. So is
    what was due while a fault kept the boards dark, and a second more.
    """
    dark = _darkness(rows)
    presses = [row for row in rows if row.kind == "press"]
    found = []
    for row, following in pairwise(presses):
        if row.phase_after != "RUNNING" or row.event == "undo" or row.edge_at is None:
            continue
        number = row.ruling_seconds or 0
        for k in range(1, number + 1):
            at = row.edge_at + k * rig.S
            if at >= following.received_at - rig.S // 2:
                break
            if not any(from_at <= at < to_at + rig.S for from_at, to_at in dark):
                found.append(Due(number - k, at))
    return found


def _darkness(rows: Sequence[Row]) -> list[tuple[int, int]]:
    """From when until when the boards were dark by a fault."""
    told = [row for row in rows if row.event == "boards"]
    spells = []
    for row, following in pairwise([*told, None]):
        assert row is not None
        if row.kind == "fault":
            spells.append((row.received_at, following.received_at if following else sys.maxsize))
    return spells


def silences(rows: Sequence[Row]) -> tuple[int, int]:
    """How often a board turned silent, and how often without an answer that came too late.

    The far end is a process too: on a busy machine it answers late, and each late answer may be one
    silence. The row counts the late ones before it, so that of the last silence is not known.
    """
    turned, unexplained = 0, 0
    for board in BOARDS.values():
        silent = [row.detail for row in rows if row.event == f"{board}: silent"]
        late = int("".join(filter(str.isdigit, silent[-1])) or 0) if silent else 0
        turned += len(silent)
        unexplained += max(0, len(silent) - 1 - late)
    return turned, unexplained


@dataclass(frozen=True, slots=True)
class Window:
    """One stretch of a run."""

    spell: Spell
    numerals: Lateness
    floor_ms: list[float]
    shows: int

    @classmethod
    def of(cls, run: Minutes, from_at: int, to_at: int) -> Window:
        """What happened from one instant to another."""
        expected = [due for due in dues(run.rows) if from_at + rig.S <= due.at < to_at - rig.S]
        ticks = slice((from_at - run.begins_at) // rig.S, (to_at - run.begins_at) // rig.S)
        return cls(
            Spell(tuple(each for each in run.samples if from_at <= each.at <= to_at)),
            Lateness.of(expected, run.seen),
            run.ticks_ms[ticks],
            sum(from_at <= at < to_at for at in run.shows),
        )

    def late_ms(self, percent: float) -> float:
        return percentile(self.numerals.late_ms, percent)

    def floor(self, percent: float) -> float:
        return percentile(self.floor_ms, percent)

    def __str__(self) -> str:
        spell = self.spell
        return (
            f"RSS {spell.resident_kib / 1024:.2f} MiB (anonymous "
            f"{spell.anonymous_kib / 1024:.2f}), CPU {spell.cpu_percent:.2f} %, "
            f"{spell.switches_a_second:.1f} sleeps/s, {self.shows} SHOWs; numerals "
            f"n {len(self.numerals.late_ms)} p50 {self.late_ms(50):.2f} p99 {self.late_ms(99):.2f} "
            f"ms, bare loop p50 {self.floor(50):.2f} p99 {self.floor(99):.2f} ms"
        )


def windows(run: Minutes) -> tuple[Window, Window]:
    """The beginning and the end of a run."""
    span = min(WINDOW_S * rig.S, (run.ends_at - run.begins_at) // 3)
    return (
        Window.of(run, run.begins_at, run.begins_at + span),
        Window.of(run, run.ends_at - span, run.ends_at),
    )


def findings(run: Minutes) -> list[Finding]:
    """Everything that must be flat, and that nothing was lost. A silence may be said, and its end;
    nothing else may be printed."""
    first, last = windows(run)
    whole = Spell(tuple(run.samples))
    grown, begun = last.spell, first.spell
    presses = [row for row in run.rows if row.kind == "press"]
    missed = Window.of(run, run.begins_at, run.ends_at).numerals.missed
    turned, unexplained = silences(run.rows)
    held_up = sum(late > HELD_UP_MS for late in run.ticks_ms)
    late_far_end = any(late > ANSWER_MS for late in run.ticks_ms)
    uncounted = turned * UNCOUNTED if late_far_end else 0
    return [
        at_most("memory grown", grown.resident_kib - begun.resident_kib, GROWTH_KIB, " KiB"),
        at_most("of it within the last window", grown.growth_kib, LATE_GROWTH_KIB, " KiB"),
        equal("open descriptors, all samples", len(whole.descriptors), 1),
        equal("threads, all samples", whole.threads, {2}),
        at_most("processor time", grown.cpu_percent, _allowed_cpu(begun), " %"),
        at_most(
            "sleeps a second, end to beginning",
            grown.switches_a_second / begun.switches_a_second,
            SWITCH_RATIO,
            " x",
        ),
        at_most("SHOWs, end to beginning", last.shows / first.shows, SHOW_RATIO, " x"),
        _later(50, first, last, P50_RATIO, P50_SLACK_MS),
        _later(99, first, last, P99_RATIO, P99_SLACK_MS),
        at_most("numerals that never came", missed, held_up),
        at_most("boards silent without a late answer", unexplained, uncounted),
        at_most("lines printed", run.said.count("\n"), 2 * turned),
        equal("presses in the journal", len(presses), run.presses),
        equal("journal's chain", run.problem, ""),
        equal("exit code", run.exit_code, 0),
    ]


def _allowed_cpu(first: Spell) -> float:
    return first.cpu_percent * CPU_RATIO + 3 * first.tick_percent


def _later(percent: float, first: Window, last: Window, ratio: float, slack_ms: float) -> Finding:
    """Lateness at the end, beside what the beginning and the bare loop allow."""
    floor = max(1.0, last.floor(percent) / first.floor(percent))
    limit_ms = first.late_ms(percent) * ratio * floor + slack_ms
    return at_most(f"lateness of numerals, p{percent:g}", last.late_ms(percent), limit_ms, " ms")
