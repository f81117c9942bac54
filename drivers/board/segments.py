"""Seven segments: from numerals to lamps, and from lamps read back to plain words.

::

      aaa
     f   b
      ggg      bit 0 is a, bit 1 is b ... bit 6 is g, bit 7 is the point
     e   c
      ddd  p

A digit's lamps are one byte and a board's are two, (tens, units). The naming a-g is the usual one
of seven-segment data sheets; 6 and 9 carry their tails.
"""

from __future__ import annotations

DIGITS = (0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F)
"""The lamps of the digits 0 to 9."""

DARK_SEGMENTS = (0x00, 0x00)
LAMP_TEST_SEGMENTS = (0xFF, 0xFF)
"""All lamps of both digits, the points too."""


def segments(numerals: int | None) -> tuple[int, int]:
    """Give the lamps (tens, units) of 0-99; None is dark. The tens are blank below 10.

    Raises ``ValueError`` for any other number.
    """
    if numerals is None:
        return DARK_SEGMENTS
    if not 0 <= numerals <= 99:
        raise ValueError(f"numerals {numerals}: must be 0-99, or None for dark")
    tens, units = divmod(numerals, 10)
    return (DIGITS[tens] if tens else 0x00, DIGITS[units])


_WORDS = {segments(numerals): str(numerals) for numerals in range(100)} | {
    DARK_SEGMENTS: "dark",
    LAMP_TEST_SEGMENTS: "lamp test",
}


def read_back(lamps: tuple[int, int]) -> str:
    """Say what a reader sees: "25", "dark", "lamp test", else the bytes: "segments 3F7F"."""
    return _WORDS.get(lamps) or f"segments {lamps[0]:02X}{lamps[1]:02X}"
