"""The phases of the play clock, and its whole state.

Darkness is not a phase: the boards are a separate axis, so that the count and the cues go on in
the hand whatever the boards do.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import NamedTuple

from controller.rules.numerals import numerals
from controller.rules.rulings import Ruling


class StartedBy(enum.Enum):
    """What started a running count."""

    DEAD_BALL = "dead ball"
    READY = "ready"
    REFEREE = "referee"
    """A pumped palm, or a timing correction."""


@dataclass(frozen=True, slots=True)
class Idle:
    """No count."""


@dataclass(frozen=True, slots=True)
class Set:
    """``seconds`` shown and held, waiting for the ready."""

    seconds: int


@dataclass(frozen=True, slots=True)
class Running:
    """Counting down to ``expires_at``; ``seconds`` is what it started from."""

    seconds: int
    started_at: int
    expires_at: int
    started_by: StartedBy


@dataclass(frozen=True, slots=True)
class Live:
    """The ball is in play since ``since``: the routine number is shown and held."""

    seconds: int
    since: int


@dataclass(frozen=True, slots=True)
class Stopped:
    """A count stopped by the referee with ``remaining_ns`` left of ``seconds``."""

    seconds: int
    remaining_ns: int


@dataclass(frozen=True, slots=True)
class Expired:
    """Zero, shown and held."""


Phase = Idle | Set | Running | Live | Stopped | Expired

PHASES: tuple[type[Phase], ...] = (Idle, Set, Running, Live, Stopped, Expired)

_NAMES: dict[type[Phase], str] = {phase: phase.__name__.upper() for phase in PHASES}


def name(phase: Phase) -> str:
    """The phase's name as design, console and journal print it: ``RUNNING``."""
    return _NAMES[type(phase)]


def shown(phase: Phase, now: int) -> int | None:
    """The numerals of a phase at ``now``: 0-99, or None for no count."""
    if isinstance(phase, Running):
        return numerals(phase.expires_at - now, phase.seconds)
    if isinstance(phase, Set | Live):
        return phase.seconds
    if isinstance(phase, Stopped):
        return numerals(phase.remaining_ns, phase.seconds)
    return 0 if isinstance(phase, Expired) else None


class Off(enum.Enum):
    """Why the boards are off."""

    ORDERED = "ordered"
    FAULT = "fault"


class Boards(enum.Enum):
    """The board axis."""

    LIT = "lit"
    BLANK = "blank"
    """No count; the next number lights them."""
    OFF = "off"
    """Only a relight lights them."""


class Coming(NamedTuple):
    """What is known of the plays to come: a try after a touchdown, a free kick after that.

    ``next`` is the play promised and not snapped yet, ``carried`` what was promised before the
    present down said anything, ``now`` the promised play in progress, or just over and not yet
    followed by a ready. ``put_up_at`` is when the end of a promised play put up its number.
    ``overtime``: an overtime series was told, or follows. ``fresh``: nothing was ordered yet;
    ``opening``: the number of an opening kickoff was, and no play since. ``periods_over`` were told
    over, the last one with no play since when ``between_periods``; ``quiet_since`` is when the
    count was ended for want of need.
    """

    next: str = ""
    carried: str = ""
    now: str = ""
    put_up_at: int | None = None
    overtime: bool = False
    fresh: bool = True
    opening: bool = False
    periods_over: int = 0
    between_periods: bool = False
    quiet_since: int | None = None


class Down(NamedTuple):
    """What is known of the down, and the phase: everything that Undo gives back.

    ``named`` are the endings and facts named since the last snap or ready, in no order.
    ``stoppage_at`` is when the last stoppage among them was named. ``ruling`` is what put up the
    present number. ``before_ready`` is what the count was for that the last ready started: a word
    told just after it may make that exact.
    """

    phase: Phase
    named: frozenset[str]
    stoppage_at: int | None
    ruling: Ruling | None
    number: int
    before_ready: frozenset[str] = frozenset()
    coming: Coming = Coming()
