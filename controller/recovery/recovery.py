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
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from controller.journal.recorder import START, Numbers, Recent
from controller.journal.row import Dated
from controller.recovery.snapshot_codec import (
    Checkpoint,
    Identity,
    PendingOrder,
    Snapshot,
    SnapshotError,
    SnapshotText,
    read,
)
from controller.recovery.snapshot_file import SnapshotFile
from controller.rules.events import ToggleBoards
from controller.rules.phases import Coming
from controller.rules.play_clock import LastGesture, State
from drivers.base import Acknowledgement
from drivers.whole_file import replace_file

S_NS = 1_000_000_000
CRASHES = 3
CRASH_WINDOW_NS = 10 * S_NS
HOPELESS = 2 * CRASHES
"""After so many the state itself is given up: it may be what the service dies of."""
OUTAGE_NS = 30 * S_NS
"""After a longer outage the officials have taken the count over: as long as until a silent handset
is told to everyone (``presence``)."""
GAME_OVER_NS = 1800 * S_NS
"""After a longer one it is another game: longer than the halftime of any code (common practice, no
source)."""

LARGEST_LOCK_BYTES = 4096
LOCK, SNAPSHOT, MARKER = "lock", "snapshot", "open"

POWER = "the power failed, or the computer was restarted, before the game was closed"


NO_STATE = State()
GAME_GOES_ON = State(down=NO_STATE.down._replace(coming=Coming(fresh=False)))
"""Nothing is known of the play, but that it is not the kickoff that opens a game."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RestartPlan:
    """What a service begins with: the state and gesture of the play clock at ``state_at`` and the
    order it still has to decide (or has ``given_up`` with the state), numbers, the keeper's
    number, ``recent`` orders, rows, and the handsets' counters with the fingerprints of the
    ``keys`` they belong to.

    ``off_why`` is why the boards have been off; ``doubt`` is why they must be off now, and
    ``outage`` why they must unless there is no count. ``story`` is a line for the record, empty
    for a plain start.
    """

    state: State = NO_STATE
    state_at: int = 0
    gesture: LastGesture | None = None
    pending: PendingOrder | None = None
    given_up: PendingOrder | None = None
    numbers: Numbers = START
    off_why: str = ""
    doubt: str = ""
    outage: str = ""
    counters: Mapping[int, int] = field(default_factory=dict)
    keys: Mapping[int, str] = field(default_factory=dict)
    acknowledged: Acknowledgement | None = None
    keeper: int | None = None
    recent: tuple[Recent, ...] = ()
    rows: tuple[Dated, ...] = ()
    rows_lost: int = 0
    story: str = ""


class BusyError(Exception):
    """Another service holds the runtime folder; the message names it."""


class Recovery:
    """Holds the runtime folder for one service and keeps its snapshots. ``plan`` is what to begin
    with.

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
        self._boot_id = boot_id
        self._lock = _locked(runtime / LOCK)
        starts = _add_start(self._lock, now)
        self._file = SnapshotFile(runtime / SNAPSHOT)
        identity = Identity(str(state_folder.resolve()), boot_id, software, rules_hash)
        self._text = SnapshotText(identity)
        snapshot, flaw = _newest(self._file, identity)
        crashes = sum(0 <= now - at < CRASH_WINDOW_NS for at in starts)
        self.plan = plan_restart(
            snapshot, rules_hash, now, crashes=crashes, cut=self._marker.exists(), flaw=flaw
        )

    def begin(self) -> None:
        """The service starts: from here on an end that is not in order counts as a crash or a
        power cut.

        Raises ``OSError`` when the disk refuses the marker: then a power cut would go unnoticed.
        """
        self._marker.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        replace_file(self._marker, f"{self._boot_id}\n".encode(), mode=0o644)

    def save(self, checkpoint: Checkpoint) -> None:
        """Keep a checkpoint."""
        try:
            self._file.save(self._text.whole(checkpoint))
        except ValueError:  # no room for so many rows: the journal's thread has them too
            left_out = checkpoint.rows_left_out + len(checkpoint.rows)
            self._file.save(self._text.whole(replace(checkpoint, rows=(), rows_left_out=left_out)))

    def save_order(self, pending: PendingOrder) -> None:
        """Keep an order that was decided since."""
        self._file.add(self._text.line(pending))

    def close(self, *, in_order: bool) -> None:
        """Leave the folder to the next service; ``in_order`` when the game was closed properly."""
        if in_order:
            os.ftruncate(self._lock, 0)
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


def _add_start(lock: int, now: int) -> list[int]:
    """The instants of the starts since the last orderly end, of which this is another one."""
    words = os.pread(lock, LARGEST_LOCK_BYTES, 0).split()
    starts = [int(word) for word in words if word.isdigit()][-HOPELESS:]
    text = b"".join(b"%d\n" % at for at in (*starts, now))
    os.pwrite(lock, text, 0)  # and only then cut: a death in between must not forget the starts
    os.ftruncate(lock, len(text))
    return starts


