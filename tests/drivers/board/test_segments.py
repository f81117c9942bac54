"""Segments: the digits by their strokes, and lamps read back to words."""

from __future__ import annotations

import pytest

from drivers.board.segments import read_back, segments
from tests.shared.frames import LIT_SEGMENTS


def lamps(strokes: str) -> int:
    return sum(1 << "abcdefg".index(stroke) for stroke in strokes)


@pytest.mark.parametrize("numerals", range(100))
def test_every_numeral_by_its_strokes(numerals: int) -> None:
    tens, units = divmod(numerals, 10)
    assert segments(numerals) == (
        lamps(LIT_SEGMENTS[tens]) if tens else 0,
        lamps(LIT_SEGMENTS[units]),
    )
    assert read_back(segments(numerals)) == str(numerals)


def test_dark() -> None:
    assert segments(None) == (0, 0)
    assert read_back((0, 0)) == "dark"


@pytest.mark.parametrize("numerals", [-1, 100, 255])
def test_other_numbers_are_refused(numerals: int) -> None:
    with pytest.raises(ValueError, match=f"numerals {numerals}"):
        segments(numerals)


def test_words_for_what_is_no_numeral() -> None:
    assert read_back((0xFF, 0xFF)) == "lamp test"
    assert read_back((0x3F, 0x7F)) == "segments 3F7F", "a leading zero is not what we show"
    assert read_back((0x5B, 0x6C)) == "segments 5B6C", "25 with segment a of the units dead"


def test_no_dead_or_stuck_lamp_is_read_as_dark_or_as_lamp_test() -> None:
    for numerals in range(100):
        tens, units = segments(numerals)
        for lamp in range(8):
            for wrong in ((tens ^ 1 << lamp, units), (tens, units ^ 1 << lamp)):
                assert read_back(wrong) not in {str(numerals), "dark", "lamp test"}
