"""Is anybody there? Handsets report every 10 s; a clock without a keeper must not go on lit.

Silent for 30 s: everyone is told. A running count finishes, because it is still true. Then, or
after 60 s without any handset while a number is held, the boards must go off. A key on the console
shows that somebody is there.
"""

from __future__ import annotations

from collections.abc import Iterable

S_NS = 1_000_000_000
SILENT_NS = 30 * S_NS
ALONE_NS = 60 * S_NS


class Presence:
    """Watches handsets that report by themselves. Pure: instants come in as arguments."""

    def __init__(self, handsets: Iterable[int], now: int) -> None:
        self._since_at = now
        self._heard_at: dict[int, int | None] = dict.fromkeys(handsets)
        self._console_at: int | None = None
        self._said = False

    def heard(self, handset: int, at: int) -> None:
        """A handset sent something authentic."""
        self._heard_at[handset] = at
        self._said = False

    def console_used(self, at: int) -> None:
        """A key was pressed on the console."""
        self._console_at = at
        self._said = False

    def silent(self, handset: int, now: int) -> bool:
        """True when this handset has not been heard for 30 s."""
        heard_at = self._heard_at[handset]
        return now - (self._since_at if heard_at is None else heard_at) >= SILENT_NS

    def heard_s(self, handset: int, now: int) -> int | None:
        """Whole seconds since the handset was heard; None before the first time."""
        heard_at = self._heard_at[handset]
        return None if heard_at is None else max(0, now - heard_at) // S_NS

    @property
    def _last_sign_at(self) -> int:
        heard = [at for at in self._heard_at.values() if at is not None]
        return max([self._since_at, *heard])

    @property
    def next_silence_at(self) -> int | None:
        """When the last handset heard would be missed; None where no handset reports."""
        return self._last_sign_at + SILENT_NS if self._heard_at else None

    def alone(self, phase: str, now: int) -> str | None:
        """The reason, once for each loss, why the boards must go off now."""
        if not self._heard_at or self._said or phase in ("IDLE", "RUNNING"):
            return None
        last_sign_at = self._last_sign_at
        if self._console_at is not None and self._console_at - last_sign_at >= SILENT_NS:
            return None
        silent_ns = now - last_sign_at
        if silent_ns < (SILENT_NS if phase == "EXPIRED" else ALONE_NS):
            return None
        self._said = True
        return f"no handset heard for {silent_ns // S_NS} s"
