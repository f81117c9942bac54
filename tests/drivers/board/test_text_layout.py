"""What a text display may be told, and what a layout refuses."""

from __future__ import annotations

import re
from typing import Any

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
    ("numerals", "why"),
    [
        *(
            (each, "numerals: must hold {numerals} and no other field")
            for each in ("40\r", "{numerals}{tens}\r", "{}\r", "{numerals.real}")
        ),
        ("{numerals:%Y}\r", "numerals: cannot be formatted: Invalid format specifier"),
        ("{numerals:03s}\r", "numerals: cannot be formatted: Unknown format code 's'"),
        ("{numerals", "numerals: cannot be formatted: expected '}' before end of string"),
        ("{numerals:.0e}\r", "numerals: gives the same text for different numerals"),
        ("{numerals:99d}\r", "numerals: 100 characters, more than 64"),
        ("{numerals} \u2460", "numerals: '\u2460' is no character of ISO 8859-1"),
    ],
)
def test_numerals_that_could_mislead_are_refused(numerals: str, why: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(why)}"):
        TextLayout(numerals, "\r")


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"dark": ""}, "dark: is empty, and no text would darken the display"),
        ({"dark": "0\r"}, "dark: is the text of a numeral"),
        ({"brightness": "B\r"}, "brightness: must hold {brightness} and no other field"),
        ({"refresh_ms": 99}, "refresh_ms: 99 must be 100-60000"),
    ],
)
def test_a_layout_that_could_mislead_is_refused(fields: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(why)}"):
        TextLayout(**{"numerals": "{numerals}\r", "dark": "\r", **fields})
