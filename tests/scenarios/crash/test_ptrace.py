from __future__ import annotations

import signal
from collections.abc import Iterator

import pytest

from tests.scenarios.crash.ptrace import Call, Traced, started

pytestmark = pytest.mark.usefixtures("tracing_is_permitted")

TWO_THREADS = """
import os, sys, threading
os.write(1, b"ready\\n")
sys.stdin.readline()
thread = threading.Thread(target=lambda: [os.write(1, b"thread\\n") for _ in range(3)])
thread.start()
thread.join()
for _ in range(3):
    os.write(1, b"main\\n")
try:
    os.close(99)
except OSError:
    os._exit(7)
"""


def entries(traced: Traced, name: str) -> Iterator[Call]:
    return (call for call in traced.calls() if call.name == name and call.result is None)


def test_every_call_of_every_thread_is_seen_with_what_it_is_given_and_gives() -> None:
    with started("-c", TWO_THREADS) as (traced, output):
        calls = [
            (call.thread == traced.pid, call.result, traced.memory(*call.arguments[1:3]))
            for call in traced.calls()
            if call.name == "write"
        ]
        thread = [(False, None, b"thread\n"), (False, 7, b"thread\n")]
        main = [(True, None, b"main\n"), (True, 5, b"main\n")]
        assert calls == thread * 3 + main * 3
        assert traced.status == 7 << 8
        assert output.read().split() == [b"thread"] * 3 + [b"main"] * 3


def test_a_call_that_fails_gives_its_error() -> None:
    with started("-c", TWO_THREADS) as (traced, _):
        closed = [
            call.result
            for call in traced.calls()
            if call.name == "close" and call.arguments[0] == 99
        ]
        assert closed == [None, -9]  # EBADF


@pytest.mark.parametrize("nth", range(1, 7))
def test_killed_at_its_entry_a_call_is_never_made(nth: int) -> None:
    with started("-c", TWO_THREADS) as (traced, output):
        for number, _ in enumerate(entries(traced, "write"), 1):
            assert number <= nth
            if number == nth:
                traced.kill()
        assert traced.status == signal.SIGKILL
        assert len(output.read().split()) == nth - 1


def test_a_signal_still_reaches_the_process() -> None:
    program = "import os; os.write(1, b'ready\\n'); input(); os.kill(os.getpid(), 15)"
    with started("-c", program) as (traced, _):
        assert list(traced.calls())
        assert traced.status == signal.SIGTERM
