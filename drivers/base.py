"""What a driver is: the protocols, values and errors shared by all drivers.

A driver speaks of faces and keys, never of rules, and imports nothing from ``controller``.
Instants are ``int`` nanoseconds of CLOCK_BOOTTIME and their names end in ``_at``;
durations carry their unit in their name.
"""

from __future__ import annotations

import enum
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol, get_args, runtime_checkable

S_NS = 1_000_000_000
MS_NS = 1_000_000

Rs485 = Literal["adapter", "kernel"]
"""Who turns an RS-485 line around: an adapter that does it by itself, or the UART's driver."""
Parity = Literal["none", "even", "odd"]
StopBits = Literal[1, 2]
RS485: tuple[Rs485, ...] = get_args(Rs485)
PARITIES: tuple[Parity, ...] = get_args(Parity)
STOP_BITS: tuple[StopBits, ...] = get_args(StopBits)

Clock = Callable[[], int]
"""Gives the present instant: nanoseconds of CLOCK_BOOTTIME."""


class DriverError(Exception):
    """A device failed or misbehaved. The supervisor retries; no other driver is touched."""


class PortError(DriverError, OSError):
    """A port could not be opened, was lost, or did not drain in time."""


class FrameError(DriverError, ValueError):
    """Bytes that are not a valid frame; the message names the rule that was broken."""


class Key(enum.IntEnum):
    """The twelve keys of a handset. The value is the key's bit in a PRESS frame."""

    DEAD_BALL = 0
    READY = 1
    NUMBER_25 = 2
    SNAP = 3
    NUMBER_40 = 4
    STOP = 5
    FLAG = 6
    TIME_OUT = 7
    INJURY = 8
    UNDO = 9
    NO_COUNT = 10
    BOARDS_OFF = 11


class Edge(enum.Enum):
    """What a key did."""

    DOWN = "down"
    HELD = "held"
    """Still down after the key's hold time; the handset times it, so a lost frame can never
    turn a tap into a hold."""


class Answer(enum.IntEnum):
    """What became of a press: the answer that the handset plays as a cue."""

    NONE = 0
    RUNNING = 1
    HELD = 2
    NO_CHANGE = 3
    REFUSED = 4
    ASSUMED = 5
    NOT_HEARD = 6


class Press(NamedTuple):
    """One key edge of one handset, authenticated if the driver can.

    ``handset`` is 0 for the console and 1-254 for handsets. ``edge_at`` is when the thumb moved
    (``received_at`` less the age that the frame carried). ``counter`` is the handset's own, 0
    where it has none.
    """

    handset: int
    key: Key
    edge: Edge
    edge_at: int
    received_at: int
    counter: int = 0


@dataclass(frozen=True, slots=True)
class Face:
    """What a board shall show: ``numerals`` 0-99, or None for dark; ``brightness`` 1-15."""

    numerals: int | None
    brightness: int = 15
    lamp_test: bool = False

    def __post_init__(self) -> None:
        if self.numerals is not None and not 0 <= self.numerals <= 99:
            raise ValueError(f"numerals {self.numerals}: must be 0-99, or None for dark")
        if not 1 <= self.brightness <= 15:
            raise ValueError(f"brightness {self.brightness}: must be 1-15")
        if self.lamp_test and self.numerals is not None:
            raise ValueError(f"lamp test together with numerals {self.numerals}")


DARK = Face(None)


class Answered(enum.Enum):
    """How a board answered when it was asked what it shows."""

    RIGHT = "right"
    WRONG = "wrong"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class BoardReport:
    """One answer, or missing answer, of one board.

    ``seen`` is the face read back from the lamps in plain words ("25", "dark", "lamp test",
    "segments 3F7F"), empty when silent. ``supply_v`` in volts, ``uptime_s`` in seconds.
    """

    board: str
    answered: Answered
    expected: str
    seen: str
    shown_at: int = 0
    """When the frame that the answer speaks of was sent."""
    supply_v: float | None = None
    uptime_s: int | None = None
    frame_errors: int = 0
    """Bad and stale frames that the board has counted, modulo 256 or less."""
    foreign_frames: int = 0
    """Frames of another controller that the board has counted, modulo 256 or less."""
    strangers: int = 0
    """Frames of another controller that the driver has heard on the pair itself."""
    other_version: str = ""
    """In plain words, the last of them that was of another version of the protocol."""
    notes: tuple[str, ...] = ()
    """Conditions in plain words: reset causes, chain fault, dark by silence."""


class BoardListener(Protocol):
    """The service, as a board driver sees it."""

    def board_answered(self, report: BoardReport) -> None: ...


