"""What happens in the window in which the service is killed, and what must be true afterwards."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Protocol

from tests.scenarios.crash.bench import JOURNALLED_S, Bench, bench, expires_at
from tests.scenarios.crash.killer import LOOP, Killer, Point, Seen, after, reads_from, touches
from tests.shared.board_node import Heard
from tests.shared.frames import MS_NS, S_NS, State
from tests.shared.installation import KEEPER
from tests.shared.program import boottime

BEFORE, AFTER = "before", "after"
TOLD_IN_NS = 10 * MS_NS
"""A remaining time is told in steps of 10 ms, rounded up."""
EXACT_NS = 50 * MS_NS
"""Half of them are heard sooner: 8 ms of line, and the machine."""
LATE_NS = 200 * MS_NS
"""Any of them, and any numeral, is heard so late at most."""
DECIDED = Point(LOOP, "write", 1)
"""The boards' frame is about to leave."""
SHOWN = Point(LOOP, "sched_yield", 1)
"""The boards' frame has left, and nothing else was done."""
EARLY_NS = 40 * MS_NS
"""A window around an instant that is known to 30 ms opens so long before it."""


@dataclass(frozen=True, slots=True)
class Death:
    """One death, and which side of the event the next service went on from."""

    point: Point | None
    met: bool
    seen: list[Seen]
    found: str
    off_ns: list[int]
    """How far the running counts that were told then seem to be off, their way here included."""


class Since:
    """What was heard since a moment."""

    def __init__(self, rig: Bench) -> None:
        self._rig, self._shows, self._states = rig, len(rig.shows), len(rig.states)

    @property
    def shows(self) -> list[Heard]:
        """The boards' frames, up to now."""
        return self._rig.shows[self._shows :]

    @property
    def states(self) -> list[tuple[int, State]]:
        """What the handset was told, up to now."""
        return self._rig.states[self._states :]


class Scene(Protocol):
    """Something that happens to a service while it is killed."""

    async def die(self, folder: Path, point: Point | None) -> Death:
        """Let it happen, be killed at ``point``, start again, and judge what there is."""
        ...


@dataclass(frozen=True, slots=True)
class Press:
    """``key`` after the key ``prepared``, and the phases and results that go with them.

    ``held`` is the numeral of the held phase, and ``seconds`` the length of the count of the other;
    ``program`` is the module that is run.
    """

    prepared: str
    before: str
    key: str
    after: str
    result: str
    held: int
    seconds: int
    program: str = "controller"

    async def die(self, folder: Path, point: Point | None) -> Death:
        async with bench(folder, program=self.program) as rig:
            killer, seen_outside = await self._press(rig, point)
            since = Since(rig)
            await rig.start()
            found, off_ns = await self._judge(rig, since, seen_outside)
        return Death(point, killer.met, killer.seen, found, off_ns)

    async def _press(self, rig: Bench, point: Point | None) -> tuple[Killer, bool]:
        """Press and die; True if anybody has seen or heard something of it."""
        await rig.start()
        assert await rig.press(self.prepared) in ("held", "running")
        await asyncio.sleep(JOURNALLED_S)
        since = Since(rig)
        opens = reads_from(rig.site.ttys["receiver"].link)
        killer = await rig.killed(opens, 0.25, point, partial(rig.press_once, self.key))
        answered = any(self._answered(state, rig) for _, state in since.states)
        held = {heard.show.numerals == self.held for heard in since.shows}
        return killer, answered or (self.after == "SET") in held

    async def _judge(self, rig: Bench, since: Since, seen_outside: bool) -> tuple[str, list[int]]:
        """On which side of the press the service went on that was heard ``since``; see Death."""
        state = since.states[-1][1]
        assert state.phase in (self.before, self.after)
        found = AFTER if state.phase == self.after else BEFORE
        assert found == AFTER or not seen_outside, "behind what was sent"
        assert state.handset == 0, "its session is another: nobody waits for that answer"
        shows = since.shows
        if found == BEFORE:
            assert await rig.press(self.key) == self.result
        for phase in (self.before, "IDLE"):
            await rig.press("UNDO")
            assert rig.states[-1][1].phase == phase
        assert await rig.press("UNDO") == "refused"
        await rig.stop()

        runs_out_at = journalled_once(rig, "RUNNING") + self.seconds * S_NS
        journalled_once(rig, self.after)
        off_ns = off(since.states, runs_out_at)
        if state.phase == "RUNNING":
            counted(shows, runs_out_at)
        else:
            assert {heard.show.numerals for heard in shows} == {self.held}
        return found, off_ns

    def _answered(self, state: State, rig: Bench) -> bool:
        counter = rig.ends.keeper.pressed & 0xFFFF
        return (state.handset, state.counter, state.result) == (KEEPER, counter, self.result)


