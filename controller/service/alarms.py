"""What someone must know now beside the faults of boards and handsets: strangers on the air and on
the wire. Pure: instants come in as arguments."""

from __future__ import annotations

from collections import deque

S_NS = 1_000_000_000
BAD_TAGS = 5
"""More than this many frames with a wrong tag in 10 s is not noise: the keeper is told."""
WINDOW_NS = 10 * S_NS


class Alarms:
    """Counts what should not be there."""

    def __init__(self) -> None:
        self._bad_tags_at: deque[int] = deque(maxlen=BAD_TAGS + 1)
        self._late_at: int | None = None
        self._foreign_at: int | None = None

    def rejected(self, reason: str, at: int) -> bool:
        """A radio frame was refused for ``reason`` (see :class:`drivers.base.Rejection`). True
        when an alarm stands now that did not before."""
        stood = self.words(at)
        if reason == "bad tag":
            self._bad_tags_at.append(at)
        elif reason in ("beat too old", "too late"):
            self._late_at = at
        return self.words(at) != stood

    def foreign(self, at: int) -> bool:
        """A board heard frames of another controller. True when that is news."""
        news = self._foreign_at is None or at - self._foreign_at >= WINDOW_NS
        self._foreign_at = at
        return news

    def words(self, now: int) -> list[str]:
        """The alarms that stand at ``now``."""
        said = []
        full = len(self._bad_tags_at) > BAD_TAGS
        if full and now - self._bad_tags_at[0] < WINDOW_NS:
            said.append("forged presses on the air: refused; someone is transmitting")
        if self._foreign_at is not None and now - self._foreign_at < WINDOW_NS:
            said.append("another controller is on the boards' pair")
        if self._late_at is not None and now - self._late_at < WINDOW_NS:
            said.append("a press came too late and was refused: radio disturbed or jammed")
        return said
