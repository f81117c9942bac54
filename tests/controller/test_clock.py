"""The one clock: CLOCK_BOOTTIME in nanoseconds."""

from __future__ import annotations

import time

from controller.clock import boottime


def test_it_is_boottime_in_whole_nanoseconds() -> None:
    before = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    now = boottime()
    after = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    assert isinstance(now, int)
    assert before <= now <= after
