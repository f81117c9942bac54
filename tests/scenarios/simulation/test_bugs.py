"""Bugs made on purpose, which the simulation must see."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.scenarios.simulation.bugs import BUGS, Bug
from tests.scenarios.simulation.faults import KINDS
from tests.scenarios.simulation.game import Plan, play
from tests.scenarios.simulation.test_simulation import USUAL, explained


@pytest.mark.full
@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.name)
def test_a_bug_is_seen(bug: Bug, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kinds = {name: KINDS[name] for name in bug.kinds} if bug.kinds else None
    plans = [Plan(seed, USUAL, kinds=kinds) for seed in range(1, bug.within + 1)]
    bug.make(monkeypatch)
    seen = None
    for plan in plans:
        if play(plan, tmp_path / f"bug {plan.seed}").verdict.problems:
            seen = plan
            break
    assert seen is not None, f"{bug.name}: not seen in {bug.within} games"
    monkeypatch.undo()
    game = play(seen, tmp_path / "without")
    assert not game.verdict.problems, explained(game)
