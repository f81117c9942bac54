"""What someone must know now beside the faults of boards and handsets: strangers on the air and on
the wire. Pure: instants come in as arguments."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from drivers.base import Rejection

S_NS = 1_000_000_000
STRANGE = 5
"""More than this many frames with a wrong tag, or heard before, in 10 s are not noise."""
WINDOW_NS = 10 * S_NS


class Cause(NamedTuple):
    """Why too many frames are refused, the likeliest cause first: on a line of the console, and at
    length in the record."""

    alarm: str
    detail: str


CAUSES = {
    "bad tag": Cause(
        "wrong tags: second controller, handset paired anew, or a stranger",
        "another controller has our keys, a handset was paired anew elsewhere, "
        "or someone transmits",
    ),
    "replayed": Cause(
        "replayed: a radio repeats, a counter went back, or a stranger",
        "a radio repeats frames, a handset lost its counter, or someone transmits",
    ),
}


class Alarms:
    """Counts what should not be there."""

    def __init__(self) -> None:
        self._strange_at = {reason: deque[int](maxlen=STRANGE + 1) for reason in CAUSES}
        self._late_at: int | None = None
        self._foreign_at: int | None = None
        self._other_version = ""
        self._version_heard: tuple[int, str] | None = None

    def rejected(self, rejection: Rejection, at: int) -> tuple[bool, Cause | None]:
        """A radio frame was refused.

        The first is true when an alarm stands now that did not before; the second is what is to be
        recorded of it, None for nothing.
        """
        before, reason, cause = self.words(at), rejection.reason, None
        if reason in CAUSES and not rejection.settling:
            stood = self._many(reason, at)
            self._strange_at[reason].append(at)
            cause = CAUSES[reason] if self._many(reason, at) and not stood else None
        elif reason in ("beat too old", "too late"):
            self._late_at = at
        elif reason == "another version":
            self._version_heard = at, rejection.detail
        return self.words(at) != before, cause

    def _many(self, reason: str, now: int) -> bool:
        """Were more frames refused for this reason in the last 10 s than by chance?"""
        strange_at = self._strange_at[reason]
        return len(strange_at) > STRANGE and now - strange_at[0] < WINDOW_NS

    def foreign(self, at: int, other_version: str = "") -> bool:
        """A board heard frames of another controller, in a version of the protocol that
        ``other_version`` names unless it is ours. True when that is news."""
        news = self._foreign_at is None or at - self._foreign_at >= WINDOW_NS
        self._foreign_at, self._other_version = at, other_version
        return news

    def words(self, now: int) -> list[str]:
        """The alarms that stand at ``now``."""
        said = [cause.alarm for reason, cause in CAUSES.items() if self._many(reason, now)]
        if self._foreign_at is not None and now - self._foreign_at < WINDOW_NS:
            said.append("another controller is on the boards' pair")
            if self._other_version:
                said[-1] += f": {self._other_version}"
        if self._late_at is not None and now - self._late_at < WINDOW_NS:
            said.append("a press came too late and was refused: radio disturbed or jammed")
        heard = self._version_heard
        if heard is not None and now - heard[0] < WINDOW_NS:
            said.append(f"on the handsets' air: {heard[1]}")
        return said
