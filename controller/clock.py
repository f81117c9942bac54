"""The one clock of the service, and whether the wall clock beside it is kept by a time source.

The play clock never counts by wall time; whether a time source keeps it only tells a reader how far
the journal's wall times can be trusted. The kernel knows: ``adjtimex(2)`` returns TIME_ERROR (5)
until a time daemon has set the clock and cleared STA_UNSYNC, and again when that daemon has been
silent for too long.

Cost: the first question loads ``ctypes`` (a few milliseconds and about one megabyte), each later
one is one system call of about a microsecond. The journal asks once per transaction, in its own
thread.
"""

from __future__ import annotations

import functools
import time
from collections.abc import Callable

boottime = functools.partial(time.clock_gettime_ns, time.CLOCK_BOOTTIME)
"""Gives the present instant: nanoseconds of CLOCK_BOOTTIME, which also counts while suspended and
which no one can set."""

_TIME_ERROR = 5  # <sys/timex.h>, adjtimex(2)
_TIMEX_BYTES = 512
"""More than any ``struct timex`` (208 bytes where long has 64 bits). Its first member is ``modes``;
zero asks and changes nothing, so no other member needs a layout here."""


def synchronised() -> bool | None:
    """True if a time source keeps the wall clock, False if not, None where that is unknown."""
    adjtimex = _adjtimex()
    return None if adjtimex is None else verdict(adjtimex())


def verdict(clock_state: int) -> bool | None:
    """What a return value of ``adjtimex(2)`` says; a failed call (-1) says nothing."""
    if clock_state < 0:
        return None
    return clock_state != _TIME_ERROR


@functools.cache
def _adjtimex() -> Callable[[], int] | None:
    try:
        import ctypes  # noqa: PLC0415 - costs milliseconds; see above

        call = ctypes.CDLL(None).adjtimex
    except (ImportError, OSError, AttributeError):
        return None  # no ctypes, or a C library without the call
    call.restype = ctypes.c_int
    buffer = ctypes.create_string_buffer(_TIMEX_BYTES)

    def ask() -> int:
        ctypes.memset(buffer, 0, _TIMEX_BYTES)
        return int(call(buffer))

    return ask
