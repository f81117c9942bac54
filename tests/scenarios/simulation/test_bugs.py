"""Bugs made on purpose, which the simulation must see."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path

import pytest

from tests.scenarios.simulation.bugs import BUGS, Bug
from tests.scenarios.simulation.faults import KINDS
from tests.scenarios.simulation.game import Plan, play
from tests.scenarios.simulation.test_simulation import USUAL, explained


@functools.cache
def problems_without(seed: int, names: tuple[str, ...]) -> str:
    """What is wrong with a game in which nothing was broken: several bugs share one."""
    with tempfile.TemporaryDirectory() as folder:
        game = play(plan(seed, names), Path(folder))
    return explained(game) if game.verdict.problems else ""


def plan(seed: int, names: tuple[str, ...]) -> Plan:
    """A game with faults of the kinds named, of all kinds if none is."""
    return Plan(seed, USUAL, kinds={name: KINDS[name] for name in names} or None)


@pytest.mark.parametrize(
    "bug",
    [
        pytest.param(bug, marks=pytest.mark.long if n % 3 else pytest.mark.full, id=bug.name)
        for n, bug in enumerate(BUGS)
    ],
)
def test_a_bug_is_seen(bug: Bug, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = tuple(bug.kinds or ())
    bug.make(monkeypatch)
    seen = None
    for seed in range(1, bug.within + 1):
        if play(plan(seed, names), tmp_path / f"bug {seed}").verdict.problems:
            seen = seed
            break
    assert seen is not None, f"{bug.name}: not seen in {bug.within} games"
    monkeypatch.undo()
    assert problems_without(seen, names) == ""
