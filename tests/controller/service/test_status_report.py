"""The snapshot that observers see: true words about boards, handsets and alarms."""

from __future__ import annotations

from controller.journal.recorder import Recorder
from controller.rules.events import PlayEnded, Role
from controller.rules.gestures import Gestures
from controller.rules.play_clock import PlayClock
from controller.service.crew import CrewMember
from controller.service.service import Service
from controller.service.status_report import status_of
from controller.status.document import HandsetHealth, Status
from drivers.base import Answered, Edge, Key
from tests.controller.fakes import RULES, FakeHandset, Game, in_game
from tests.shared.virtual_time import VirtualClock, virtual


def status(game: Game, journal_fault: str = "") -> Status:
    return status_of(game.service, game.clock(), journal_fault)


def handset(game: Game, number: int) -> HandsetHealth:
    return status(game).handset_health[number]


@virtual
@in_game
async def test_before_the_first_order(game: Game) -> None:
    said = status(game)
    assert said.rules == f"{RULES.title} {RULES.season}"
    assert (said.phase, said.numerals, said.remaining_ms) == ("IDLE", None, None)
    assert (said.boards, said.boards_why) == ("blank", "")
    assert (said.last, said.by, said.result, said.game, said.down) == ("", "", "", 1, 0)
    assert [(each.name, each.state) for each in said.board_health] == [
        ("north", "waiting"),
        ("south", "waiting"),
    ]
    assert (said.alarms, said.unauthenticated, said.journal) == ((), False, "")


@virtual
@in_game
async def test_a_running_count_with_its_ruling_and_who_gave_it(game: Game) -> None:
    await game.at(2)
    game.handset.press(Key.DEAD_BALL)
    await game.at(5.25)
    said = status(game)
    assert (said.phase, said.numerals, said.remaining_ms) == ("RUNNING", 37, 36_750)
    assert (said.last, said.by, said.result) == ("play ended: routine", "handset 1", "running")
    assert (said.ruling_seconds, said.starts_on, said.boards) == (40, "dead_ball", "lit")
    assert said.citation


@virtual
@in_game
async def test_a_stopped_count_keeps_its_milliseconds_and_a_held_one_has_none(game: Game) -> None:
    await game.at(2)
    game.handset.press(Key.DEAD_BALL)
    await game.at(12.5)
    game.handset.press(Key.STOP)
    await game.at(20)
    assert (status(game).phase, status(game).remaining_ms) == ("STOPPED", 29_500)
    game.handset.press(Key.SNAP)
    assert (status(game).phase, status(game).remaining_ms, status(game).down) == ("LIVE", None, 1)


@virtual
@in_game
async def test_the_console_and_the_last_mark(game: Game) -> None:
    await game.at(2)
    game.service.enter(PlayEnded("routine"))
    assert (status(game).by, status(game).marked) == ("console", None)
    await game.at(32.5)
    assert status(game).marked == 10
    game.handset.press(Key.SNAP)
    assert status(game).marked is None


@virtual
@in_game
async def test_boards_with_what_they_show_and_why_they_do_not(game: Game) -> None:
    await game.at(2)
    game.handset.press(Key.SNAP)
    game.north.answer(Answered.RIGHT, "40", supply_v=24.06, notes=("last reset by power-up",))
    game.south.answer(Answered.WRONG, "4")
    north, south = status(game).board_health
    assert (north.state, north.shows, north.detail) == (
        "right",
        "40",
        "24.1 V; last reset by power-up",
    )
    assert (south.state, south.shows, south.well) == ("wrong", "4", False)
    assert status(game).boards_why == "", "one wrong answer is not a fault yet"
    game.south.lose_for(100)
    await game.at(3)
    assert status(game).board_health[1].state == "port fault"
    assert "no such port" in status(game).board_health[1].detail
    assert status(game).boards_why == "south: its port is lost"


