"""How a bus of boards is left: dark, and with nothing in the port that could light them later."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from drivers.base import Port, PortError

DARK_FRAMES = 2
CLOSING_S = 0.025
"""Longer than any answer under way and the frames before it."""


async def close_dark(
    port: Port,
    dark_frame: Callable[[], bytes],
    *,
    alive: bool,
    closing_s: float = CLOSING_S,
) -> None:
    """Darken the boards if the port is ``alive``, and close it.

    The first dark frames may meet an answer, the second cannot. What does not leave is thrown away.
    ``closing_s`` has to outlast all that may be on its way and the first dark frames.
    """
    stuck = not alive
    try:
        if alive:
            _darken(port, dark_frame)
            await asyncio.sleep(closing_s)
            stuck = port.unsent() > 0
    finally:
        if alive:
            _darken(port, dark_frame)
        if stuck:  # it must not light up later, nor hold up the close
            with contextlib.suppress(PortError):  # lost: nothing left to throw away
                port.flush()
        port.close()


def _darken(port: Port, dark_frame: Callable[[], bytes]) -> None:
    for _ in range(DARK_FRAMES):
        port.write(dark_frame())
