"""What the service manager is told, over a real socket (sd_notify(3), sd_watchdog_enabled(3))."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from controller.service.sd_notify import Notifier


def test_without_a_manager_nothing_happens() -> None:
    notifier = Notifier({})
    notifier.tell("READY=1")
    assert not notifier.listening
    assert notifier.watchdog_s is None
    notifier.close()


@pytest.mark.parametrize("abstract", [False, True])
def test_each_word_is_a_datagram(tmp_path: Path, abstract: bool) -> None:
    name = f"playclock-test-{os.getpid()}"
    address = "@" + name if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name if abstract else address)
        manager.settimeout(5)
        notifier = Notifier({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "2000000"})
        notifier.tell("READY=1")
        notifier.tell("STATUS=boards lit")
        assert [manager.recv(100), manager.recv(100)] == [b"READY=1", b"STATUS=boards lit"]
        assert notifier.listening
        assert notifier.watchdog_s == 2.0
        notifier.close()


def test_a_manager_that_is_gone_or_full_stops_nothing(tmp_path: Path) -> None:
    address = str(tmp_path / "notify")
    notifier = Notifier({"NOTIFY_SOCKET": address})
    notifier.tell("READY=1")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        for _ in range(2_000):
            notifier.tell("WATCHDOG=1")
    notifier.tell("WATCHDOG=1")
    notifier.close()


@pytest.mark.parametrize(
    ("more", "watchdog_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "500000"}, 0.5),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "500000", "WATCHDOG_PID": str(os.getpid())}, 0.5),
        ({"WATCHDOG_USEC": "500000", "WATCHDOG_PID": "1"}, None),
    ],
)
def test_whether_the_manager_waits_for_food(more: dict[str, str], watchdog_s: float | None) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": "/nowhere"} | more)
    assert notifier.watchdog_s == watchdog_s
    notifier.close()