class Board(Protocol):
    """A driver of one or more boards behind one port; all of them show the same face."""

    @property
    def name(self) -> str: ...

    @property
    def boards(self) -> tuple[str, ...]:
        """Names of the boards behind this driver."""
        ...

    @property
    def answering(self) -> tuple[str, ...]:
        """Those of them that can say what they show. What the others were sent is all that is
        known of them: they are never reported, and never right."""
        ...

    @property
    def sent(self) -> int:
        """Frames that have left the port so far, over all runs, as far as the port can tell: those
        written before it was last seen empty. It is looked at when the next frame is written."""
        ...

    async def run(self, listener: BoardListener) -> None:
        """Open the port in the first step and serve it until cancelled; darken the boards on the
        way out.

        Raises :class:`DriverError` or ``OSError`` on a fault; may be called again after that.
        """
        ...

    def show(self, face: Face) -> None:
        """Put ``face`` on every board now. Never blocks; the newest face replaces a waiting one.

        Never raises: a fault of the device ends :meth:`run`. While the port is down the face is
        dropped.
        """
        ...


class PhaseCode(enum.IntEnum):
    """The phase of the play clock, by its code in ``hardware/PROTOCOL.md``."""

    IDLE = 0
    SET = 1
    RUNNING = 2
    LIVE = 3
    STOPPED = 4
    EXPIRED = 5


class CueCode(enum.IntEnum):
    """What the crew shall feel though no key asked for it, by its code in
    ``hardware/PROTOCOL.md``."""

    NUDGE = 1
    """The ball has been live longer than any play."""
    COURTESY_WARNING = 2
    """A count kept beside the play clock is about to end."""
    COURTESY_OVER = 3


@dataclass(frozen=True, slots=True)
class CrewState:
    """What the handsets are told: enough for them to count and cue by themselves.

    ``numerals`` None is no count. ``expires_at`` is set while the count runs. ``boards_lit`` and
    ``fault`` drive the flutter cue.
    """

    phase: PhaseCode
    numerals: int | None
    expires_at: int | None
    boards_lit: bool
    boards_off: bool
    fault: bool
    assumed: bool = False
    remaining_ns: int = 0
    """What a stopped count holds; 0 in every other phase."""
    mark_s: int = 0
    """Seconds left at which this running count has the rule set's own mark, 11-99; 0 none."""
    cue: CueCode | None = None
    """The newest cue that no key asked for; None for none so far."""
    cue_number: int = 0
    """One up for each new ``cue``."""


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """The answer to one press: which handset, its counter, and the result to play."""

    handset: int
    counter: int
    result: Answer


@dataclass(frozen=True, slots=True)
class Rejection:
    """A frame that was not taken as a press, and why."""

    handset: int | None
    reason: str
    """One of: another version, bad tag, unknown handset, replayed, hello too soon, beat too old,
    too late, bad keys."""
    detail: str
    settling: bool = False
    """It came so early in a session that it is likely of the session before it."""


class HandsetListener(Protocol):
    """The service, as a handset driver sees it. Calls come from the event loop only."""

    def key_pressed(self, press: Press) -> Answer:
        """Act on a press, at once, and give its result: the answer to the handset."""
        ...

    def handset_heard(
        self, handset: int, at: int, battery_hours: int | None, margin_db: int | None
    ) -> None:
        """``handset`` sent something new and authentic. ``margin_db`` is by how much it hears us
        above the weakest that its radio takes; None where it cannot say, as with the battery."""
        ...

    def press_rejected(self, rejection: Rejection, at: int) -> None: ...


class Handset(Protocol):
    """A driver of one or more handsets behind one port or device."""

    @property
    def name(self) -> str: ...

    @property
    def serves(self) -> tuple[int, ...]:
        """The numbers of the handsets behind it; (0,) for the console."""
        ...

    @property
    def authenticated(self) -> bool:
        """False when anyone could inject a press."""
        ...

    @property
    def beacons(self) -> bool:
        """True when the handsets report their presence by themselves."""
        ...

    async def run(self, listener: HandsetListener) -> None:
        """Open the device in the first step and serve it until cancelled.

        Raises as :meth:`Board.run` does.
        """
        ...

    def tell(self, state: CrewState) -> None:
        """Tell every handset the state, once and at once. Never blocks and never raises: a fault
        of the device ends :meth:`run`."""
        ...


@runtime_checkable
class HearingHandset(Handset, Protocol):
    """A driver that hears more than its handsets: noise, and frames of others."""

    @property
    def bad_frames(self) -> int:
        """Frames dropped since it was made that were damaged, or good but none of ours."""
        ...


class PortListener(Protocol):
    """A driver, as its port sees it."""

    def bytes_received(self, data: bytes, at: int) -> None: ...

    def port_lost(self, error: PortError) -> None: ...


class Port(Protocol):
    """A byte pipe that never blocks the event loop.

    ``write`` hands over as many bytes as the port takes now and returns their count (0 when it
    is full). ``unsent`` is the number of bytes handed over that have not left yet, 0 where the
    port cannot tell.
    """

    @property
    def name(self) -> str: ...

    def open(self, listener: PortListener) -> None: ...

    def write(self, data: bytes) -> int: ...

    def unsent(self) -> int: ...

    def flush(self) -> None:
        """Throw away what has not left yet."""
        ...

    def close(self) -> None: ...
