"""The last order in plain words."""

from __future__ import annotations

from controller.rules.events import BoardsFault, Event, Order, PlayEnded, Role
from controller.rules.gestures import Gestures
from controller.rules.play_clock import PlayClock
from controller.service.crew import CrewMember
from controller.service.last_order import LastOrder
from tests.controller.fakes import RULES, S

CREW = {1: CrewMember("handset 1", Role.KEEPER, Gestures("twelve"))}


def test_it_names_what_and_who() -> None:
    last, play_clock = LastOrder(RULES, CREW), PlayClock(RULES)
    assert (last.decided, last.words, last.by, last.assumed) == (None, "", "", False)

    def give(event: Event, at: int, handset: int | None, role: Role) -> None:
        last.decided = play_clock.handle(Order(event, at, handset, role), at)[0]

    give(PlayEnded("incomplete_pass"), S, 1, Role.KEEPER)
    assert (last.words, last.by) == ("play ended: incomplete pass", "handset 1")
    assert not last.assumed
    give(PlayEnded("incomplete_pass"), 30 * S, 1, Role.KEEPER)
    assert last.assumed, "a new down"
    give(BoardsFault("north does not answer"), 31 * S, None, Role.SERVICE)
    assert (last.words, last.by) == ("boards off: north does not answer", "service")
