"""A board that can never say what it shows, beside one that can: never a fault, never right."""

from __future__ import annotations

from collections.abc import Callable, Coroutine

from controller.console.panels import faults, well
from controller.rules.phases import Boards
from controller.service.board_agreement import Agreement, Word
from controller.service.board_monitor import BoardWatch
from controller.service.driver_tasks import CANNOT_ANSWER
from controller.service.status_report import status_of
from controller.status.document import BoardHealth
from drivers.base import Answered, Edge, Key
from tests.controller.fakes import FakeHandset, Game, S, report
from tests.shared.virtual_time import VirtualClock, virtual

AT = 1_000 * S
SENT = BoardHealth("south", "sent", "", "cannot say what it shows")


def mixed(
    test: Callable[[Game], Coroutine[None, None, None]],
) -> Callable[[VirtualClock], Coroutine[None, None, None]]:
    """Give a test a running game whose northern board answers and whose southern cannot."""

    async def with_game(clock: VirtualClock) -> None:
        async with Game(clock, mute_south=True) as game:
            await test(game)

    with_game.__name__ = test.__name__
    with_game.__module__ = test.__module__
    return with_game


def health(game: Game) -> list[BoardHealth]:
    return list(status_of(game.service, game.clock()).board_health)


@virtual
@mixed
async def test_a_board_that_never_answers_is_sent_all_game_and_no_fault(game: Game) -> None:
    await game.at(1)
    game.handset.press(Key.DEAD_BALL)
    await game.present(35.5)
    game.answer(Answered.RIGHT)
    assert game.lamps() == (6, 6)
    assert health(game) == [BoardHealth("north", "right", "6"), SENT]
    assert SENT.well and not game.service.watch.agreement.dark
    assert [row.event for row in game.journal.of("fault") if "board" in row.event] == []
    assert [row.event for row in game.journal.of("fault") if "south" in row.event] == []


@virtual
@mixed
async def test_the_record_says_at_the_start_that_it_cannot_answer(game: Game) -> None:
    await game.present(2)
    notes = [(row.event, row.detail) for row in game.journal.of("note")]
    assert notes == [("south", CANNOT_ANSWER)]


@virtual
@mixed
async def test_the_record_confirms_the_board_that_answered_and_no_other(game: Game) -> None:
    await game.at(1)
    game.handset.press(Key.NUMBER_25)
    game.answer(Answered.RIGHT)
    assert [row.boards for row in game.journal.of("confirmed")] == ['{"north": "25"}']


@virtual
@mixed
async def test_a_wrong_board_darkens_the_one_that_cannot_answer_too(game: Game) -> None:
    await game.at(1)
    game.handset.press(Key.NUMBER_25)
    for _ in range(2):
        game.north.answer(Answered.WRONG, "28")
    assert game.lamps() == (None, None)


@virtual
@mixed
async def test_its_port_lost_darkens_both_and_its_return_lights_both(game: Game) -> None:
    await game.at(1)
    game.handset.press(Key.NUMBER_25)
    game.south.lose_for(2)
    await game.at(1.01)
    assert health(game)[1] == BoardHealth("south", "port fault", "", "[Errno 5] lost")
    assert game.lamps() == (None, None)
    await game.present(3)
    assert game.lamps() == (25, 25)
    assert health(game)[1] == SENT


@virtual
@mixed
async def test_its_port_lost_for_long_waits_for_a_relight(game: Game) -> None:
    await game.at(1)
    game.handset.press(Key.NUMBER_25)
    game.south.lose_for(6)
    await game.present(10)
    assert game.south.open and game.service.play_clock.boards is Boards.OFF
    assert game.lamps() == (None, None)
    game.handset.press(Key.BOARDS_OFF, edge=Edge.HELD)
    assert game.lamps() == (25, 25)


@virtual
async def test_with_no_board_that_answers_nothing_is_ever_confirmed(clock: VirtualClock) -> None:
    game = Game(clock, mute_south=True)
    game.north.answering = ()
    game.service.watch = BoardWatch(["north", "south"], clock(), [])
    async with game:
        await game.at(1)
        game.handset.press(Key.NUMBER_25)
        await game.present(5)
        assert game.lamps() == (25, 25)
        assert [each.state for each in health(game)] == ["sent", "sent"]
        assert game.journal.of("confirmed") == []


@virtual
@mixed
async def test_the_console_lists_it_as_sent_and_never_in_the_style_of_right(game: Game) -> None:
    await game.present(2)
    status = status_of(game.service, game.clock())
    assert faults(status) == []
    lines = {text for _, text in (line[1] for line in well(status))}
    assert " board south: cannot say what it shows" in lines
    styles = {line[0][1].strip(): line[0][0] for line in well(status)}
    assert styles["sent"] == "waits" and styles["right"] == "good"


def test_a_port_that_is_found_again_is_no_answer_of_a_board_that_can() -> None:
    agreement = Agreement(["north", "south"], ["south"])
    agreement.port_lost(["north", "south"], AT)
    agreement.port_found(["north", "south"], AT + S)
    assert agreement.dark and agreement.word("south") is Word.SENT
    agreement.answered("north", Word.RIGHT, AT + 2 * S)
    assert not agreement.dark


def test_returns_of_its_port_are_counted_as_those_of_any_board() -> None:
    agreement = Agreement(["south"], ["south"])
    for turn in range(2):
        agreement.port_lost(["south"], AT + turn * 10 * S)
        agreement.port_found(["south"], AT + turn * 10 * S + S)
        assert not agreement.dark
    agreement.port_lost(["south"], AT + 20 * S)
    agreement.port_found(["south"], AT + 20 * S + S)
    assert agreement.dark, "three times within ten minutes"


def test_only_the_boards_that_can_answer_are_waited_for() -> None:
    watch = BoardWatch(["north", "south"], AT, ["north"])
    watch.commanded(AT)
    answer = report("north", Answered.RIGHT, "25", shown_at=AT)
    watch.answered(answer, AT)
    assert watch.confirmed(answer) == '{"north": "25"}'


@virtual
async def test_an_open_input_is_named_in_record_and_status(clock: VirtualClock) -> None:
    game = Game(clock)
    game.service.handsets = (FakeHandset(clock, "keys", authenticated=False),)
    async with game:
        await game.at(1)
        assert status_of(game.service, clock()).unauthenticated
        assert [row.event for row in game.journal.of("note")] == ["keys"]
