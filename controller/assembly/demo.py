"""A short series played by a simulated keeper, for whoever has no terminal to type on."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

SERIES: tuple[tuple[float, str], ...] = (
    (1.0, "NUMBER_25"),  # before the kickoff: 25, held
    (2.0, "READY"),
    (4.0, "SNAP"),  # the kick
    (6.0, "NUMBER_25"),  # kick dead, new series: 25, held
    (3.0, "READY"),
    (6.0, "SNAP"),
    (5.0, "DEAD_BALL"),  # run, down in bounds: 40
    (12.0, "SNAP"),
    (4.0, "FLAG"),  # early flag: 25, held
    (2.0, "DEAD_BALL"),  # the whistle changes nothing
    (4.0, "READY"),
    (5.0, "SNAP"),
    (6.0, "DEAD_BALL"),
    (8.0, "TIME_OUT"),
    (5.0, "READY"),
    (4.0, "SNAP"),
    (5.0, "NO_COUNT"),
)
"""Seconds since the press before, and the name of the key. Invented."""
LOOK_S = 2.0


async def play(press: Callable[[str], None]) -> None:
    """Play the series once, and leave its end to be looked at for :data:`LOOK_S`."""
    for pause_s, key in SERIES:
        await asyncio.sleep(pause_s)
        press(key)
    await asyncio.sleep(LOOK_S)
