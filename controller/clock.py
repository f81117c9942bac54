"""The one clock of the service."""

from __future__ import annotations

import functools
import time

boottime = functools.partial(time.clock_gettime_ns, time.CLOCK_BOOTTIME)
"""Gives the present instant: nanoseconds of CLOCK_BOOTTIME, which also counts while suspended and
which no one can set."""
