"""The soak in virtual time: a whole day of plays with faults, and what is left of it in memory."""

from __future__ import annotations

import asyncio
import gc
import random
import sys
import time
import tracemalloc
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from controller.journal.reader import JournalReader
from drivers.base import Key
from tests.benchmarks.figures import Finding, at_most, equal
from tests.benchmarks.vital_signs import SELF, Vitals
from tests.scenarios.soak.plays import plays
from tests.scenarios.soak.stadium import HANDSET, Stadium
from tests.shared.virtual_time import VirtualClock, VirtualTimeLoop, run

SEED = 2540
PACE = 2.2
HOUR_NS = 3_600_000_000_000
TRACED_H = 2.0
"""At the end of a run of ``TRACED_FROM_H`` or longer allocations are traced for so long: it takes
four times as long, and the first hour only replaces what was there before."""
TRACED_FROM_H = 12.0
SAMPLES = 24
"""So many parts of the run are begun and ended with a sample."""
FAULT_EVERY = 20
"""Plays from one fault to the next."""
QUIET_S = 12.0
"""After a fault until play goes on: everything is well again."""

SETTLED_H = 2.0
"""Until then what is kept of the latest things has filled: the comparison begins there, in a
shorter run at its half."""
OBJECTS = 1_900
"""A day has 864,000 refreshes, 6,000 presses and 2,250 plays: one object kept of each shows. The
samples themselves are some 400 objects, and the console keeps the last 512 lines it has cleaned."""
RESIDENT_KIB = 512
"""Objects above 512 bytes are no ``OBJECTS``: of one kept of each press it would be 3 MiB."""
TRACED_KIB = 64
"""In the last hour, traced since an hour before: of one object kept of each of its 36,000 refreshes
it would be a MiB."""
HANDLES = 3
"""Timers by which two quiet moments may differ."""
LINES_A_FAULT = 6
"""Silent, dark, port lost, still lost, one board back, all well."""


@dataclass(frozen=True, slots=True)
class Sample:
    """What there is at one instant at which nothing is under way, the collector having run."""

    hour: float
    vitals: Vitals
    blocks: int
    """Objects that the interpreter holds (``sys.getallocatedblocks``)."""
    traced: int
    """Bytes held of all that was allocated since the tracing began; 0 before."""
    tasks: int
    handles: int
    """Timers that the loop keeps, those that were cancelled included."""
    snapshot_bytes: int


@dataclass(slots=True)
class Day:
    """What was gathered."""

    samples: list[Sample] = field(default_factory=list)
    plays: int = 0
    presses: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    relights: int = 0
    told: int = 0
    feeds: int = 0
    printed: int = 0
    rows: Counter[str] = field(default_factory=Counter)
    problem: str = ""
    real_s: float = 0.0


class Keeper:
    """Plays on a stadium for ``hours``, with a fault now and then while the ball is live."""

    def __init__(self, stadium: Stadium, day: Day, hours: float) -> None:
        self._stadium, self._day, self._hours = stadium, day, hours
        self._clock = stadium.clock
        self._begins_at = self._sample_at = stadium.clock()
        self._ends_at = self._begins_at + round(hours * HOUR_NS)
        self._chance = random.Random(SEED)

    async def play(self) -> None:
        """All of it."""
        for pause_s, key in plays(self._chance, PACE):
            await asyncio.sleep(pause_s)
            self._press(key)
            if key is not Key.SNAP:
                continue
            self._day.plays += 1
            if self._day.plays % FAULT_EVERY == 0:
                await self._fault()
            if self._clock() >= self._sample_at:
                self._sample_at += round(self._hours * HOUR_NS / SAMPLES)
                await self._sample()
            if self._clock() >= self._ends_at:
                await self._sample()
                return

    def _press(self, key: Key) -> None:
        self._stadium.air.press(HANDSET, key)
        self._day.presses += 1

    async def _fault(self) -> None:
        kind = self._chance.choice(("deaf", "mute", "pair", "receiver", "dark"))
        self._day.faults[kind] += 1
        await asyncio.sleep(1.0)  # the snap has come through
        node = self._chance.choice(self._stadium.nodes)
        if kind in ("deaf", "mute"):
            setattr(node, kind, True)
            await asyncio.sleep(1.0)
            setattr(node, kind, False)
        elif kind == "pair":
            await self._stadium.break_pair(self._chance.randrange(100, 2000) / 1000)
        elif kind == "receiver":
            await self._stadium.break_receiver(self._chance.randrange(100, 8000) / 1000)
        else:
            await self._stadium.break_pair(5.0)
        await asyncio.sleep(QUIET_S)
        if self._stadium.service.status().boards == "off":
            await self._relight()

    async def _relight(self) -> None:
        """Four taps, as good as the key held: the first marks the moment, the fourth relights."""
        self._day.relights += 1
        for _ in range(4):
            self._stadium.air.press(HANDSET, Key.BOARDS_OFF)
            await asyncio.sleep(0.3)
        await asyncio.sleep(QUIET_S)

    async def _sample(self) -> None:
        stadium = self._stadium
        await asyncio.sleep(QUIET_S)
        stadium.write_out()
        await asyncio.sleep(1.05)  # the handed-over rows are let go
        stadium.air.handsets[HANDSET].cues.clear()
        gc.collect()
        loop, hour = asyncio.get_running_loop(), (self._clock() - self._begins_at) / HOUR_NS
        traced = self._hours >= TRACED_FROM_H and hour >= self._hours - TRACED_H
        if traced and not tracemalloc.is_tracing():
            tracemalloc.start()
        assert isinstance(loop, VirtualTimeLoop)
        self._day.samples.append(
            Sample(
                hour=hour,
                vitals=Vitals.of(SELF, self._clock()),
                blocks=sys.getallocatedblocks(),
                traced=tracemalloc.get_traced_memory()[0],
                tasks=len(asyncio.all_tasks()),
                handles=len(loop._scheduled),  # type: ignore[attr-defined]
                snapshot_bytes=stadium.snapshot_path.stat().st_size,
            )
        )