@virtual
@in_game
async def test_off_by_order_says_so(game: Game) -> None:
    await game.at(2)
    game.handset.press(Key.SNAP)
    game.handset.press(Key.BOARDS_OFF, edge=Edge.HELD)
    assert (status(game).boards, status(game).boards_why) == ("off", "by order")


@virtual
@in_game
async def test_off_because_nobody_was_heard_says_so(game: Game) -> None:
    await game.at(2)
    game.handset.press(Key.SNAP)
    await game.at(63)
    assert status(game).boards_why == "no handset heard for 60 s"


@virtual
@in_game
async def test_why_the_boards_are_off_does_not_change_with_the_next_press(game: Game) -> None:
    await game.at(2)
    game.handset.press(Key.SNAP)
    await game.at(63)
    before = status(game).boards_why
    game.handset.press(Key.SNAP)
    assert status(game).boards_why == before


@virtual
@in_game
async def test_handsets_are_waited_for_heard_and_missed(game: Game) -> None:
    await game.at(2)
    assert (handset(game, 0).state, handset(game, 0).name) == ("heard", "console")
    assert (handset(game, 1).state, handset(game, 1).heard_s) == ("waiting", None)
    game.handset.beacon(1, battery_hours=7)
    await game.at(5.5)
    assert (handset(game, 1).state, handset(game, 1).heard_s) == ("heard", 3)
    assert handset(game, 1).battery_hours == 7
    assert (handset(game, 2).role, handset(game, 3).role) == ("field", "shadow")
    await game.at(33)
    assert (handset(game, 1).state, handset(game, 1).well) == ("silent", False)
    assert "handset 1: not heard for 31 s" in status(game).alarms


@virtual
@in_game
async def test_a_handset_never_heard_is_missed_in_plain_words(game: Game) -> None:
    await game.at(33)
    assert any("handset 2" in alarm for alarm in status(game).alarms)
    assert not any("None" in alarm for alarm in status(game).alarms)


@virtual
@in_game
async def test_a_receiver_s_fault_is_shown_at_its_handsets(game: Game) -> None:
    await game.at(2)
    game.handset.errors = [OSError(5, "gone")] * 9
    game.handset.fail(OSError(5, "lost"))
    await game.at(3)
    assert (handset(game, 1).state, handset(game, 1).detail) == ("port fault", "[Errno 5] gone")


def two_receivers(clock: VirtualClock, first: FakeHandset, second: FakeHandset) -> Service:
    return Service(
        PlayClock(RULES),
        boards=[],
        handsets=[first, second],
        crew={
            0: CrewMember("console", Role.KEEPER, Gestures("twelve")),
            1: CrewMember("handset 1", Role.KEEPER, Gestures("twelve")),
        },
        recorder=Recorder(None, clock()),
        clock=clock,
    )


@virtual
async def test_a_fault_of_another_device_is_not_shown_at_the_handset(clock: VirtualClock) -> None:
    service = two_receivers(
        clock,
        FakeHandset(clock, "receiver"),
        FakeHandset(clock, "keys", beacons=False, serves=(0,)),
    )
    service.handset_heard(1, clock(), None)
    service.handset_faults["keys"] = "hung up"
    assert status_of(service, clock()).handset_health[1].state == "heard"


@virtual
async def test_handsets_that_do_not_report_by_themselves_have_a_status(
    clock: VirtualClock,
) -> None:
    service = two_receivers(
        clock,
        FakeHandset(clock, "wired", beacons=False),
        FakeHandset(clock, "keys", beacons=False, serves=(0,)),
    )
    assert status_of(service, clock()).handset_health[1].name == "handset 1"


@virtual
async def test_one_input_that_anyone_could_press_is_said(clock: VirtualClock) -> None:
    for authenticated in (True, False):
        service = two_receivers(
            clock, FakeHandset(clock), FakeHandset(clock, "fob", authenticated=authenticated)
        )
        assert status_of(service, clock()).unauthenticated is not authenticated


@virtual
@in_game
async def test_the_journal_s_fault_is_passed_on(game: Game) -> None:
    assert status(game, "disk full").journal == "disk full"