@dataclass(frozen=True, slots=True)
class StartAgain(Press):
    """The service dies with the press decided and nothing of it written; the next one dies while
    it starts and makes up for that."""

    async def die(self, folder: Path, point: Point | None) -> Death:
        async with bench(folder) as rig:
            await self._press(rig, DECIDED)
            since = Since(rig)
            rig.launch()
            killer = await rig.killed(
                touches(rig.site.folder), 1.0, point, counts=touches(rig.site.folder)
            )
            await rig.start()
            found, off_ns = await self._judge(rig, since, True)
        return Death(point, killer.met, killer.seen, found, off_ns)


@dataclass(frozen=True, slots=True)
class End(Press):
    """The service dies while it ends in order, with the press behind it."""

    async def die(self, folder: Path, point: Point | None) -> Death:
        async with bench(folder) as rig:
            await rig.start()
            for key in (self.prepared, self.key):
                assert await rig.press(key) in ("held", "running")
                await asyncio.sleep(JOURNALLED_S)
            opens = touches(rig.site.folder)
            killer = await rig.killed(opens, 0.5, point, rig.tell_to_stop, counts=opens)
            since = Since(rig)
            await rig.start()
            found, off_ns = await self._judge(rig, since, True)
        return Death(point, killer.met, killer.seen, found, off_ns)


@dataclass(frozen=True, slots=True)
class Change:
    """A running count of ``seconds`` changes to ``numeral``; zero is an event of its own."""

    seconds: int
    numeral: int
    window_s: float
    more: str = ""

    async def die(self, folder: Path, point: Point | None) -> Death:
        async with bench(folder, self.more) as rig:
            await rig.start()
            assert await rig.press("DEAD_BALL") == "running"
            changes_at = expires_at(rig.states[-1]) - self.numeral * S_NS
            await asyncio.sleep((changes_at - boottime()) / S_NS - 0.15)
            killer = await rig.killed(after(changes_at - EARLY_NS), self.window_s, point)
            found = AFTER if rig.shows[-1].show.numerals == self.numeral else BEFORE
            since = Since(rig)
            await rig.start()
            shows = since.shows
            if self.numeral == 0:
                await rig.until(lambda: rig.states[-1][1].phase == "EXPIRED", 2)
            states = since.states
            await rig.press("UNDO")
            assert rig.states[-1][1].phase == "IDLE"
            assert await rig.press("UNDO") == "refused"
            await rig.stop()

            runs_out_at = journalled_once(rig, "RUNNING") + self.seconds * S_NS
            zeros = [row for row in rig.site.rows() if row.kind == "deadline"]
            assert len(zeros) == (self.numeral == 0), zeros
            counted(shows, runs_out_at)
            off_ns = off(states, runs_out_at)
        return Death(point, killer.met, killer.seen, found, off_ns)


def counted(shows: Iterable[Heard], runs_out_at: int) -> None:
    """Every numeral is that of the count, when it was sent."""
    for heard in shows:
        right = {max(0, -(-(runs_out_at - at) // S_NS)) for at in (heard.at, heard.at - LATE_NS)}
        assert heard.show.numerals in right, (heard, right)


def off(states: Iterable[tuple[int, State]], runs_out_at: int) -> list[int]:
    """How far each running count that was told is off, in nanoseconds; none much."""
    off_ns = [expires_at(heard) - runs_out_at for heard in states if heard[1].phase == "RUNNING"]
    assert all(-TOLD_IN_NS < each < LATE_NS for each in off_ns), off_ns
    return off_ns


def journalled_once(rig: Bench, phase: str) -> int:
    """SQLite finds no fault in the journal, and its events are numbered without a gap; one press
    among them, and no more, led to ``phase`` other than by taking one back: gives its instant."""
    with contextlib.closing(sqlite3.connect(rig.site.journal)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    rows = rig.site.rows()
    assert [row.event_number for row in rows] == list(range(1, len(rows) + 1))
    presses = [row for row in rows if row.kind == "press" and row.event != "undo"]
    found = [row.edge_at for row in presses if row.phase_after == phase]
    assert len(found) == 1, [(row.event_number, row.kind, row.event) for row in rows]
    assert found[0] is not None
    return found[0]


ONE_SECOND = """
[[overrides]]
ending = "routine"
seconds = 1
starts_on = "dead_ball"
citation = "a count of the test bench"
"""

RESET = ("DEAD_BALL", "RUNNING", "NUMBER_25", "SET", "held", 25, 40)

SCENES: dict[str, Scene] = {
    "a reset of a running count": Press(*RESET),
    "a dead ball that starts the count": Press(
        "NUMBER_25", "SET", "DEAD_BALL", "RUNNING", "running", 25, 40
    ),
    "a change of the numeral": Change(40, 39, 0.12),
    "zero": Change(1, 0, 0.25, ONE_SECOND),
    "the start after a death": StartAgain(*RESET),
    "the end of a game": End(*RESET),
}
