"""What an observer may see: one immutable status of everything, made by the service.

Observers (the console, the crew's check, pages) get a status only: the newest wins, and none can
delay a numeral. Instants are nanoseconds of CLOCK_BOOTTIME.
"""

from __future__ import annotations

from dataclasses import dataclass, field


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
    answers: bool = True
    """False for one that can never say what it shows."""
    shown_at: int = field(default=0, compare=False)
    """When the frame was sent that its newest answer speaks of. Another such answer is not news."""

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
    number: int = 0
    """0 is the console."""
    reports: bool = False
    """True for one that reports its presence by itself."""
    silent: bool = False
    """True when it has not been heard for 30 s, whatever its port."""
    margin_db: int | None = None
    """By how much it hears us above the weakest that its radio takes; None where it cannot say."""

    @property
    def well(self) -> bool:
        """True unless someone must look for the handset."""
        return self.state in ("waiting", "heard")


@dataclass(frozen=True, slots=True)
class Refused:
    """How many frames were refused for one reason."""

    reason: str
    """As the record has it: "bad tag"; "damaged" for frames that nobody could read."""
    whose: str
    """The handset of the crew that the frames named, or the receiver of damaged ones; empty where
    they named no handset of the crew."""
    since_start: int
    last_minute: int


@dataclass(frozen=True, slots=True)
class Status:
    """One moment of the service.

    ``numerals`` 0-99 is the count whatever the boards do, None for no count. ``remaining_ms`` only
    while it runs or is stopped. ``boards`` is the axis: lit, blank or off; ``boards_why`` says why
    no count is on them although there is one. ``result`` and ``reason`` speak of the last order,
    ``last`` names it.
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
    keeper: int | None = None
    """The number of the keeper who has it, as told at the last hand-over."""
    board_health: tuple[BoardHealth, ...] = ()
    handset_health: tuple[HandsetHealth, ...] = ()
    journal: str = ""
    """Empty when the record is written; else what is wrong with it."""
    troubles: tuple[str, ...] = ()
    """What would go wrong later, as things are now, and why: "a restart would not go on: ..."."""
    journal_head: str = ""
    """The record's newest row on disk with its digest in short, to be noted."""
    journal_doubt: str = ""
    """Why the record is not the one that the run before had left; empty while all is well."""
    alarms: tuple[str, ...] = ()
    """What someone must know now, most urgent first, in plain words."""
    marked: int | None = None
    """The last mark of this count: seconds left."""
    unauthenticated: bool = False
    """True when anyone could press the keys of an input."""
    boards_dark: bool = False
    """True while a fault keeps the boards dark, whatever their axis says."""
    boards_fault: str = ""
    """The fault that keeps them dark or has put them off, where it is known."""
    number_s: int | None = None
    """The whole number that is held, or from which the count runs."""
    expires_at: int | None = None
    """When the running count reaches zero."""
    orders: int = 0
    """How many orders have been decided so far."""
    by_handset: int | None = None
    """The handset that gave the last order, 0 for the console; None for the service itself."""
    event: str = ""
    """The kind of the last order, as the play clock names it: "Undo", "PlayEnded"."""
    ordered_at: int = 0
    """When the last order was given."""
    became: str = ""
    """The phase that the last order led to."""
    assumed: str = ""
    """What the last order took for granted though nobody pressed it: "ready", "snap"."""
    promised: str = ""
    """What the last order took to have ended because it was told that it would follow."""
    taken_back: str = ""
    """The order that the last one took back, in plain words."""
    ending: str = ""
    """The ending that the ruling answers."""
    next_s: int | None = None
    """The number that the next ready would run, in seconds; None while a count runs."""
    nudged: bool = False
    """True when the ball has been live for longer than any play, until the next order."""
    refused: tuple[Refused, ...] = ()
    """What came over the air and was refused since the service started, most frequent first."""
    refused_minute: str = ""
    """In words, what was refused in the newest minute that has a row; empty after one without."""
    made_at: int = field(default=0, compare=False)
    """The instant of this status. That time has passed is not news."""
