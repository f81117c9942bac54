"""What every test run shares."""

from __future__ import annotations

import os
import signal
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
UNITS = ("controller", "drivers", "scenarios")
"""Folders of tests whose own folders are suites."""
LONGEST = {"scenarios/simulation": 0, "fuzz": 1, "systemd": 2, "firmware": 3, "exploration": 4}
seconds: dict[str, float] = defaultdict(float)
"""What each suite has taken, over all processes."""


@pytest.fixture(autouse=True, scope="session")
def signals_as_a_terminal_gives_them() -> None:
    """A shell starts background jobs with SIGINT ignored, and nohup with SIGHUP: the programs that
    tests start inherit what is ignored, but not what is caught."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        signal.signal(signal.SIGHUP, lambda *_: None)


@pytest.fixture(autouse=True, scope="session")
def a_runtime_folder_of_their_own(tmp_path_factory: pytest.TempPathFactory) -> None:
    """As the service manager gives one (systemd.exec(5)): not that of the machine's service."""
    os.environ["RUNTIME_DIRECTORY"] = str(tmp_path_factory.mktemp("runtime") / "playclock")


def suite_of(place: str) -> str:
    """The suite of a test: its folder under ``tests/``, or its file beside them."""
    parts = place.partition("::")[0].split("/")[1:]
    return "/".join(parts[: 2 if parts[0] in UNITS and len(parts) > 2 else 1])


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest suites first, so that no processor is left alone with one at the end."""
    items.sort(key=lambda item: LONGEST.get(suite_of(item.nodeid), len(LONGEST)))


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Add up; with several processes the first of them is given every report."""
    seconds[suite_of(report.nodeid)] += report.duration


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """A table of seconds a suite, the longest first."""
    slow = sorted(((taken, suite) for suite, taken in seconds.items() if taken >= 1), reverse=True)
    if slow and not os.environ.get("PYTEST_XDIST_WORKER"):
        terminalreporter.section("seconds a suite, of one processor")
        for taken, suite in slow:
            terminalreporter.line(f"{taken:8.1f}  {suite}")
