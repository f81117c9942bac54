"""What the play clock answers: which results changed something."""

from __future__ import annotations

import pytest

from controller.rules.effects import Decision, Result
from controller.rules.events import Order, Ready


@pytest.mark.parametrize("result", Result)
def test_a_decision_changed_something_unless_it_was_so_already_or_refused(result: Result) -> None:
    order = Order(Ready(), 0)
    decided = Decision(order, result, "", "", "SET", "RUNNING", None, frozenset(), 0)
    assert decided.changed == (result not in (Result.NO_CHANGE, Result.REFUSED))
