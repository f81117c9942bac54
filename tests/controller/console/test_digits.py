"""The large numerals and words: every digit is itself, at every size."""

from __future__ import annotations

import pytest

from controller.console.digits import (
    SEGMENTS,
    WORD_ROWS,
    digit_columns,
    has_word,
    numeral_columns,
    numeral_rows,
    word_rows,
)
from drivers.board.segments import DIGITS

HEIGHTS = range(5, 31, 2)


def lit(digit: int, height: int) -> str:
    """The segments of the units digit that are lit, read back from the drawing."""
    width = digit_columns(height)
    rows = [row[-width:] for row in numeral_rows(digit, height)]
    bar_middle = height // 2
    upper, lower = bar_middle // 2, height - 1 - bar_middle // 2
    points = {
        "a": (0, width // 2),
        "b": (upper, width - 1),
        "c": (lower, width - 1),
        "d": (height - 1, width // 2),
        "e": (lower, 0),
        "f": (upper, 0),
        "g": (bar_middle, width // 2),
    }
    return "".join(name for name, (row, column) in points.items() if rows[row][column] != " ")


@pytest.mark.parametrize("height", HEIGHTS)
def test_each_digit_lights_the_segments_that_the_board_lights(height: int) -> None:
    # Bit 0 is a ... bit 6 is g: seven-segment a-g naming, common practice.
    on_the_board = ["".join("abcdefg"[bit] for bit in range(7) if n >> bit & 1) for n in DIGITS]
    assert [lit(digit, height) for digit in range(10)] == on_the_board == list(SEGMENTS)


def test_an_eight_and_a_four_look_so() -> None:
    assert numeral_rows(48, 5, "#") == (
        "##   ##  #######",
        "##   ##  ##   ##",
        "#######  #######",
        "     ##  ##   ##",
        "     ##  #######",
    )


@pytest.mark.parametrize("height", HEIGHTS)
def test_all_hundred_numerals_and_no_count_differ_and_have_one_size(height: int) -> None:
    drawn = [numeral_rows(numerals, height) for numerals in (None, *range(100))]
    assert len(set(drawn)) == 101
    assert {len(rows) for rows in drawn} == {height}
    assert {len(row) for rows in drawn for row in rows} == {numeral_columns(height)}


def test_the_tens_are_blank_below_ten() -> None:
    assert all(not row[: digit_columns(9)].strip() for row in numeral_rows(7, 9))
    assert numeral_rows(0, 9)[0].strip(" ") == "█" * digit_columns(9)


def test_no_count_is_two_dashes() -> None:
    rows = numeral_rows(None, 9, "-")
    assert [index for index, row in enumerate(rows) if row.strip()] == [4]
    assert rows[4].split() == ["-" * digit_columns(9)] * 2


@pytest.mark.parametrize("numerals", [-1, 100])
def test_other_numbers_are_refused(numerals: int) -> None:
    with pytest.raises(ValueError, match=f"numerals {numerals}: must be 0-99"):
        numeral_rows(numerals, 9)


@pytest.mark.parametrize("height", [3, 8])
def test_other_heights_are_refused(height: int) -> None:
    with pytest.raises(ValueError, match=f"height {height}: must be odd and 5 or more"):
        numeral_rows(40, height)


def test_words_have_rows_of_one_width_and_their_letters_differ() -> None:
    letters = "ABCDEFGHIKLNOPRSTUVZ"
    drawn = [word_rows(letter) for letter in letters]
    assert len(set(drawn)) == len(letters)
    for word in ("BALL LIVE", "BOARDS DARK", letters):
        assert len(word_rows(word)) == WORD_ROWS
        assert len({len(row) for row in word_rows(word)}) == 1
    assert word_rows("LI") == ("█   █", "█   █", "▀▀▀ ▀")


def test_a_word_with_an_unknown_letter_is_known_as_such() -> None:
    assert has_word("NO COUNT")
    assert not has_word("QUARTER 4")
