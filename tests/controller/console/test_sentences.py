"""What the console says: of each order what it did, and never something the clock has left."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from controller.console import sentences
from controller.console.sentences import awaited, order_words, reply, ruling
from controller.rules.events import (
    Event,
    HoldNumber,
    MarkMoment,
    NoCount,
    Number,
    PlayEnded,
    Ready,
    RunNumber,
    Score,
    SetCount,
    Snap,
    Stop,
    ToggleBoards,
    Undo,
    plain,
)
from controller.rules.gestures import LAYOUTS
from controller.status.document import BoardHealth, Status
from drivers.base import Key
from tests.controller.fakes import Game, game_with, in_idle

DEAD_BALL, FLAG = PlayEnded("routine"), PlayEnded("foul")
HOLD_25 = HoldNumber(Number.ADMINISTRATIVE)
BARE = Status(
    "rules",
    "LIVE",
    40,
    None,
    "lit",
    "",
    last=plain(PlayEnded("routine"), 40, 25),
    event="PlayEnded",
)


def told_of(*events: Event) -> str:
    """The reply to the last of these orders, given on the console 3 s apart."""
    said = ""

    @in_idle
    async def play(game: Game) -> None:
        nonlocal said
        for at_s, event in enumerate(events, 1):
            await game.present(3 * at_s)
            game.service.enter(event)
        said = reply(game.status, "19:03:12")[1]

    play()
    return said


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ((DEAD_BALL,), "DEAD BALL: 40 running"),
        ((FLAG,), "FLAG: 25 held"),
        ((PlayEnded("foul_defense"),), "FLAG, defense only: 40 held"),
        ((PlayEnded("touchdown"),), "touchdown: 25 held"),
        (
            (PlayEnded("incomplete_pass", frozenset({"fourth_down"})),),
            "incomplete pass (fourth down): 25 held",
        ),
        ((Ready(),), "READY with no number up: 25 running (assumed)"),
        ((HOLD_25,), "25 held for the ready"),
        ((RunNumber(Number.ROUTINE),), "reset to 40, running"),
        ((HOLD_25, NoCount(), HOLD_25, DEAD_BALL), "DEAD BALL: 40 running"),
        ((DEAD_BALL, Snap()), "SNAP: ball live"),
        ((FLAG, Snap()), "SNAP: ball live (assumed: nobody pressed READY)"),
        ((Snap(), Snap()), "SNAP: no change, the ball is already in play"),
        ((Snap(), Stop()), "STOP REFUSED: the ball is in play: there is no count to stop"),
        ((DEAD_BALL, Stop()), "STOP: the count stands"),
        ((DEAD_BALL, Stop(), Stop()), "STOP again: 25 held"),
        ((DEAD_BALL, NoCount()), "NO COUNT: no count"),
        ((DEAD_BALL, NoCount(period_over=True)), "PERIOD OVER: no count"),
        ((SetCount(17),), "count set to 17, held"),
        ((DEAD_BALL, SetCount(17)), "count set to 17, running"),
        ((DEAD_BALL, FLAG, Undo()), "taken back: FLAG"),
        ((DEAD_BALL, Undo()), "taken back: DEAD BALL"),
        ((PlayEnded("touchdown"), Undo()), "taken back: touchdown"),
        ((HOLD_25, Undo()), "taken back: 25, held"),
        ((Undo(),), "UNDO REFUSED: nothing to undo"),
        ((DEAD_BALL, ToggleBoards()), "boards off"),
        ((DEAD_BALL, ToggleBoards(), ToggleBoards()), "boards relit"),
        ((ToggleBoards(), ToggleBoards()), "boards relit; no count to show"),
        ((DEAD_BALL, MarkMoment()), "marked 19:03:12"),
    ],
    ids=str,
)
def test_an_order_is_answered_with_what_it_did(events: tuple[Event, ...], said: str) -> None:
    assert told_of(*events) == said


def test_a_score_told_by_a_key_says_what_it_was_read_as() -> None:
    assert "touchdown" in told_of(Snap(), Score())


@game_with(at_s=2, key=Key.DEAD_BALL)
async def test_another_thumb_is_named_and_the_service_too(game: Game) -> None:
    assert reply(game.status) == ("bold", "DEAD BALL: 40 running (by handset 1)")
    game.north.lie()
    assert reply(game.status)[1] == "boards off: north shows a wrong numeral (by service)"


@game_with(at_s=2, key=Key.DEAD_BALL)
async def test_a_relight_that_boards_do_not_answer_is_ordered_and_no_more(game: Game) -> None:
    game.north.fall_silent()
    game.service.enter(ToggleBoards())
    await game.at(7)
    game.service.enter(ToggleBoards())
    assert reply(game.status)[1] == "relight ordered; north does not answer"


@game_with(at_s=2, key=Key.DEAD_BALL)
async def test_a_reply_stays_as_it_was_when_the_count_runs_out(game: Game) -> None:
    said = reply(game.status)
    await game.present(45)
    assert game.status.phase == "EXPIRED"
    assert reply(game.status) == said


def test_what_was_promised_is_said_to_be_assumed() -> None:
    status = replace(BARE, result="assumed", became="SET", ruling_seconds=25, promised="try over")
    assert reply(status) == ("caution", "DEAD BALL: 25 held (assumed: try over)")
    low = replace(BARE, result="held", became="IDLE", reason="0:24 left: no count is started")
    assert reply(low) == ("bold", "DEAD BALL: 0:24 left: no count is started")


def test_before_the_first_order_there_is_no_reply() -> None:
    assert reply(replace(BARE, last=""))[1] == ""


def test_every_kind_of_order_has_a_reply_and_every_key_a_name() -> None:
    assert set(sentences._REPLIES) == {kind.__name__ for kind in get_args(Event)}
    meanings = [each for layout in LAYOUTS.values() for each in layout.values()]
    asked = {event for each in meanings for event in (*each.taps, each.held) if event is not None}
    named = {event for event in asked if not isinstance(event, HoldNumber | RunNumber)}
    words = {event: plain(event, 40, 25) for event in named}
    assert [each for each in words.values() if order_words(each) == each] == []


@pytest.mark.parametrize(
    ("events", "wanted"),
    [
        ((), "next: any number or DEAD BALL"),
        ((FLAG,), "next: READY runs 25"),
        ((PlayEnded("foul_defense"),), "next: READY runs 40"),
        ((DEAD_BALL, Stop()), "next: READY runs 25"),
        ((PlayEnded("foul_defense"), Ready(), Stop()), "next: READY runs 25"),
    ],
    ids=str,
)
def test_a_ready_is_awaited_with_the_number_it_runs(events: tuple[Event, ...], wanted: str) -> None:
    @in_idle
    async def play(game: Game) -> None:
        for at_s, event in enumerate(events, 1):
            await game.present(3 * at_s)
            game.service.enter(event)
        assert awaited(game.status) == wanted
        if game.status.next_s and game.status.phase != "IDLE":
            game.service.enter(Ready())
            assert f"runs {game.status.number_s}" in wanted

    play()


@pytest.mark.parametrize(
    ("event", "said"),
    [
        (DEAD_BALL, "ruling: 40 at the dead ball: the count after an ordinary play"),
        (HOLD_25, "ruling: 25 on the ready: no cause told"),
        (HoldNumber(Number.ROUTINE), "ruling: 40 on the ready: no cause told"),
        (PlayEnded("stoppage"), "ruling: 25 on the ready: a stoppage, cause not told"),
        (PlayEnded("defense_only"), "ruling: 40 on the ready: a stoppage by the defense alone"),
        (SetCount(9), "ruling: 9 on the referee's signal: timing correction by the referee"),
    ],
    ids=str,
)
def test_a_number_that_no_rule_was_asked_for_says_what_it_is(event: Event, said: str) -> None:
    @in_idle
    async def play(game: Game) -> None:
        game.service.enter(event)
        assert ruling(game.status).startswith(said)

    play()


@pytest.mark.parametrize(
    ("phase", "more", "words", "note"),
    [
        ("RUNNING", {"numerals": 38}, "RUNNING 38", ""),
        ("RUNNING", {"numerals": 9, "marked": 10}, "RUNNING 9", "  (10 cued)"),
        ("RUNNING", {"numerals": 5}, "RUNNING 5", ": LAST 5 SECONDS"),
        ("SET", {"numerals": 25}, "HELD 25", " for the ready"),
        ("STOPPED", {"numerals": 30, "remaining_ms": 29_400}, "STOPPED 30", " with 29.4 s left"),
        ("EXPIRED", {"numerals": 0}, "ZERO", ""),
        ("IDLE", {"numerals": None}, "NO COUNT", ""),
    ],
)
def test_the_phase_and_what_belongs_behind_it(
    phase: str, more: dict[str, int | None], words: str, note: str
) -> None:
    status = replace(BARE, phase=phase, **more)  # type: ignore[arg-type]
    assert (sentences.phase_words(status), sentences.phase_note(status)) == (words, note)


@pytest.mark.parametrize(
    ("boards", "why", "said"),
    [
        ("lit", "", ("boards lit", False)),
        ("blank", "", ("boards blank: no count", False)),
        ("off", "by order", ("BOARDS OFF: by order", True)),
        ("off", "", ("BOARDS OFF: reason unknown", True)),
        ("lit", "north is silent", ("BOARDS DARK: north is silent", True)),
    ],
)
def test_how_the_boards_stand(boards: str, why: str, said: tuple[str, bool]) -> None:
    health = (BoardHealth("north", "right"),)
    status = replace(BARE, boards=boards, boards_why=why, board_health=health)
    assert sentences.boards_words(status) == said
    without = replace(status, board_health=())
    assert sentences.boards_words(without) == (
        "no boards: the count is here and in the hand",
        False,
    )


def test_what_is_awaited_names_the_number_and_asks_about_a_long_play() -> None:
    assert awaited(replace(BARE, phase="SET", next_s=25)) == "next: READY runs 25"
    assert awaited(replace(BARE, nudged=True)) == sentences.DID_IT_END
