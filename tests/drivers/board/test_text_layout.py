"""What a text display may be told, and what a layout refuses."""

from __future__ import annotations

import pytest

from drivers.base import DARK, Face
from drivers.board.text_layout import TextLayout


def test_each_face_has_its_text() -> None:
    layout = TextLayout("\x02{numerals:02d}\r", "\x02  \r", "\x02B{brightness:x}\r")
    assert layout.line(Face(7)) == b"\x0207\r"
    assert layout.line(Face(25)) == b"\x0225\r"
    assert layout.line(DARK) == b"\x02  \r"
    assert layout.line(Face(None, lamp_test=True)) == b"\x0288\r"
    assert layout.dimming(Face(7, brightness=12)) == b"\x02Bc\r"
    assert TextLayout("{numerals}\r", "\r").dimming(Face(7)) == b""


@pytest.mark.parametrize(
    ("numerals", "dark", "brightness", "why"),
    [
        ("40\r", "\r", "", "numerals: must hold {numerals} and no other field"),
        ("{numerals}{tens}\r", "\r", "", "numerals: must hold {numerals} and no other field"),
        ("{}\r", "\r", "", "numerals: must hold {numerals} and no other field"),
        ("{numerals.real}", "\r", "", "numerals: must hold {numerals} and no other field"),
        ("{numerals:%Y}\r", "\r", "", "numerals: cannot be formatted: Invalid format specifier"),
        ("{numerals:03s}\r", "\r", "", "numerals: cannot be formatted: Unknown format code 's'"),
        ("{numerals", "\r", "", "numerals: cannot be formatted: expected '}' before end of string"),
        ("{numerals:.0e}\r", "\r", "", "numerals: gives the same text for different numerals"),
        ("{numerals:99d}\r", "\r", "", "numerals: 100 characters, more than 64"),
        ("{numerals} \u2460", "\r", "", "numerals: '\u2460' is no character of ISO 8859-1"),
        ("{numerals}\r", "", "", "dark: is empty, and no text would darken the display"),
        ("{numerals}\r", "0\r", "", "dark: is the text of a numeral"),
        ("{numerals}\r", "\r", "B\r", "brightness: must hold {brightness} and no other field"),
    ],
)
def test_a_layout_that_could_mislead_is_refused(
    numerals: str, dark: str, brightness: str, why: str
) -> None:
    with pytest.raises(ValueError) as caught:
        TextLayout(numerals, dark, brightness)
    assert str(caught.value).startswith(why)


def test_the_refresh_has_its_range() -> None:
    with pytest.raises(ValueError, match="refresh_ms: 99 must be 100-60000"):
        TextLayout("{numerals}\r", "\r", refresh_ms=99)
