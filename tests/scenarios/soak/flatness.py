"""Holds the end of a soak in real time against its own beginning."""

from __future__ import annotations

import sys
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from controller.journal.row import Row
from tests.benchmarks.figures import percentile
from tests.benchmarks.rig import MS, S
from tests.scenarios.soak.findings import Finding, at_most, equal
from tests.scenarios.soak.minutes import Minutes
from tests.scenarios.soak.vital_signs import Spell
from tests.shared.installation import BOARDS

WINDOW_S = 300
"""The beginning and the end that are compared, each at most a third of the run."""

GROWTH_KIB, LATE_GROWTH_KIB = 1_024, 160
"""From the first window to the last, and within the last one. CPython keeps up to 2,000 freed
tuples of each length for later (Objects/tupleobject.c, ``PyTuple_MAXFREELIST``) and lets them go at
a full collection only, which a service whose start-up is frozen hardly ever needs: so memory grows
for an hour by what a few lengths take, ever slower. A window has 3,000 refreshes: 54 bytes kept of
each show. What is kept of a press shows in ``day`` only, which collects before it looks."""
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


@dataclass(frozen=True, slots=True)
class Due:
    """A numeral and the instant at which it must come."""

    numerals: int
    at: int


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
            at = row.edge_at + k * S
            if at >= following.received_at - S // 2:
                break
            if not any(from_at <= at < to_at + S for from_at, to_at in dark):
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


@dataclass(slots=True)
class Lateness:
    """How late numerals came, in milliseconds, and how many never did."""

    late_ms: list[float] = field(default_factory=list)
    missed: int = 0

    @classmethod
    def of(cls, expected: Sequence[Due], seen: Sequence[tuple[int, int]]) -> Lateness:
        """Look for each within half a second before to one second after it is due."""
        found = cls()
        instants = [at for _, at in seen]
        for due in expected:
            first = bisect_left(instants, due.at - S // 2)
            last = bisect_left(instants, due.at + S)
            came = [at for numerals, at in seen[first:last] if numerals == due.numerals]
            if came:
                found.late_ms.append((came[0] - due.at) / MS)
            else:
                found.missed += 1
        return found


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
        expected = [due for due in dues(run.rows) if from_at + S <= due.at < to_at - S]
        ticks = slice((from_at - run.begins_at) // S, (to_at - run.begins_at) // S)
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
    span = min(WINDOW_S * S, (run.ends_at - run.begins_at) // 3)
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
