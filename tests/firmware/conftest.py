"""The image and the benches of the firmware's tests."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.firmware import building, pc
from tests.firmware.bench import Bench, OnChip, OnPC
from tests.firmware.handset_pc import HandsetOnPC, serving

MakeBench = Callable[..., Bench]


@pytest.fixture(scope="session")
def image() -> Path:
    """The board node's firmware, built by its own Makefile."""
    return building.image("board")


@pytest.fixture(scope="session")
def process() -> Iterator[pc.Process]:
    """The node's logic on this computer; a report of the sanitizers goes to standard error."""
    with subprocess.Popen(
        [pc.node_program()], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as running:
        yield running
        running.communicate()
    assert running.returncode == 0


@pytest.fixture
def handset() -> Iterator[HandsetOnPC]:
    """A paired handset of twelve keys, on this computer, on for a second."""
    with serving() as handset:
        yield handset


@pytest.fixture(params=["pc", "chip"])
def bench(request: pytest.FixtureRequest) -> MakeBench:
    """Makes nodes, on this computer or on a chip: ``bench(number, causes, revision)``."""

    def make(number: int = 1, causes: int = 1, revision: int | None = None) -> Bench:
        if request.param == "chip":
            return OnChip(request.getfixturevalue("image"), number, causes, revision)
        return OnPC(request.getfixturevalue("process"), number, causes, revision)

    return make