def _newest(file: SnapshotFile, identity: Identity) -> tuple[Snapshot | None, str]:
    """The newest snapshot of this boot and installation that can be read, else why not."""
    flaw = ""
    for seq, text in file.found:
        try:
            snapshot = read(text, file.line[1] if file.line and file.line[0] == seq else None)
        except SnapshotError as error:
            flaw = flaw or str(error)
            continue
        if snapshot.identity[:2] == identity[:2]:
            return snapshot, ""
    return None, flaw


def plan_restart(
    snapshot: Snapshot | None,
    rules_hash: str,
    now: int,
    *,
    crashes: int = 0,
    cut: bool = False,
    flaw: str = "",
) -> RestartPlan:
    """What to begin with, from the snapshot of this boot, if there is one.

    ``crashes`` is how often the service has died lately. ``cut`` says that the run before was not
    closed in order; ``flaw`` why a snapshot could not be read.
    """
    if snapshot is None:
        if not cut:
            return RestartPlan(state_at=now)
        why = f"the last state cannot be read ({flaw})" if flaw else POWER
        return RestartPlan(state_at=now, doubt=why, story=f"game lost: {why}")
    checkpoint = snapshot.checkpoint
    outage_s = max(0, now - checkpoint.saved_at) / S_NS
    plan = _going_on(snapshot, outage_s, _doubt(snapshot, rules_hash, crashes))
    if now - checkpoint.saved_at > GAME_OVER_NS and checkpoint.numbered:
        numbers = plan.numbers._replace(game=checkpoint.game + 1)
        fresh = _without_state(plan, now, f"another game, after {outage_s:.0f} s")
        doubt = (
            "" if checkpoint.in_order else plan.doubt or f"the service died {outage_s:.0f} s ago"
        )
        return replace(fresh, numbers=numbers, doubt=doubt, keeper=None)
    if snapshot.identity.rules_hash != rules_hash or crashes >= HOPELESS:
        dropped = _without_state(plan, now, f"state dropped: {plan.doubt}")
        return replace(dropped, state=GAME_GOES_ON) if plan.recent else dropped
    if now - checkpoint.saved_at >= OUTAGE_NS:
        return replace(plan, outage=f"the service was away for {outage_s:.0f} s")
    return plan


def _going_on(snapshot: Snapshot, outage_s: float, doubt: str) -> RestartPlan:
    """Everything as it was."""
    checkpoint = snapshot.checkpoint
    counters, acknowledged = _told(snapshot)
    how = "was stopped" if checkpoint.in_order else "died"
    return RestartPlan(
        state=checkpoint.state,
        state_at=checkpoint.saved_at,
        gesture=checkpoint.gesture,
        pending=snapshot.pending,
        numbers=Numbers(checkpoint.game, checkpoint.event_number, checkpoint.numbered),
        off_why=checkpoint.off_why,
        doubt=doubt,
        counters=counters,
        keys=checkpoint.keys,
        acknowledged=acknowledged,
        keeper=checkpoint.keeper,
        recent=tuple(checkpoint.recent),
        rows=snapshot.rows,
        rows_lost=checkpoint.rows_left_out,
        story=f"going on: the service {how} and was away for {outage_s:.1f} s",
    )


def _told(snapshot: Snapshot) -> tuple[Mapping[int, int], Acknowledgement | None]:
    """The handsets' counters and the last answer, that of the pending order if it was a press."""
    checkpoint, pending = snapshot.checkpoint, snapshot.pending
    if pending is None or not pending.order.handset:
        return checkpoint.counters, checkpoint.acknowledged
    handset, counter = pending.order.handset, pending.counter
    counters = {**checkpoint.counters, handset: counter}
    return counters, Acknowledgement(handset, counter, pending.answer)


def _without_state(plan: RestartPlan, now: int, story: str) -> RestartPlan:
    """The same without the play clock's state."""
    return replace(
        plan,
        state=NO_STATE,
        state_at=now,
        gesture=None,
        pending=None,
        given_up=plan.pending,
        off_why="",
        story=story,
    )


def _doubt(snapshot: Snapshot, rules_hash: str, crashes: int) -> str:
    """Why the boards must not light by themselves; empty when they may."""
    if snapshot.identity.rules_hash != rules_hash:
        return "the rule set was changed since the service stopped"
    if crashes >= CRASHES:
        return f"the service died {crashes} times within {CRASH_WINDOW_NS // S_NS} s"
    pending = snapshot.pending
    relit = pending is not None and isinstance(pending.order.event, ToggleBoards)
    if relit and snapshot.checkpoint.state.off is not None:
        return ""  # the order that is to be carried out ends whatever darkened the boards
    return snapshot.checkpoint.dark_why
