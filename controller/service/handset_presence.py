"""Is anybody there? Handsets report every 10 s; a clock without a keeper must not go on lit.

Silent for 30 s: everyone is told. A running count finishes, because it is still true. Then, or
after 60 s without any handset while a number is held, the boards must go off. A key on the console
shows that somebody is there, and for longer, since a console does not report by itself. A handset
in the shadow role drives nothing, so it does not count.
"""

from __future__ import annotations

from collections.abc import Iterable

S_NS = 1_000_000_000
SILENT_NS = 30 * S_NS
ALONE_NS = 60 * S_NS
CONSOLE_NS = 300 * S_NS
"""Longer than most stoppages in which nobody presses a key (common practice, no source)."""


class Presence:
    """Watches handsets that report by themselves; ``shadows`` among them drive nothing.

    Pure: instants come in as arguments.
    """

    def __init__(self, handsets: Iterable[int], now: int, shadows: Iterable[int] = ()) -> None:
        self._since_at = now
        self._heard_at: dict[int, int | None] = dict.fromkeys(handsets)
        self._drivers = set(self._heard_at) - set(shadows)
        self._missed: set[int] = set()
        self._console_at: int | None = None
        self._said = False

    def heard(self, handset: int, at: int) -> bool:
        """A handset sent something authentic. True when it had been missed."""
        self._heard_at[handset] = at
        self._said = False
        missed = handset in self._missed
        self._missed.discard(handset)
        return missed

    def console_used(self, at: int) -> None:
        """A key was pressed on the console, or on another handset that does not report."""
        self._console_at = at
        self._said = False

    def watches(self, handset: int) -> bool:
        """True for a handset that reports by itself."""
        return handset in self._heard_at

    def silent(self, handset: int, now: int) -> bool:
        """True when this handset has not been heard for 30 s."""
        heard_at = self._heard_at[handset]
        return now - (self._since_at if heard_at is None else heard_at) >= SILENT_NS

    def heard_s(self, handset: int, now: int) -> int | None:
        """Whole seconds since the handset was heard; None before the first time."""
        heard_at = self._heard_at[handset]
        return None if heard_at is None else max(0, now - heard_at) // S_NS

    def newly_silent(self, now: int) -> list[int]:
        """Handsets that have just become silent; each is given once for each loss."""
        lost = [n for n in self._heard_at if n not in self._missed and self.silent(n, now)]
        self._missed.update(lost)
        return lost

    def alone(self, phase: str, now: int) -> str | None:
        """The reason, once for each loss, why the boards must go off now."""
        if not self._drivers or self._said or phase in ("IDLE", "RUNNING"):
            return None
        if self._console_at is not None and now - self._console_at < CONSOLE_NS:
            return None
        heard = [at for n in self._drivers if (at := self._heard_at[n]) is not None]
        silent_ns = now - max([self._since_at, *heard])
        if silent_ns < (SILENT_NS if phase == "EXPIRED" else ALONE_NS):
            return None
        self._said = True
        return f"no handset heard for {silent_ns // S_NS} s"
