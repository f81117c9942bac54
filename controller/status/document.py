"""What an observer may see: one immutable snapshot of everything, made by the service.

Observers (the console, pages) get snapshots only: newest wins, and none can delay a numeral.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BoardHealth:
    """One end-zone board. ``state`` is one of: waiting, right, wrong, silent, port fault; "sent"
    for one that can never say what it shows."""

    name: str
    state: str = "waiting"
    shows: str = ""
    """What the board says it shows: "25", "dark"."""
    detail: str = ""
    """The fault, the supply voltage or the node's notes, in plain words."""

    @property
    def well(self) -> bool:
        """True unless someone must look at the board."""
        return self.state in ("waiting", "right", "sent")


@dataclass(frozen=True, slots=True)
class HandsetHealth:
    """One handset, or the console. ``state`` is one of: waiting, heard, silent, port fault."""

    name: str
    role: str
    state: str = "waiting"
    heard_s: int | None = None
    """Whole seconds since it was last heard; None before the first time."""
    battery_hours: int | None = None
    detail: str = ""

    @property
    def well(self) -> bool:
        """True unless someone must look for the handset."""
        return self.state in ("waiting", "heard")


@dataclass(frozen=True, slots=True)
class Status:
    """One moment of the service.

    ``numerals`` 0-99 is the count whatever the boards do, None for no count. ``remaining_ms`` only
    while it runs or is stopped. ``boards`` is the axis: lit, blank or off; ``boards_why`` says why
    they are off. ``result`` and ``reason`` speak of the last order, ``last`` names it.
    """

    rules: str
    phase: str
    numerals: int | None
    remaining_ms: int | None
    boards: str
    boards_why: str
    last: str = ""
    by: str = ""
    result: str = ""
    reason: str = ""
    ruling_seconds: int | None = None
    starts_on: str = ""
    citation: str = ""
    override: str = ""
    game: int = 0
    down: int = 0
    board_health: tuple[BoardHealth, ...] = ()
    handset_health: tuple[HandsetHealth, ...] = ()
    journal: str = ""
    """Empty when the record is written; else what is wrong with it."""
    alarms: tuple[str, ...] = ()
    """What someone must know now, most urgent first, in plain words."""
    marked: int | None = None
    """The last mark of this count: seconds left."""
    unauthenticated: bool = False
