"""No attack of the matrix succeeds where the pages promise otherwise."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.scenarios.attacks.matrix import ATTACKS
from tests.scenarios.attacks.tally import Attack, Tally


def marked(attack: Attack, tier: str) -> object:
    """One attack as a parameter, with the marks that it needs."""
    marks = [getattr(pytest.mark, name) for name in (tier, *attack.needs)]
    return pytest.param(attack, marks=marks, id=str(attack))


@pytest.mark.parametrize("attack", [marked(attack, "full") for attack in ATTACKS])
def test_no_attack_succeeds(attack: Attack, tmp_path: Path) -> None:
    tally = Tally()
    attack.made(tally, tmp_path)
    assert tally.attempts
    assert not tally.failures, tally.told


@pytest.mark.parametrize("attack", [marked(attack, "long") for attack in ATTACKS if attack.many])
def test_no_attack_succeeds_however_often_it_is_tried(attack: Attack, tmp_path: Path) -> None:
    tally = Tally(attack.many)
    attack.made(tally, tmp_path)
    assert not tally.failures, tally.told
