"""An act beside the event loop: begun at once, waited for with patience, its error kept."""

from __future__ import annotations

import threading
import time

import pytest

from drivers.port.background_call import BackgroundCall


def test_what_it_gave_is_there_when_it_is_done() -> None:
    aside = BackgroundCall(lambda: 25, "quick")
    assert aside.done(5)
    assert aside.result() == 25


def test_nobody_waits_longer_than_told() -> None:
    go_on = threading.Event()
    aside = BackgroundCall(go_on.wait, "slow")
    began_at = time.monotonic()
    assert not aside.done(0.003)
    assert time.monotonic() - began_at < 1
    go_on.set()
    assert aside.done(5)
    assert aside.result() is True


def test_its_error_is_for_whoever_asks_for_the_result() -> None:
    def fail() -> None:
        raise OSError(5, "Input/output error")

    aside = BackgroundCall(fail, "failing")
    assert aside.done(5)
    with pytest.raises(OSError, match="Input/output"):
        aside.result()


@pytest.mark.parametrize("needed", [True, False])
def test_the_end_of_the_process_waits_for_what_is_needed_alone(needed: bool) -> None:
    go_on = threading.Event()
    aside = BackgroundCall(go_on.wait, "waited for", needed=needed)
    (thread,) = [each for each in threading.enumerate() if each.name == "waited for"]
    assert thread.daemon is not needed
    go_on.set()
    assert aside.done(5)
