"""How the handsets stand: who is heard, who is missed, and whose port has a fault."""

from __future__ import annotations

from controller.rules.events import Role
from controller.rules.gestures import Gestures
from controller.service.crew import CrewMember
from controller.service.handset_presence import Presence
from controller.service.handset_state import HandsetState, unheard
from controller.status.document import HandsetHealth
from tests.controller.fakes import FakeHandset, Game, S, in_idle
from tests.shared.virtual_time import VirtualClock


def handset(game: Game, number: int) -> HandsetHealth:
    return game.status.handset_health[number]


@in_idle
async def test_handsets_are_waited_for_heard_and_missed(game: Game) -> None:
    assert (handset(game, 0).state, handset(game, 0).name) == ("heard", "console")
    assert (handset(game, 1).state, handset(game, 1).heard_s) == ("waiting", None)
    game.handset.beacon(1, battery_hours=7, margin_db=31)
    await game.at(5.5)
    assert (handset(game, 1).state, handset(game, 1).heard_s) == ("heard", 3)
    assert (handset(game, 1).battery_hours, handset(game, 1).margin_db) == (7, 31)
    assert (handset(game, 2).role, handset(game, 3).role) == ("field", "shadow")
    await game.at(33)
    assert (handset(game, 1).state, handset(game, 1).well) == ("silent", False)
    assert "handset 1: not heard for 31 s" in game.status.alarms
    assert any("handset 2" in alarm for alarm in game.status.alarms), "it was never heard"
    assert not any("None" in alarm for alarm in game.status.alarms)


@in_idle
async def test_a_receiver_s_fault_is_shown_at_its_handsets(game: Game) -> None:
    game.handset.errors = [OSError(5, "gone")] * 9
    game.handset.fail(OSError(5, "lost"))
    await game.at(3)
    assert (handset(game, 1).state, handset(game, 1).detail) == ("port fault", "[Errno 5] gone")


def state_of(clock: VirtualClock, *handsets: FakeHandset) -> HandsetState:
    """How the console and handset 1 stand behind these drivers."""
    crew = {
        0: CrewMember("console", Role.KEEPER, Gestures("twelve")),
        1: CrewMember("handset 1", Role.KEEPER, Gestures("twelve")),
    }
    beacons = [1] if handsets[0].beacons else []
    return HandsetState(crew, handsets, Presence(beacons, clock()))


def test_a_fault_of_another_device_is_not_shown_at_the_handset() -> None:
    clock = VirtualClock()
    keys = FakeHandset(clock, "keys", beacons=False, serves=(0,))
    state = state_of(clock, FakeHandset(clock, "receiver"), keys)
    state.port("keys", "hung up")
    console, handset = state.health(clock())
    assert (console.state, console.detail) == ("port fault", "hung up")
    assert (handset.state, handset.detail) == ("waiting", "")
    state.port("keys", "")
    assert state.health(clock())[0].state == "heard"


def test_handsets_that_do_not_report_by_themselves_are_never_missed() -> None:
    clock = VirtualClock()
    state = state_of(clock, FakeHandset(clock, "wired", beacons=False))
    handset = state.health(clock() + 100 * S)[1]
    assert (handset.name, handset.state, handset.reports) == ("handset 1", "waiting", False)
    assert unheard(state.health(clock() + 100 * S)) == []


def test_a_silent_handset_behind_a_lost_port_is_both() -> None:
    clock = VirtualClock()
    state = state_of(clock, FakeHandset(clock, "receiver"))
    state.port("receiver", "unplugged")
    handset = state.health(clock() + 30 * S)[1]
    assert (handset.state, handset.silent, handset.number) == ("port fault", True, 1)
    assert unheard([handset]) == ["handset 1: not heard yet"]
