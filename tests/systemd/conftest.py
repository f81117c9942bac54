"""Releases to install, built once, and a computer to install them on."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.systemd.computer import Computer, installation, service_manager
from tests.systemd.releases import Releases, build_all


@pytest.fixture(scope="session")
def releases(tmp_path_factory: pytest.TempPathFactory) -> Releases:
    return build_all(tmp_path_factory.mktemp("a stick"))


@pytest.fixture
def computer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Computer:
    monkeypatch.setattr(service_manager, "SETTLED_S", 0)  # the stand-in stays as it is
    # What is imported gets compiled then.
    monkeypatch.setattr(installation, "PIP", (*installation.PIP, "--no-compile"))
    return Computer(tmp_path)
