"""How the boards stand: agree or dark, what they confirm, and the words that say why.

Two wrong answers or three silences in a row darken all, and a board that can never say what it
shows, beside one that can, is never a fault and never right.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.rules.events import BoardsFault, Event, Order, Snap, ToggleBoards
from controller.rules.phases import Boards, Off
from controller.rules.play_clock import PlayClock
from controller.service.board_state import Agreement, BoardState, Word
from controller.service.service import CANNOT_ANSWER
from controller.status.document import BoardHealth
from drivers.base import Answered, BoardReport, Edge, Key
from tests.controller.fakes import RULES, Game, S, game_with, in_live, report

AT = 1_000 * S


def silence(agreement: Agreement, at: int) -> None:
    for _ in range(3):
        agreement.answered("north", Word.SILENT, at)


def lie(agreement: Agreement, at: int) -> None:
    for _ in range(2):
        agreement.answered("north", Word.WRONG, at)


def short_darknesses(agreement: Agreement) -> None:
    """Two of 1 s, the second 10 s after the first."""
    for at in (AT, AT + 10 * S):
        silence(agreement, at)
        agreement.answered("north", Word.RIGHT, at + S)
        assert not agreement.dark


def test_three_silences_in_a_row_darken_and_no_fewer() -> None:
    agreement = Agreement(["north", "south"])
    for word in [Word.SILENT, Word.SILENT, Word.RIGHT, Word.SILENT, Word.SILENT]:
        agreement.answered("north", word, AT)
        assert not agreement.dark
    agreement.answered("north", Word.SILENT, AT)
    assert agreement.dark
    assert "north does not answer" in agreement.why


_R, _W, _S = Word.RIGHT, Word.WRONG, Word.SILENT


@pytest.mark.parametrize(
    "answers",
    [(_W, _W), (_W, _R, _W), (_R, _W, _R, _W), (_W, _R, _R, _W), (_W, _R, _S, _R, _W)],
    ids=lambda each: "".join(word.value[0] for word in each),
)
def test_two_wrong_answers_of_the_last_four_darken_and_no_fewer(answers: tuple[Word, ...]) -> None:
    agreement = Agreement(["north", "south"])
    for word in (_W, _R, _R, _R):  # the fourth after it: long ago
        agreement.answered("north", word, AT)
    for word in answers[:-1]:
        agreement.answered("north", word, AT)
        assert not agreement.dark
    agreement.answered("north", answers[-1], AT)
    assert "north shows a wrong numeral" in agreement.why
    agreement.answered("north", _R, AT + 1)
    assert agreement.dark, "only a relight ends it"
    assert agreement.pass_time(AT + 1) is not None
    agreement.relit(AT + 2)
    agreement.answered("north", _W, AT + 3)
    assert not agreement.dark, "answers from before the relight do not count"


def test_bad_answers_of_different_boards_do_not_add_up() -> None:
    agreement = Agreement(["north", "south"])
    for name in ("north", "south"):
        agreement.answered(name, Word.WRONG, AT)
        agreement.answered(name, Word.SILENT, AT)
    assert not agreement.dark


@given(st.lists(st.sampled_from([Word.RIGHT, Word.SILENT]), max_size=30))
def test_of_silences_only_the_last_ones_in_a_row_count(words: list[Word]) -> None:
    agreement = Agreement(["north"])
    at = AT
    for index, word in enumerate(words):
        after_return = index > 0 and words[index - 1] is Word.RIGHT
        at += 400 * S if after_return else S // 10  # in time, and each return is long ago
        agreement.answered("north", word, at)
        in_a_row = words[max(0, index - 2) : index + 1]
        assert agreement.dark is (in_a_row == [Word.SILENT] * 3)


def test_a_board_that_showed_a_wrong_numeral_stays_off_however_soon_it_is_right() -> None:
    agreement = Agreement(["north", "south"])
    lie(agreement, AT)
    assert agreement.deadline == AT
    reason = agreement.pass_time(AT)
    assert reason is not None
    assert "north shows a wrong numeral" in reason
    agreement.answered("north", Word.RIGHT, AT + 1)
    assert agreement.dark
    assert agreement.pass_time(AT + 9 * S) is None, "told once"
    agreement.relit(AT + 10 * S)
    assert not agreement.dark


def test_right_before_the_lie_was_told_does_not_help() -> None:
    agreement = Agreement(["north"])
    lie(agreement, AT)
    agreement.answered("north", Word.RIGHT, AT)
    assert agreement.dark
    assert agreement.pass_time(AT) is not None


def test_a_lie_during_a_silence_of_another_board_ends_the_hope_of_a_return() -> None:
    agreement = Agreement(["north", "south"])
    for _ in range(3):
        agreement.answered("south", Word.SILENT, AT)
    lie(agreement, AT + S)
    assert agreement.pass_time(AT + S) is not None


@pytest.mark.parametrize("pattern", [(Word.WRONG, Word.SILENT), (Word.SILENT, Word.WRONG)])
def test_a_board_that_is_never_right_is_a_fault(pattern: tuple[Word, ...]) -> None:
    agreement = Agreement(["north"])
    for _ in range(50):
        for word in pattern:
            agreement.answered("north", word, AT)
    assert agreement.dark


def test_a_lost_port_darkens_at_once_and_only_right_answers_of_all_its_boards_mend_it() -> None:
    agreement = Agreement(["north", "south"])
    agreement.port_lost(["north", "south"], AT)
    assert agreement.dark
    agreement.answered("north", Word.RIGHT, AT)
    assert agreement.dark
    assert agreement.why == "south: its port is lost"
    agreement.answered("south", Word.WRONG, AT)
    assert agreement.dark
    agreement.answered("south", Word.RIGHT, AT)
    assert not agreement.dark
    assert agreement.why == ""


def test_a_darkness_of_less_than_3_s_ends_by_itself() -> None:
    agreement = Agreement(["north"])
    silence(agreement, AT)
    assert agreement.deadline == AT + 3 * S
    assert agreement.pass_time(AT + 3 * S - 1) is None
    agreement.answered("north", Word.RIGHT, AT + 3 * S - 1)
    assert not agreement.dark
    assert agreement.deadline is None
    assert agreement.pass_time(AT + 9 * S) is None


def test_a_darkness_of_3_s_is_told_once_and_ends_only_by_a_relight() -> None:
    agreement = Agreement(["north"])
    silence(agreement, AT)
    reason = agreement.pass_time(AT + 3 * S)
    assert reason is not None
    assert "north does not answer" in reason
    assert agreement.pass_time(AT + 4 * S) is None
    assert agreement.deadline is None
    agreement.answered("north", Word.RIGHT, AT + 5 * S)
    assert agreement.dark
    agreement.relit(AT + 6 * S)
    assert not agreement.dark


def test_a_late_timer_does_not_turn_3_s_into_more() -> None:
    agreement = Agreement(["north"])
    silence(agreement, AT)
    agreement.answered("north", Word.RIGHT, AT + 4 * S)
    assert agreement.dark
    assert agreement.pass_time(AT + 4 * S) is not None


def test_the_third_darkness_within_10_minutes_is_not_waited_for() -> None:
    agreement = Agreement(["north"])
    short_darknesses(agreement)
    silence(agreement, AT + 600 * S)
    assert agreement.pass_time(AT + 600 * S) is not None
    agreement.answered("north", Word.RIGHT, AT + 600 * S)
    assert agreement.dark


def test_the_third_darkness_later_than_10_minutes_comes_back() -> None:
    agreement = Agreement(["north"])
    short_darknesses(agreement)
    silence(agreement, AT + 602 * S)
    assert agreement.pass_time(AT + 602 * S) is None
    agreement.answered("north", Word.RIGHT, AT + 603 * S)
    assert not agreement.dark
    silence(agreement, AT + 605 * S)  # the second and third return are within 10 minutes
    assert agreement.pass_time(AT + 605 * S) is not None


def test_a_relight_with_the_fault_still_there_waits_3_s_again() -> None:
    agreement = Agreement(["north"])
    silence(agreement, AT)
    agreement.pass_time(AT + 3 * S)
    agreement.relit(AT + 10 * S)
    assert agreement.dark
    assert agreement.why
    assert agreement.deadline == AT + 13 * S
    assert agreement.pass_time(AT + 13 * S) is not None
    assert agreement.dark


def test_a_relight_forgets_the_lie_and_the_returns_before_it() -> None:
    agreement = Agreement(["north"])
    short_darknesses(agreement)
    lie(agreement, AT + 20 * S)
    agreement.answered("north", Word.RIGHT, AT + 21 * S)
    agreement.relit(AT + 30 * S)
    silence(agreement, AT + 40 * S)
    agreement.answered("north", Word.RIGHT, AT + 41 * S)
    assert not agreement.dark


_STEP = st.one_of(
    st.tuples(st.just("answer"), st.sampled_from(["north", "south"]), st.sampled_from(list(Word))),
    st.tuples(st.just("relight"), st.just(""), st.none()),
    st.tuples(st.just("wait"), st.just(""), st.sampled_from([1, 30, 31, 100, 6000])),
)


@settings(max_examples=150)
@given(st.lists(_STEP, max_size=40))
def test_whatever_comes_dark_says_why_and_right_boards_can_always_be_relit(
    steps: list[tuple[str, str, object]],
) -> None:
    agreement, now = Agreement(["north", "south"]), AT
    for kind, name, value in steps:
        if kind == "relight":
            agreement.relit(now)
        elif kind == "wait" and isinstance(value, int):
            now += value * S // 10
            agreement.pass_time(now)
        elif value is Word.PORT_FAULT:
            agreement.port_lost([name], now)
        elif isinstance(value, Word) and value is not Word.WAITING:
            agreement.answered(name, value, now)
        assert agreement.dark is bool(agreement.why)
        assert agreement.deadline is None or agreement.dark
    for name in ("north", "south"):
        agreement.answered(name, Word.RIGHT, now)
    agreement.relit(now)
    assert not agreement.dark


def state_of(names: list[str], answering: list[str] | None = None) -> BoardState:
    """How they stand at the start, all of them answering by default."""
    return BoardState(PlayClock(RULES), names, names if answering is None else answering, AT)


def answer(boards: BoardState, board: str, seen: str, at: int) -> str:
    """A right answer to a SHOW sent at ``at``; gives what is confirmed by it."""
    said = report(board, Answered.RIGHT, seen, shown_at=at)
    boards.answered(said, at + 1)
    return boards.confirmed(said)


def test_a_board_begins_to_answer_badly_once() -> None:
    boards = state_of(["north", "south"])
    bad = [boards.answered(report("north", Answered.SILENT), AT)[0] for _ in range(4)]
    assert bad == [True, False, False, False]
    assert boards.dark
    assert boards.answered(report("north", Answered.WRONG, "25"), AT)[0]
    assert not boards.answered(report("north", Answered.RIGHT, "40"), AT)[0]
    assert boards.answered(report("north", Answered.SILENT), AT)[0]


def right(foreign_frames: int, uptime_s: int = 900) -> BoardReport:
    return report("north", Answered.RIGHT, "40", foreign_frames=foreign_frames, uptime_s=uptime_s)


@pytest.mark.parametrize(
    ("told", "strange"),
    [
        ([right(each) for each in (3, 3, 4, 4, 7)], [2, 4]),
        (  # neither a silence nor a reset board is a stranger
            [right(3), report("north", Answered.SILENT), right(3, 902), right(0, 1), right(1, 2)],
            [4],
        ),
        (  # heard by the driver though the boards are silent
            [report("north", Answered.SILENT, strangers=each) for each in (0, 0, 2, 2, 3)],
            [2, 4],
        ),
    ],
)
def test_a_stranger_is_seen_when_the_count_of_foreign_frames_moves(
    told: list[BoardReport], strange: list[int]
) -> None:
    boards = state_of(["north", "south"])
    assert [n for n, each in enumerate(told) if boards.answered(each, AT)[1]] == strange


def test_the_newest_report_of_each_board_is_kept() -> None:
    boards = state_of(["north", "south"])
    boards.answered(report("north", Answered.RIGHT, "40"), AT)
    boards.answered(report("south", Answered.RIGHT, "40"), AT)
    boards.answered(report("north", Answered.WRONG, "4"), AT)
    assert [each.shows for each in boards.health()] == ["4", "40"]


def test_a_command_is_confirmed_once_by_the_last_board_with_what_each_shows() -> None:
    boards = state_of(["south", "north"])
    answer(boards, "north", "dark", AT)
    answer(boards, "south", "dark", AT)
    boards.commanded(AT + S)
    assert answer(boards, "north", "dark", AT + S - 1) == "", "it speaks of the frame before"
    assert answer(boards, "north", "40", AT + 2 * S) == ""
    assert answer(boards, "north", "39", AT + 3 * S) == ""
    assert answer(boards, "south", "39", AT + 3 * S) == '{"south": "39", "north": "39"}'
    assert answer(boards, "north", "38", AT + 4 * S) == ""


def test_neither_a_wrong_answer_nor_a_silence_confirms() -> None:
    boards = state_of(["north"])
    answer(boards, "north", "dark", AT)
    boards.commanded(AT + S)
    assert answer(boards, "north", "dark", AT + S - 1) == "", "it speaks of the frame before"
    for bad in (
        report("north", Answered.WRONG, "4", shown_at=AT + 2 * S),
        report("north", Answered.SILENT, shown_at=AT + 2 * S),
    ):
        boards.answered(bad, AT + 2 * S)
        assert boards.confirmed(bad) == ""
    assert answer(boards, "north", "40", AT + 3 * S) == '{"north": "40"}'


def test_the_very_first_command_is_confirmed_too() -> None:
    boards = state_of(["north", "south"])
    boards.commanded(AT)
    assert answer(boards, "north", "40", AT + S) == ""
    assert answer(boards, "south", "40", AT + S) == '{"north": "40", "south": "40"}'


def test_a_lost_port_is_a_fault_of_its_boards_alone_and_stays_until_they_answer() -> None:
    boards = state_of(["north", "south"])
    boards.port(("south",), "unplugged", AT)
    north, south = boards.health()
    assert (north.state, north.detail) == ("waiting", "")
    assert (south.state, south.detail) == ("port fault", "unplugged")
    assert boards.dark and boards.lost(("south",)) and not boards.lost(("north", "south"))
    boards.port(("south",), "", AT + S)
    assert not boards.lost(("south",))
    assert boards.dark, "open is not right"
    answer(boards, "south", "dark", AT + S)
    assert not boards.dark


@dataclass
class Standing:
    """How the boards stand, with the play clock that has their axis."""

    off_why: str = ""

    def __post_init__(self) -> None:
        self.play_clock = PlayClock(RULES)
        self.boards = BoardState(self.play_clock, ["north"], ["north"], AT, self.off_why)
        self._at = AT
        self.give(Snap())

    def give(self, event: Event) -> None:
        """Order it, 2 s after the order before."""
        self._at += 2 * S
        decided, _ = self.play_clock.handle(Order(event, self._at, None), self._at)
        if decided.changed:
            self.boards.decided(event, self._at)

    def fall_silent(self) -> None:
        for _ in range(3):
            self.boards.answered(report("north", Answered.SILENT), AT)

    @property
    def said(self) -> tuple[bool, bool, bool, str, str, str]:
        boards = self.boards
        return boards.lit, boards.dark, boards.off, boards.fault, boards.why, boards.words


SILENT = "north does not answer"


def test_lit_dark_off_and_why_in_words() -> None:
    stands = Standing()
    assert stands.said == (True, False, False, "", "", "boards lit")
    stands.fall_silent()
    assert stands.said == (False, True, False, SILENT, SILENT, f"boards dark: {SILENT}")
    stands.give(BoardsFault("nobody is there"))
    assert stands.said == (False, True, True, SILENT, SILENT, f"boards off: {SILENT}")
    assert (stands.boards.dark_why, stands.boards.off_why) == (SILENT, "nobody is there")
    answer(stands.boards, "north", "dark", AT)
    why = "nobody is there"
    assert stands.said == (False, False, True, why, why, f"boards off: {why}")
    stands.give(BoardsFault("another fault while they are off"))
    assert stands.boards.off_why == why
    stands.give(ToggleBoards())
    assert stands.said == (True, False, False, "", "", "boards lit")
    stands.give(ToggleBoards())
    assert stands.said == (False, False, True, "", "by order", "boards off")


def test_off_since_before_the_start() -> None:
    stands = Standing("the service died")
    stands.play_clock.state = stands.play_clock.state._replace(off=Off.FAULT)
    why = "the service died"
    assert stands.said == (False, False, True, why, why, f"boards off: {why}")
    stands = Standing()
    stands.play_clock.state = stands.play_clock.state._replace(off=Off.FAULT)
    why = "after a fault; relight when it is mended"
    assert stands.said == (False, False, True, "", why, "boards off")


def test_a_port_lost_again_in_the_same_way_is_no_news_but_a_fault_again() -> None:
    boards = state_of(["north", "south"])
    both = ("north", "south")
    assert boards.port(both, "unplugged", AT)
    for board in both:
        answer(boards, board, "dark", AT)
    assert not boards.dark
    assert not boards.port(both, "unplugged", AT + S)
    assert boards.dark
    assert boards.port(both, "no such device", AT + S)
    assert boards.port(both, "", AT + 2 * S)


SENT = BoardHealth("south", "sent", "", "cannot say what it shows", answers=False)
mixed = game_with(at_s=1, key=Key.NUMBER_25, mute_south=True)


def health(game: Game) -> list[BoardHealth]:
    return list(game.status.board_health)


@mixed
async def test_a_board_that_never_answers_is_sent_all_game_and_no_fault(game: Game) -> None:
    await game.at(2)
    game.handset.press(Key.READY)
    await game.present(20.5)
    game.answer(Answered.RIGHT)
    assert game.lamps() == (7, 7)
    assert health(game) == [BoardHealth("north", "right", "7"), SENT]
    assert SENT.well and not game.status.boards_dark
    events = [row.event for row in game.journal.of("fault")]
    assert [each for each in events if "board" in each or "south" in each] == []
    assert [(row.event, row.detail) for row in game.journal.of("note")] == [
        ("south", CANNOT_ANSWER)
    ]
    assert [row.boards for row in game.journal.of("confirmed")] == ['{"north": "25"}']


@mixed
async def test_a_wrong_board_darkens_the_one_that_cannot_answer_too(game: Game) -> None:
    game.north.lie("28")
    assert game.lamps() == (None, None)


@mixed
async def test_its_port_lost_darkens_both_and_its_return_lights_both(game: Game) -> None:
    game.south.lose_for(2)
    await game.at(1.01)
    assert health(game)[1] == replace(SENT, state="port fault", detail="[Errno 5] lost")
    assert game.lamps() == (None, None)
    await game.present(3)
    assert game.lamps() == (25, 25)
    assert health(game)[1] == SENT


@mixed
async def test_its_port_lost_for_long_waits_for_a_relight(game: Game) -> None:
    game.south.lose_for(6)
    await game.present(10)
    assert game.south.open and game.play_clock.boards is Boards.OFF
    assert game.lamps() == (None, None)
    game.handset.press(Key.BOARDS_OFF, edge=Edge.HELD)
    assert game.lamps() == (25, 25)


@game_with(at_s=1, key=Key.NUMBER_25, mute_north=True, mute_south=True)
async def test_with_no_board_that_answers_nothing_is_ever_confirmed(game: Game) -> None:
    await game.present(5)
    assert game.lamps() == (25, 25)
    assert [each.state for each in health(game)] == ["sent", "sent"]
    assert game.journal.of("confirmed") == []


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


@in_live
async def test_boards_with_what_they_show_and_why_they_do_not(game: Game) -> None:
    game.north.answer(Answered.RIGHT, "40", supply_v=24.06, notes=("last reset by power-up",))
    game.south.answer(Answered.WRONG, "4")
    north, south = game.status.board_health
    assert (north.state, north.shows) == ("right", "40")
    assert north.detail == "24.1 V; last reset by power-up"
    assert (south.state, south.shows, south.well) == ("wrong", "4", False)
    assert game.status.boards_why == "", "one wrong answer is not a fault yet"
    game.south.lose_for(100)
    await game.at(3)
    assert game.status.board_health[1].state == "port fault"
    assert "no such port" in game.status.board_health[1].detail
    assert game.status.boards_why == "south: its port is lost"


@in_live
async def test_why_the_boards_are_off_does_not_change_with_the_next_press(game: Game) -> None:
    await game.at(63)
    assert game.status.boards_why == "no handset heard for 60 s"
    game.handset.press(Key.SNAP)
    assert game.status.boards_why == "no handset heard for 60 s"
