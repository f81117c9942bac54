"""What came over the air and was refused: counted since the start, and told by the minute. Pure:
instants come in as arguments.

The first frame refused for a reason has a row of its own at once. What follows is counted, and one
row a minute tells how much it was, however fast or slowly it comes, until a minute passes without:
neither a transmitter that never stops nor a patient one fills the disk, and neither goes unsaid.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Collection
from typing import NamedTuple

from controller.status.document import Refused

S_NS = 1_000_000_000
MINUTE_NS = 60 * S_NS
MARK_NS = 10 * S_NS
"""The last minute is counted in steps of this."""
OF_A_THUMB = frozenset({"beat too old", "too late", "bad keys"})
"""Reasons that only a frame made with its handset's key can have: behind it is a key pressed, about
which a crew may want to know more than a count."""
ROWS_OF_A_THUMB = 5
"""So many of these in a row have a row each; a handset that goes wrong may send any number."""
DAMAGED = "damaged"
NOISE = 60
"""Up to so many damaged frames a minute, and nothing else refused, are no news: radios disturb each
other (common practice, no source)."""

Kind = tuple[str, str]
"""A reason, and whose the frames were: a handset of the crew, a receiver, or nobody's ("")."""


class RefusedMinute(NamedTuple):
    """What a minute's row tells: ``event`` how many in how long, ``reasons`` how many of each
    reason and whose, ``total`` how many since the start."""

    event: str
    reasons: str
    total: int


class Refusals:
    """Counts refused frames. Only numbers of the ``crew`` are counted one by one: a stranger may
    send any."""

    def __init__(self, crew: Collection[int], now: int) -> None:
        self._crew = crew
        self._total: Counter[Kind] = Counter()
        self._marks = deque([(now, self._total.copy())], maxlen=MINUTE_NS // MARK_NS + 1)
        self._minute: Counter[Kind] = Counter()
        self._since_at: int | None = None
        self._last_at: dict[str, int] = {}
        self._rows: dict[str, int] = {}
        self._heard: dict[str, int] = {}
        self.told: RefusedMinute | None = None
        """The newest minute's row; None after a minute without news."""

    def refused(self, reason: str, handset: int | None, at: int) -> bool:
        """Count a frame refused for ``reason`` (:class:`drivers.base.Rejection`). True when it is
        worth a row of its own."""
        whose = f"handset {handset}" if handset and handset in self._crew else ""  # 0: the console
        self._total[reason, whose] += 1
        last_at = self._last_at.get(reason)
        if last_at is None or at - last_at >= MINUTE_NS:
            self._rows[reason] = 0
        self._last_at[reason] = at
        if self._rows[reason] < (ROWS_OF_A_THUMB if reason in OF_A_THUMB else 1):
            self._rows[reason] += 1
            return True
        self._count(reason, whose, 1, at)
        return False

    def damaged(self, receiver: str, heard: int, at: int) -> None:
        """A receiver has heard ``heard`` frames since its start that nobody could read."""
        more = heard - self._heard.get(receiver, 0)
        if more > 0:
            self._heard[receiver] = heard
            whose = receiver.rpartition("/")[2]  # of the path of its port
            self._total[DAMAGED, whose] += more
            self._count(DAMAGED, whose, more, at)

    def _count(self, reason: str, whose: str, frames: int, at: int) -> None:
        if self._since_at is None:
            self._since_at = at
        self._minute[reason, whose] += frames

    def pass_time(self, now: int, *, at_the_end: bool = False) -> bool:
        """True when a minute is over by now, or ``at_the_end`` what there is of it, and
        :attr:`told` is due for a row."""
        if now - self._marks[-1][0] >= MARK_NS:
            self._marks.append((now, self._total.copy()))
        since_at = self._since_at
        if since_at is None or (now - since_at < MINUTE_NS and not at_the_end):
            return False
        minute, self._minute = self._minute, Counter()
        frames, noise_alone = minute.total(), all(reason == DAMAGED for reason, _ in minute)
        if frames <= (NOISE if noise_alone else 0):
            self._since_at = self.told = None
            return False
        self._since_at = now
        event = f"{frames} frames refused in {(now - since_at) / S_NS:.0f} s"
        self.told = RefusedMinute(event, _in_words(minute), self._total.total())
        return True

    def counts(self) -> tuple[Refused, ...]:
        """All that was refused since the start, the most frequent first."""
        _, before = self._marks[0]
        return tuple(
            Refused(reason, whose, frames, frames - before[reason, whose])
            for (reason, whose), frames in self._total.most_common()
        )


def _in_words(minute: Counter[Kind]) -> str:
    """``bad tag 110 (handset 1), unknown handset 3``, the most frequent first."""
    return ", ".join(
        f"{reason} {frames}{f' ({whose})' if whose else ''}"
        for (reason, whose), frames in minute.most_common()
    )