def day(folder: Path, hours: float) -> Day:
    """Play for so many hours of virtual time, and gather."""
    found = Day()
    began_s = time.monotonic()

    async def main(clock: VirtualClock) -> None:
        stadium = Stadium(folder, clock)
        async with stadium.running():
            await asyncio.sleep(2)
            await Keeper(stadium, found, hours).play()
        found.feeds = stadium.told["WATCHDOG=1"]
        found.told = stadium.told.total() - found.feeds
        found.printed = len(stadium.printed_path.read_text().splitlines())
        with JournalReader(stadium.journal_path) as journal:
            found.problem = journal.verify().problem
            found.rows = Counter(entry.row.kind for entry in journal.entries())

    run(main)
    tracemalloc.stop()
    found.real_s = time.monotonic() - began_s
    return found


# What must be flat


def settled(run: Day) -> Sample:
    """The sample at which the comparison begins."""
    from_h = min(SETTLED_H, run.samples[-1].hour / 2)
    return next(each for each in run.samples if each.hour >= from_h)


def findings(run: Day) -> list[Finding]:
    """Everything that must be flat, and that nothing was lost."""
    begun, last = settled(run), run.samples[-1]
    untraced = [each for each in run.samples if not each.traced][-1]  # tracing has its own memory
    traced = [each.traced for each in run.samples if each.traced]
    handles = [each.handles for each in run.samples]
    faults = run.faults.total()
    pressed = run.presses + 2 * run.relights
    since = f"since hour {begun.hour:.1f}"
    resident = untraced.vitals.resident_kib - begun.vitals.resident_kib
    held = []
    if traced:  # the first one is where it began, the second is an hour later
        grown_kib = (traced[-1] - traced[1]) / 1024
        held.append(at_most("traced memory grown in the last hour", grown_kib, TRACED_KIB, " KiB"))
    return [
        *held,
        at_most(f"objects grown {since}", last.blocks - begun.blocks, OBJECTS),
        at_most(f"memory grown {since}", resident, RESIDENT_KIB, " KiB"),
        equal("open descriptors", *_same([each.vitals.descriptors for each in run.samples])),
        equal("threads", *_same([each.vitals.threads for each in run.samples])),
        equal("asyncio tasks", *_same([each.tasks for each in run.samples])),
        at_most("asyncio timers, most to least", max(handles) - min(handles), HANDLES),
        equal("snapshot's bytes", *_same([each.snapshot_bytes for each in run.samples])),
        equal("presses in the journal", run.rows["press"], pressed),
        # Of the four taps that relight, the second and the third ask for nothing more.
        equal("presses that changed nothing", run.rows["no change"], 2 * run.relights),
        equal("presses refused or rejected", run.rows["refused"] + run.rows["rejected"], 0),
        equal("journal's chain", run.problem, ""),
        at_most("lines printed", run.printed, LINES_A_FAULT * faults),
        at_most("states told to the service manager", run.told, LINES_A_FAULT * faults + 2),
    ]


def _same(values: list[int]) -> tuple[str, str]:
    """All values there were, and the first of them, which must be the only one."""
    return ", ".join(map(str, sorted(set(values)))), str(values[0])
