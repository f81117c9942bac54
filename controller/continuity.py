"""A service that goes on where the one before it stopped, or says why it does not.

Within one boot the snapshot in tmpfs holds everything: the count goes on exactly, Undo reaches
back, numbers of games, events and handsets' counters never go back, and rows that had not reached
the disk are journalled now. The power takes the snapshot with it; a marker on the disk, there from
a start to an orderly end, tells a power cut from a fresh start.

Darkness beats a doubtful numeral: after a power cut, a crash loop, a long outage, or with a board
in fault, the boards come up off and wait for a relight.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from controller.recorder import Journalling, Numbers, Recorder
from controller.rules.phases import Idle, Off, Running
from controller.rules.play_clock import State
from controller.snapshot import SnapshotFile
from controller.snapshot_text import (
    Moment,
    Snapshot,
    SnapshotError,
    SnapshotText,
    Standing,
    read,
    row_text,
)
from drivers.handset.session import replace_file

if TYPE_CHECKING:
    from controller.journal_file import Dated
    from drivers.base import Acknowledgement

S_NS = 1_000_000_000
CRASHES = 3
CRASH_WINDOW_NS = 10 * S_NS
OUTAGE_NS = 30 * S_NS
"""After a longer outage the officials have taken the count over: as long as until a silent handset
is told to everyone (``presence``)."""
GAME_OVER_NS = 1800 * S_NS
"""After a longer one it is another game: longer than the halftime of any code (common practice, no
source)."""

LOCK, SNAPSHOT, MARKER = "lock", "snapshot", "open"

POWER = "the power failed, or the computer was restarted, before the game was closed"


NO_STATE = State()


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """What a service begins with. ``state`` is the play clock's; ``off_why`` is why its boards are
    off; ``story`` is a line for the record, empty for a plain start."""

    state: State = NO_STATE
    numbers: Numbers | None = None
    off_why: str = ""
    counters: dict[int, int] | None = None
    acknowledged: Acknowledgement | None = None
    rows: tuple[Dated, ...] = ()
    rows_lost: int = 0
    story: str = ""

    def recorder(self, journal: Journalling | None, now: int) -> Recorder:
        """A recorder that goes on with the numbers and rows, and tells the story."""
        phase = self.state.down.phase
        recorder = Recorder(
            journal, now, numbers=self.numbers, down=self.state.down.number, rows=self.rows
        )
        if self.rows_lost:
            detail = f"{self.rows_lost} rows were neither on disk nor in the snapshot"
            recorder.note("fault", now, "journal rows lost", detail=detail)
        if isinstance(phase, Running) and phase.expires_at <= now:
            recorder.reached_zero(phase.expires_at, now, "dark")
        if self.story:
            recorder.note("note", now, "service started", detail=self.story)
        if self.off_why:
            recorder.note("fault", now, "boards off", detail=self.off_why)
        return recorder

    def moment(self, now: int) -> Moment:
        """The same, to be kept until the service has more to say."""
        numbers = self.numbers or Numbers()
        return Moment(
            saved_at=now,
            game=numbers.game,
            event_number=numbers.event,
            numbered=numbers.settled,
            state=self.state,
            off_why=self.off_why,
            counters=self.counters or {},
            acknowledged=self.acknowledged,
            rows=[row_text(each) for each in self.rows],
            rows_left_out=self.rows_lost,
        )


class BusyError(ValueError):
    """Another service holds the runtime folder; the message names it."""


class Continuity:
    """Holds the runtime folder for one service and keeps its snapshots.

    ``runtime`` is a folder in tmpfs, ``state_folder`` one on the disk. Raises :class:`BusyError`
    when another service uses ``runtime``, and ``OSError`` when it cannot be used.
    """

    def __init__(
        self,
        runtime: Path,
        state_folder: Path,
        *,
        boot_id: str,
        software: str,
        rules_hash: str,
        now: int,
    ) -> None:
        runtime.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._marker = state_folder / MARKER
        self._lock = _locked(runtime / LOCK)
        self._file = SnapshotFile(runtime / SNAPSHOT)
        self.fault = ""
        """Why the last snapshot could not be written; empty while all is well."""
        standing = Standing(str(state_folder.resolve()), boot_id, software, rules_hash, (now,))
        kept, flaw = _newest(self._file.found, standing)
        crashed = kept is not None and not kept.moment.in_order
        if kept is not None and crashed:
            starts = (*kept.standing.starts, now)[-CRASHES - 1 :]
            standing = standing._replace(starts=starts)
        self._text = SnapshotText(standing)
        self.beginning = judge(kept, standing, now, cut=self._marker.exists(), flaw=flaw)
        self._boot_id = boot_id

    def begin(self, now: int) -> None:
        """The service starts: from here on a crash or a power cut counts as one.

        Raises ``OSError`` when the disk refuses the marker: then a power cut would go unnoticed.
        """
        self.save(self.beginning.moment(now))
        self._marker.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        replace_file(self._marker, f"{self._boot_id}\n".encode(), mode=0o644)

    def save(self, moment: Moment) -> bool:
        """Keep a moment; False when that failed, which must not stop the clock."""
        try:
            self._file.save(self._text.make(moment))
        except (OSError, ValueError) as error:
            self.fault = (isinstance(error, OSError) and error.strerror) or str(error)
            return False
        self.fault = ""
        return True

    def close(self, *, in_order: bool) -> None:
        """Leave the folder to the next service; ``in_order`` when the game was closed properly."""
        if in_order:
            with contextlib.suppress(OSError):  # the next start says that the end was not clean
                self._marker.unlink()
        self.release()

    def release(self) -> None:
        """Let go of the folder as if this service had never been."""
        self._file.close()
        os.close(self._lock)


def _locked(path: Path) -> int:
    """A lock that goes with the process, however it ends."""
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise BusyError(f"{path.parent}: another play clock service is running here") from None
    return descriptor


def _newest(texts: list[bytes], standing: Standing) -> tuple[Snapshot | None, str]:
    """The newest snapshot of this boot and installation that can be read, else why not."""
    flaw = ""
    for text in texts:
        try:
            kept = read(text)
        except SnapshotError as error:
            flaw = flaw or str(error)
            continue
        if kept.standing[:2] == standing[:2]:
            return kept, ""
    return None, flaw


def judge(
    kept: Snapshot | None, standing: Standing, now: int, *, cut: bool, flaw: str = ""
) -> Beginning:
    """What to begin with, from the snapshot of this boot, if there is one.

    ``cut`` says that the run before was not closed in order; ``flaw`` why a snapshot could not be
    read.
    """
    if kept is None:
        if not cut:
            return Beginning()
        why = f"the last state cannot be read ({flaw})" if flaw else POWER
        return Beginning(state=State(off=Off.FAULT), off_why=why, story=f"game lost: {why}")
    moment = kept.moment
    outage_s = max(0, now - moment.saved_at) / S_NS
    how = "was stopped" if moment.in_order else "died"
    begun = Beginning(
        state=moment.state,
        numbers=Numbers(moment.game, moment.event_number, moment.numbered),
        off_why=moment.off_why,
        counters=dict(moment.counters),
        acknowledged=moment.acknowledged,
        rows=kept.rows,
        rows_lost=moment.rows_left_out,
        story=f"going on: the service {how} and was away for {outage_s:.1f} s",
    )
    why = _doubt(kept, standing, now)
    if now - moment.saved_at > GAME_OVER_NS and moment.numbered:
        numbers = Numbers(moment.game + 1, moment.event_number, settled=True)
        begun = replace(begun, state=State(), numbers=numbers, off_why="", story="another game")
        why = "" if moment.in_order else why
    elif kept.standing.rules_hash != standing.rules_hash:
        begun = replace(begun, state=State(off=moment.state.off), story=f"state dropped: {why}")
    if why and begun.state.off is None:
        begun = replace(begun, state=begun.state._replace(off=Off.FAULT), off_why=why)
    return begun


def _doubt(kept: Snapshot, standing: Standing, now: int) -> str:
    """Why the boards must not light by themselves; empty when they may."""
    moment = kept.moment
    if kept.standing.rules_hash != standing.rules_hash:
        return "the rule set was changed since the service stopped"
    crashes = sum(now - at < CRASH_WINDOW_NS for at in standing.starts[:-1])
    if crashes >= CRASHES:
        return f"the service died {crashes} times within {CRASH_WINDOW_NS // S_NS} s"
    if moment.dark_why:
        return moment.dark_why
    outage_s = (now - moment.saved_at) // S_NS
    if outage_s >= OUTAGE_NS // S_NS and not isinstance(moment.state.down.phase, Idle):
        return f"the service was away for {outage_s} s"
    return ""
