"""Agree or dark: two wrong answers or three silences in a row, and what brings the boards back."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.service.board_agreement import Agreement, Word

S = 1_000_000_000
AT = 1_000 * S


def silence(agreement: Agreement, at: int) -> None:
    for _ in range(3):
        agreement.answered("north", Word.SILENT, at)


def lie(agreement: Agreement, at: int) -> None:
    for _ in range(2):
        agreement.answered("north", Word.WRONG, at)


@pytest.mark.parametrize(("word", "times"), [(Word.WRONG, 2), (Word.SILENT, 3)])
def test_so_many_bad_answers_in_a_row_darken_and_no_fewer(word: Word, times: int) -> None:
    agreement = Agreement(["north", "south"])
    for _ in range(times - 1):
        agreement.answered("north", word, AT)
    assert not agreement.dark
    agreement.answered("north", Word.RIGHT, AT)
    for _ in range(times - 1):
        agreement.answered("north", word, AT)
    assert not agreement.dark
    agreement.answered("north", word, AT)
    assert agreement.dark
    assert "north" in agreement.why


def test_bad_answers_of_different_boards_do_not_add_up() -> None:
    agreement = Agreement(["north", "south"])
    for name in ("north", "south"):
        agreement.answered(name, Word.WRONG, AT)
        agreement.answered(name, Word.RIGHT, AT)
        agreement.answered(name, Word.WRONG, AT)
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
    for at in (AT, AT + 10 * S):
        silence(agreement, at)
        agreement.answered("north", Word.RIGHT, at + S)
        assert not agreement.dark
    silence(agreement, AT + 600 * S)
    assert agreement.pass_time(AT + 600 * S) is not None
    agreement.answered("north", Word.RIGHT, AT + 600 * S)
    assert agreement.dark


def test_the_third_darkness_later_than_10_minutes_comes_back() -> None:
    agreement = Agreement(["north"])
    for at in (AT, AT + 10 * S):
        silence(agreement, at)
        agreement.answered("north", Word.RIGHT, at + S)
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
    for at in (AT, AT + 10 * S):
        silence(agreement, at)
        agreement.answered("north", Word.RIGHT, at + S)
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
