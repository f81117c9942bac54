"""The status: what is well, what counts as news, and that reading one costs little."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from controller.status.document import BoardHealth, HandsetHealth

ROOT = Path(__file__).resolve().parents[3]


ILL = ("wrong", "silent", "port fault")


@pytest.mark.parametrize("state", ["waiting", "right", "sent", *ILL])
def test_a_board_is_well_unless_someone_must_look_at_it(state: str) -> None:
    assert BoardHealth("north", state).well is (state not in ILL)


@pytest.mark.parametrize("state", ["waiting", "heard", "silent", "port fault"])
def test_a_handset_is_well_unless_someone_must_look_for_it(state: str) -> None:
    assert HandsetHealth("handset 1", "keeper", state).well is (state not in ILL)


def test_another_answer_of_the_same_kind_is_no_news() -> None:
    north = BoardHealth("north", "right", "25", shown_at=1)
    assert replace(north, shown_at=2) == north
    assert replace(north, shows="24") != north


def test_whoever_reads_a_status_loads_nothing_else_of_ours() -> None:
    code = f"import sys; sys.path.insert(0, {str(ROOT)!r})\n"
    code += "import controller.status.document; print(*sys.modules)"
    command = [sys.executable, "-I", "-S", "-c", code]
    printed = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    ours = {each for each in printed if each.split(".")[0] in ("controller", "drivers")}
    assert ours == {"controller", "controller.status", "controller.status.document"}
    assert not {"asyncio", "json", "sqlite3"} & set(printed)
