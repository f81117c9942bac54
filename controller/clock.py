"""The one clock of the service."""

from __future__ import annotations

import time


def boottime() -> int:
    """The present instant: nanoseconds of CLOCK_BOOTTIME, which also counts while suspended and
    which no one can set."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
