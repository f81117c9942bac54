"""The one clock: CLOCK_BOOTTIME in nanoseconds; and whether the wall clock is kept."""

from __future__ import annotations

import subprocess
import sys
import time

import pytest

from controller import clock
from controller.clock import boottime


def test_it_is_boottime_in_whole_nanoseconds() -> None:
    before = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    now = boottime()
    after = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    assert isinstance(now, int)
    assert before <= now <= after


@pytest.mark.parametrize(
    ("clock_state", "said"),
    # adjtimex(2): TIME_OK 0, TIME_INS 1, TIME_DEL 2, TIME_OOP 3, TIME_WAIT 4, TIME_ERROR 5.
    [(0, True), (1, True), (2, True), (3, True), (4, True), (5, False), (-1, None)],
)
def test_what_the_kernel_says(clock_state: int, said: bool | None) -> None:
    assert clock.verdict(clock_state) is said


def test_it_agrees_with_the_kernels_own_flag() -> None:
    """STA_UNSYNC (0x40) is in ``status``, the member at 40 bytes where long has 64 bits."""
    program = (
        "import ctypes; timex = ctypes.create_string_buffer(512); "
        "state = ctypes.CDLL(None).adjtimex(timex); "
        "status = int.from_bytes(timex[40:44], 'little'); "
        "print(None if state < 0 or ctypes.sizeof(ctypes.c_long) != 8 else not status & 0x40)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    flag = done.stdout.decode().strip()
    assert flag == "None" or str(clock.synchronised()) == flag


def test_asking_again_gives_the_same_answer() -> None:
    assert clock.synchronised() is clock.synchronised()


def test_it_is_unknown_without_the_call(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock, "_adjtimex", lambda: None)
    assert clock.synchronised() is None
