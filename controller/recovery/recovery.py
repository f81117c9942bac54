"""A service that goes on where the one before it stopped, or says why it does not.

Within one boot the snapshot in tmpfs holds everything: the count goes on exactly, Undo reaches
back, numbers of games and events never go back, and rows that had not reached
the disk are journalled now. Nothing of that needs the disk. The power takes the snapshot with it;
then the marker on the disk tells a power cut from a fresh start (``marker``).

Darkness beats a doubtful numeral: after a power cut, a crash loop, a long outage, with a board in
fault, or when the newest state is not the last one, the boards come up off and wait for a relight.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, replace
from pathlib import Path

from controller.journal.recorder import START, Numbers, Recent
from controller.journal.row import Dated
from controller.recovery.marker import FolderError, OpenMarker, locked
from controller.recovery.snapshot_codec import (
    Checkpoint,
    Identity,
    PendingOrder,
    Snapshot,
    SnapshotError,
    SnapshotText,
    read,
)
from controller.recovery.snapshot_file import LARGEST_TEXT, SnapshotFile
from controller.rules.events import ToggleBoards
from controller.rules.phases import Coming
from controller.rules.play_clock import LastGesture, State
from drivers.whole_file import is_ill

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
LOCK, SNAPSHOT = "lock", "snapshot"

POWER = "the power failed, or the computer was restarted, before the game was closed"
UNNOTICED = "a power cut would go unnoticed"
NOT_KEPT = "a restart would not go on"
"""What is wrong while the disk, or the runtime folder, takes nothing."""


NO_STATE = State()
GAME_GOES_ON = State(down=NO_STATE.down._replace(coming=Coming(fresh=False)))
"""Nothing is known of the play, but that it is not the kickoff that opens a game."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RestartPlan:
    """What a service begins with: the state and gesture of the play clock at ``state_at`` and the
    order it still has to decide (or has ``given_up`` with the state), numbers, the keeper's
    number, ``recent`` orders and rows.

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
    keeper: int | None = None
    recent: tuple[Recent, ...] = ()
    rows: tuple[Dated, ...] = ()
    rows_lost: int = 0
    story: str = ""


class Recovery:
    """Holds the runtime folder for one service and keeps its snapshots. ``plan`` is what to begin
    with.

    ``runtime`` is a folder in tmpfs, ``state_folder`` one on the disk. Raises
    :class:`~controller.recovery.marker.BusyError` when another service uses ``runtime``,
    :class:`~controller.recovery.marker.FolderError` when others may write there, and ``OSError``
    when it cannot be there at all. One that is full or broken is no error: then nothing is kept,
    and :meth:`troubles` says so.
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
        self._runtime = runtime
        self._marker = OpenMarker(state_folder, boot_id)
        installation = os.path.abspath(state_folder)  # noqa: PTH100 - resolving would ask the disk
        identity = Identity(installation, boot_id, software, rules_hash)
        self._text = SnapshotText(identity)
        self._lock: int | None = None
        self._file: SnapshotFile | None = None
        self._not_kept = ""
        starts: list[int] = []
        snapshot, flaw = None, ""
        try:
            _own_folder(runtime)
            self._lock = _locked(runtime / LOCK)
            starts = _add_start(self._lock, now)
            self._file = SnapshotFile(runtime / SNAPSHOT)
            snapshot, flaw = _newest(self._file, identity)
        except OSError as error:
            if not is_ill(error):
                self.release()
                raise
            self._not_kept = f"{runtime}: {error.strerror}"
        crashes = sum(0 <= now - at < CRASH_WINDOW_NS for at in starts)
        cut, unknown = (False, "") if snapshot else self._marker.left_behind()
        self.plan = plan_restart(
            snapshot, rules_hash, now, crashes=crashes, cut=cut, flaw=flaw, unknown=unknown
        )

    def begin(self) -> None:
        """The service starts: from here on an end that is not in order counts as a crash or a
        power cut.

        Raises :class:`~controller.recovery.marker.BusyError` when another service uses the state
        folder, and :class:`~controller.recovery.marker.FolderError` when it is no folder. A disk
        that refuses the marker is tried again; :meth:`troubles` says so meanwhile.
        """
        self._marker.put()

    def troubles(self) -> dict[str, str]:
        """What would go wrong later, as things are now, and why. Cheap: no look at the disk."""
        told = {UNNOTICED: self._marker.fault, NOT_KEPT: self._not_kept}
        return {what: why for what, why in told.items() if why}

    def save(self, checkpoint: Checkpoint) -> None:
        """Keep a checkpoint."""
        try:
            text = self._text.whole(checkpoint)
            if len(text) > LARGEST_TEXT:  # no room for so many rows: the journal's thread has them
                left_out = checkpoint.rows_left_out + len(checkpoint.rows)
                bare = replace(checkpoint, rows=(), rows_left_out=left_out)
                text = self._text.whole(bare)
            if self._file is not None:
                self._file.save(text)
                self._not_kept = ""
        except OSError as error:
            self._lost(error)

    def save_order(self, pending: PendingOrder) -> None:
        """Keep an order that was decided since."""
        try:
            if self._file is not None:
                self._file.add(self._text.line(pending))
        except OSError as error:
            self._lost(error)

    def _lost(self, error: OSError) -> None:
        """A restart must not take the state before for the last one."""
        self._not_kept = f"{self._runtime}: {error.strerror}"
        if self._file is not None:
            self._file.forget()

    def close(self, *, in_order: bool) -> None:
        """Leave the folder to the next service; ``in_order`` when the game was closed properly."""
        if in_order:
            if self._lock is not None:
                os.ftruncate(self._lock, 0)
            self._marker.take_away()
        self.release()

    def release(self) -> None:
        """Let go of the folders as if this service had never been."""
        self._marker.release()
        if self._file is not None:
            self._file.close()
        if self._lock is not None:
            os.close(self._lock)
        self._file = self._lock = None


