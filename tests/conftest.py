"""What every test run shares."""

from __future__ import annotations

import os
import signal

import pytest


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
