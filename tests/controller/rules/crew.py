"""What the tests of the rules share: a clock with a crew around it."""

from __future__ import annotations

from controller.rulebook.loader import load_rule_set
from controller.rules import events
from controller.rules.effects import Decision, Effect, Marked, ReachedZero
from controller.rules.phases import Phase
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RuleSet, Ruling, StartsOn
from controller.rules.settings import Settings
from tests.controller.rules.orders import HOLD_40, RUN_40, SNAP, STOP

S = 1_000_000_000
SCHOOL = load_rule_set("nfhs")


def only_25() -> RuleSet:
    """A code in which every count is 25 seconds and waits for the ready."""
    names = ("routine", "incomplete_pass", "stoppage", "foul", "charged_timeout", "touchdown")
    rulings = {each: Ruling(each, 25, StartsOn.READY, "every down", "memory") for each in names}
    return RuleSet(
        code="only25",
        title="Every count 25 on the ready",
        season_from=2000,
        season=2000,
        routine_s=25,
        administrative_s=25,
        rulings=rulings,
        marks=frozenset({10, 5, 4, 3, 2, 1, 0}),
    )


class Crew:
    """A play clock, and orders given at seconds since its start."""

    def __init__(self, rules: RuleSet = SCHOOL, settings: Settings | None = None) -> None:
        self.clock = PlayClock(rules, settings)
        self.said: list[Effect] = []

    def __call__(
        self,
        event: events.Event,
        at_s: float,
        role: events.Role = events.Role.KEEPER,
        game_clock_s: int | None = None,
    ) -> Decision:
        """One press at ``at_s``; the keeper holds handset 1, the field official handset 2."""
        handset = 1 if role is events.Role.KEEPER else 2
        order = events.Order(event, round(at_s * S), handset, role, game_clock_s=game_clock_s)
        return self.order(order)

    def taps(
        self,
        first: events.Event,
        at_s: float,
        stronger: events.Event,
        then_s: float,
        role: events.Role = events.Role.KEEPER,
    ) -> Decision:
        """Two taps of one key: ``first``, amended by ``stronger``."""
        handset = 1 if role is events.Role.KEEPER else 2
        start = round(at_s * S)
        self.order(events.Order(first, start, handset, role, start))
        return self.order(
            events.Order(stronger, round(then_s * S), handset, role, start, amends=True)
        )

    def order(self, order: events.Order) -> Decision:
        decided, said = self.clock.handle(order, order.at)
        self.said += said
        return decided

    def wait_until(self, at_s: float) -> None:
        self.said += self.clock.pass_time(round(at_s * S))

    @property
    def phase(self) -> Phase:
        return self.clock.state.down.phase

    def shows(self, at_s: float) -> int | None:
        return self.clock.numerals(round(at_s * S))

    @property
    def marks(self) -> list[int]:
        return [each.seconds for each in self.said if isinstance(each, Marked)]

    @property
    def zeros(self) -> int:
        return sum(isinstance(each, ReachedZero) for each in self.said)


def in_phase(name: str, rules: RuleSet = SCHOOL) -> Crew:
    """A crew whose clock got into the phase by ordinary presses before 100 s; nothing is named."""
    crew = Crew(rules)
    if name == "SET":
        crew(HOLD_40, 50)
    elif name == "RUNNING":
        crew(RUN_40, 90)
    elif name == "LIVE":
        crew(SNAP, 50)
    elif name == "STOPPED":
        crew(RUN_40, 80)
        crew(STOP, 90)
    elif name == "EXPIRED":
        crew(RUN_40, 50)
        crew.wait_until(95)
    return crew
