"""What the boards say of themselves: new faults, strangers on the pair, and confirmations."""

from __future__ import annotations

from controller.service.board_agreement import Word
from controller.service.board_monitor import BoardWatch
from drivers.base import Answered
from tests.controller.fakes import S, report

AT = 1_000 * S


def answer(watch: BoardWatch, board: str, seen: str, at: int) -> str:
    """A right answer to a SHOW sent at ``at``; gives what is confirmed by it."""
    said = report(board, Answered.RIGHT, seen, shown_at=at)
    watch.answered(said, at + 1)
    return watch.confirmed(said)


def test_a_board_begins_to_answer_badly_once() -> None:
    watch = BoardWatch(["north", "south"], AT)
    bad = [watch.answered(report("north", Answered.SILENT), AT)[0] for _ in range(4)]
    assert bad == [True, False, False, False]
    assert watch.agreement.dark
    assert watch.answered(report("north", Answered.WRONG, "25"), AT)[0]
    assert not watch.answered(report("north", Answered.RIGHT, "40"), AT)[0]
    assert watch.answered(report("north", Answered.SILENT), AT)[0]


def test_a_stranger_is_seen_when_the_count_of_foreign_frames_moves() -> None:
    watch = BoardWatch(["north", "south"], AT)
    counts = [3, 3, 4, 4, 7]
    strange = [
        watch.answered(report("north", Answered.RIGHT, "40", foreign_frames=each), AT)[1]
        for each in counts
    ]
    assert strange == [False, False, True, False, True]


def test_neither_a_silence_nor_a_reset_board_is_taken_for_a_stranger() -> None:
    watch = BoardWatch(["north"], AT)
    told = [
        report("north", Answered.RIGHT, "40", foreign_frames=3, uptime_s=900),
        report("north", Answered.SILENT),
        report("north", Answered.RIGHT, "40", foreign_frames=3, uptime_s=902),
        report("north", Answered.RIGHT, "40", foreign_frames=0, uptime_s=1),
        report("north", Answered.RIGHT, "40", foreign_frames=1, uptime_s=2),
    ]
    assert [watch.answered(each, AT)[1] for each in told] == [False, False, False, False, True]


def test_a_stranger_that_the_driver_heard_is_seen_though_the_boards_are_silent() -> None:
    watch = BoardWatch(["north"], AT)
    told = [report("north", Answered.SILENT, strangers=each) for each in (0, 0, 2, 2, 3)]
    assert [watch.answered(each, AT)[1] for each in told] == [False, False, True, False, True]


def test_the_newest_report_of_each_board_is_kept() -> None:
    watch = BoardWatch(["north", "south"], AT)
    watch.answered(report("north", Answered.RIGHT, "40"), AT)
    watch.answered(report("south", Answered.RIGHT, "40"), AT)
    watch.answered(report("north", Answered.WRONG, "4"), AT)
    assert {name: each.seen for name, each in watch.reports.items()} == {
        "north": "4",
        "south": "40",
    }


def test_a_command_is_confirmed_once_by_the_last_board_with_what_each_shows() -> None:
    watch = BoardWatch(["south", "north"], AT)
    answer(watch, "north", "dark", AT)
    answer(watch, "south", "dark", AT)
    watch.commanded(AT + S)
    assert answer(watch, "north", "dark", AT + S - 1) == "", "it speaks of the frame before"
    assert answer(watch, "north", "40", AT + 2 * S) == ""
    assert answer(watch, "north", "39", AT + 3 * S) == ""
    assert answer(watch, "south", "39", AT + 3 * S) == '{"south": "39", "north": "39"}'
    assert answer(watch, "north", "38", AT + 4 * S) == ""


def test_neither_a_wrong_answer_nor_a_silence_confirms() -> None:
    watch = BoardWatch(["north"], AT)
    answer(watch, "north", "dark", AT)
    watch.commanded(AT + S)
    assert answer(watch, "north", "dark", AT + S - 1) == "", "it speaks of the frame before"
    for bad in (
        report("north", Answered.WRONG, "4", shown_at=AT + 2 * S),
        report("north", Answered.SILENT, shown_at=AT + 2 * S),
    ):
        watch.answered(bad, AT + 2 * S)
        assert watch.confirmed(bad) == ""
    assert answer(watch, "north", "40", AT + 3 * S) == '{"north": "40"}'


def test_the_very_first_command_is_confirmed_too() -> None:
    watch = BoardWatch(["north", "south"], AT)
    watch.commanded(AT)
    assert answer(watch, "north", "40", AT + S) == ""
    assert answer(watch, "south", "40", AT + S) == '{"north": "40", "south": "40"}'


def test_a_lost_port_is_a_fault_of_its_boards_alone_and_stays_until_they_answer() -> None:
    watch = BoardWatch(["north", "south"], AT)
    watch.port(("south",), "unplugged", AT)
    assert watch.faults == {"north": "", "south": "unplugged"}
    assert watch.agreement.dark
    assert watch.agreement.word("north") is Word.WAITING
    assert watch.agreement.word("south") is Word.PORT_FAULT
    watch.port(("south",), "", AT + S)
    assert watch.faults["south"] == ""
    assert watch.agreement.dark, "open is not right"
    answer(watch, "south", "dark", AT + S)
    assert not watch.agreement.dark


def test_a_port_lost_again_in_the_same_way_is_no_news_but_a_fault_again() -> None:
    watch = BoardWatch(["north", "south"], AT)
    both = ("north", "south")
    assert watch.port(both, "unplugged", AT)
    for board in both:
        answer(watch, board, "dark", AT)
    assert not watch.agreement.dark
    assert not watch.port(both, "unplugged", AT + S)
    assert watch.agreement.dark
    assert watch.port(both, "no such device", AT + S)
    assert watch.port(both, "", AT + 2 * S)
