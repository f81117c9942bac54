"""The last order, for whoever asks what was pressed last and by whom."""

from __future__ import annotations

from collections.abc import Mapping

from controller.rules.effects import Decision, Result
from controller.rules.events import plain
from controller.rules.rulings import RuleSet
from controller.service.crew import CrewMember


class LastOrder:
    """``decided`` is None before the first one."""

    def __init__(self, rules: RuleSet, crew: Mapping[int, CrewMember]) -> None:
        self._rules, self._crew = rules, crew
        self.decided: Decision | None = None

    @property
    def words(self) -> str:
        """What was ordered, in plain words."""
        if self.decided is None:
            return ""
        event, rules = self.decided.order.event, self._rules
        return plain(event, rules.routine_s, rules.administrative_s)

    @property
    def by(self) -> str:
        """Who ordered it."""
        if self.decided is None:
            return ""
        order = self.decided.order
        return order.role.value if order.handset is None else self._crew[order.handset].name

    @property
    def assumed(self) -> bool:
        """True when something was assumed that nobody pressed."""
        return self.decided is not None and self.decided.result is Result.ASSUMED