def _own_folder(folder: Path) -> None:
    """Make the folder, or see that nobody else can put files there."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    status = folder.stat()
    mode = stat.S_IMODE(status.st_mode)
    if status.st_uid != os.geteuid():
        raise FolderError(
            f"{folder}: belongs to user {status.st_uid}, must belong to this one, {os.geteuid()}"
        )
    if mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise FolderError(f"{folder}: mode {mode:04o} lets others write there (chmod 700)")


def _locked(path: Path) -> int:
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    return locked(os.open(path, flags, 0o600), path.parent)


def _add_start(lock: int, now: int) -> list[int]:
    """The instants of the starts since the last orderly end, of which this is another one."""
    words = os.pread(lock, LARGEST_LOCK_BYTES, 0).split()
    starts = [int(word) for word in words if word.isdigit()][-HOPELESS:]
    text = b"".join(b"%d\n" % at for at in (*starts, now))
    os.pwrite(lock, text, 0)  # and only then cut: a death in between must not forget the starts
    os.ftruncate(lock, len(text))
    return starts


def _newest(file: SnapshotFile, identity: Identity) -> tuple[Snapshot | None, str]:
    """The newest snapshot of this boot and installation that can be read, and why it is not the
    last one, if it is not, or why there is none."""
    flaw = file.flaw
    for seq, text in file.found:
        try:
            snapshot = read(text, file.line[1] if file.line and file.line[0] == seq else None)
        except SnapshotError as error:
            flaw = flaw or str(error)
            continue
        if snapshot.identity[:2] == identity[:2]:
            return snapshot, flaw
    return None, flaw


def plan_restart(
    snapshot: Snapshot | None,
    rules_hash: str,
    now: int,
    *,
    crashes: int = 0,
    cut: bool = False,
    flaw: str = "",
    unknown: str = "",
) -> RestartPlan:
    """What to begin with, from the snapshot of this boot, if there is one.

    ``crashes`` is how often the service has died lately. ``cut`` says that the run before was not
    closed in order, ``unknown`` why nobody knows that; ``flaw`` why the last state could not be
    read, or is not that of ``snapshot``.
    """
    if snapshot is None:
        why = f"the last state cannot be read ({flaw})" if flaw else ""
        if not why and unknown:
            why = f"whether the last game was closed is not known ({unknown})"
        if not why and not cut:
            return RestartPlan(state_at=now)
        why = why or POWER
        return RestartPlan(state_at=now, doubt=why, story=f"game lost: {why}")
    checkpoint = snapshot.checkpoint
    outage_s = max(0, now - checkpoint.saved_at) / S_NS
    stale = _stale(snapshot, now, flaw)
    plan = _going_on(snapshot, outage_s, stale or _doubt(snapshot, rules_hash, crashes))
    if stale:
        return _without_state(plan, now, f"state dropped: {stale}")
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


def _stale(snapshot: Snapshot, now: int, flaw: str) -> str:
    """Why a snapshot is not the state in which the last service was when it ended."""
    if flaw:
        return f"the last state cannot be read ({flaw})"
    pending = snapshot.pending
    at = max(snapshot.checkpoint.saved_at, pending.decided_at if pending else 0)
    if at > now:
        return f"the last state is of a moment {(at - now) / S_NS:.1f} s from now"
    return ""


def _going_on(snapshot: Snapshot, outage_s: float, doubt: str) -> RestartPlan:
    """Everything as it was."""
    checkpoint = snapshot.checkpoint
    how = "was stopped" if checkpoint.in_order else "died"
    return RestartPlan(
        state=checkpoint.state,
        state_at=checkpoint.saved_at,
        gesture=checkpoint.gesture,
        pending=snapshot.pending,
        numbers=Numbers(checkpoint.game, checkpoint.event_number, checkpoint.numbered),
        off_why=checkpoint.off_why,
        doubt=doubt,
        keeper=checkpoint.keeper,
        recent=tuple(checkpoint.recent),
        rows=snapshot.rows,
        rows_lost=checkpoint.rows_left_out,
        story=f"going on: the service {how} and was away for {outage_s:.1f} s",
    )


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
