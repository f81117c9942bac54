"""The last order, for whoever asks what was pressed last and by whom."""

from __future__ import annotations

from collections.abc import Mapping

from controller.crew import CrewMember
from controller.rules.effects import Decided, Result
from controller.rules.events import plain
from controller.rules.rulings import RuleSet


class LastOrder:
    """``decided`` is None before the first one; ``words`` and ``by`` are plain words for it."""

    def __init__(self, rules: RuleSet, crew: Mapping[int, CrewMember]) -> None:
        self._rules, self._crew = rules, crew
        self.decided: Decided | None = None
        self.words = self.by = ""

    def take(self, decided: Decided) -> None:
        """Another order was decided."""
        order, rules = decided.order, self._rules
        self.decided = decided
        self.words = plain(order.event, rules.routine_s, rules.administrative_s)
        self.by = order.role.value if order.handset is None else self._crew[order.handset].name

    @property
    def assumed(self) -> bool:
        """True when something was assumed that nobody pressed."""
        return self.decided is not None and self.decided.result is Result.ASSUMED
