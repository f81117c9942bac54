"""The classes of faults: how often they strike, how long they last, what they may do to a board."""

from __future__ import annotations

from typing import NamedTuple


class Kind(NamedTuple):
    """How often, and how long (seconds from, to). ``settles_s``: for so long after its end the
    boards may still be dark because of it, 0 if they may not be at all. ``stale``: while it lasts
    a board may show what it was told before, or differ from the other."""

    weight: float
    least_s: float
    most_s: float
    settles_s: float = 0.0
    stale: bool = False


PORT_BACK_S = 2.2 + 3.2
"""The longest pause before a port is tried again, and the time in which boards come back."""
KINDS = {
    "board mute": Kind(5, 0.5, 8.0, 3.2),
    "board deaf": Kind(5, 0.5, 8.0, 3.2, stale=True),
    "board reset": Kind(5, 0.0, 0.4, 0.7, stale=True),
    "board lies": Kind(4, 0.5, 12.0, 3.2, stale=True),
    "board flaps": Kind(3, 15.0, 45.0, 3.2),
    "line noise": Kind(4, 1.0, 15.0, 3.2, stale=True),
    "answer lost": Kind(5, 0.0, 0.0),
    "boards port stalled": Kind(5, 0.1, 4.0, PORT_BACK_S, stale=True),
    "boards port full": Kind(4, 0.1, 3.0, PORT_BACK_S, stale=True),
    "boards port cut": Kind(5, 0.1, 6.0, PORT_BACK_S, stale=True),
    "receiver cut": Kind(4, 0.1, 6.0),
    "receiver stalled": Kind(4, 0.1, 3.0),
    "poor radio": Kind(6, 5.0, 40.0),
    "jammed": Kind(4, 0.5, 20.0),
    "crew gone": Kind(0.7, 70.0, 100.0),
    "late presses": Kind(5, 10.0, 40.0),
    "doubled presses": Kind(5, 10.0, 40.0),
    "forged presses": Kind(5, 1.0, 10.0),
    "replayed presses": Kind(6, 1.0, 20.0),
    "killed": Kind(8, 0.3, 2.5, 0.3, stale=True),
    "killed in a turn": Kind(10, 0.3, 2.5, 0.3, stale=True),
    "killed again and again": Kind(2, 0.3, 1.0, 0.3, stale=True),
    "stopped": Kind(3, 0.3, 4.0, 0.3, stale=True),
    "away for long": Kind(0.7, 32.0, 60.0, 0.3, stale=True),
    "power cut": Kind(2, 14.0, 40.0, 0.3, stale=True),
    "hung": Kind(3, 5.0, 5.0, 0.3, stale=True),
    "disk stalled": Kind(5, 0.5, 30.0),
    "slow loop": Kind(5, 1.0, 8.0, 3.2, stale=True),
}
WATCHDOG = Kind(0, 0.0, 0.0, 0.3, stale=True)
"""The manager's kill, which no one draws."""
OF_THE_PROCESS = {
    "killed",
    "killed in a turn",
    "killed again and again",
    "stopped",
    "away for long",
    "power cut",
}
OF_A_BOARD = {"board deaf", "board reset", "board lies", "line noise"}
