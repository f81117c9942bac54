"""Large numerals and words for the console, drawn from block characters. Pure.

The numerals are seven segments, named a-g as seven-segment data sheets usually name them (common
practice, no source)::

      aaa
     f   b
      ggg
     e   c
      ddd

They scale to any odd height. The words are letters five points high, two points to a row.
"""

from __future__ import annotations

from functools import lru_cache

SEGMENTS = (
    "abcdef",
    "bc",
    "abdeg",
    "abcdg",
    "bcfg",
    "acdfg",
    "acdefg",
    "abc",
    "abcdefg",
    "abcdfg",
)
"""The lit segments of the digits 0 to 9; 6 and 9 carry their tails."""
_NO_COUNT = "g"

WORD_ROWS = 3
"""Rows that :func:`word_rows` gives."""

_LETTERS = {
    "A": ".#. #.# ### #.# #.#",
    "B": "##. #.# ##. #.# ##.",
    "C": ".## #.. #.. #.. .##",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "G": ".### #... #.## #..# .###",
    "H": "#.# #.# ### #.# #.#",
    "I": "# # # # #",
    "K": "#.# #.# ##. #.# #.#",
    "L": "#.. #.. #.. #.. ###",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "P": "##. #.# ##. #.. #..",
    "R": "##. #.# ##. #.# #.#",
    "S": ".## #.. .#. ..# ##.",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
    "V": "#.# #.# #.# #.# .#.",
    "Z": "### ..# .#. #.. ###",
    " ": ". . . . .",
}
_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def digit_columns(height: int) -> int:
    """Columns of one digit ``height`` rows high: a cell is about twice as high as wide."""
    return (height * 4 + 2) // 3


def numeral_columns(height: int) -> int:
    """Columns of both digits and the gap between them."""
    return 2 * digit_columns(height) + _gap(height)


@lru_cache(maxsize=128)
def numeral_rows(numerals: int | None, height: int, ink: str = "█") -> tuple[str, ...]:
    """Draw 0-99 with ``ink``, ``height`` rows high (odd, 5 or more); None is two dashes.

    Below 10 the tens are blank, as on the boards. Raises ``ValueError`` for any other number.
    """
    if height < 5 or height % 2 == 0:
        raise ValueError(f"height {height}: must be odd and 5 or more")
    if numerals is None:
        tens, units = _NO_COUNT, _NO_COUNT
    elif 0 <= numerals <= 99:
        tens = SEGMENTS[numerals // 10] if numerals >= 10 else ""
        units = SEGMENTS[numerals % 10]
    else:
        raise ValueError(f"numerals {numerals}: must be 0-99, or None for no count")
    gap = " " * _gap(height)
    pairs = zip(_digit(tens, height, ink), _digit(units, height, ink), strict=True)
    return tuple(left + gap + right for left, right in pairs)


def has_word(word: str) -> bool:
    """True when every letter of ``word`` can be drawn large."""
    return all(letter in _LETTERS for letter in word)


@lru_cache(maxsize=16)
def word_rows(word: str) -> tuple[str, ...]:
    """``word`` in large letters, :data:`WORD_ROWS` rows. ``KeyError`` for a letter not here."""
    points = [".".join(line) for line in zip(*(_LETTERS[c].split() for c in word), strict=True)]
    points.append("." * len(points[0]))
    halves = zip(points[0::2], points[1::2], strict=True)
    return tuple(
        "".join(_HALVES[up == "#", low == "#"] for up, low in zip(upper, lower, strict=True))
        for upper, lower in halves
    )


def _gap(height: int) -> int:
    return max(2, height // 3)


def _digit(lit: str, height: int, ink: str) -> list[str]:
    """One digit: three bars and the uprights between them; a bar's ends belong to both."""
    columns, bar = digit_columns(height), 2 if height >= 13 else 1
    upright = max(2, height // 3)
    upper = (height - 3 * bar + 1) // 2
    lower = height - 3 * bar - upper

    def row(across: str, left: str, right: str) -> str:
        if across in lit and across:
            return ink * columns
        ends = [
            (ink if any(segment in lit for segment in side) else " ") * upright
            for side in (left, right)
        ]
        return ends[0] + " " * (columns - 2 * upright) + ends[1]

    return [
        *[row("a", "f", "b")] * bar,
        *[row("", "f", "b")] * upper,
        *[row("g", "fe", "bc")] * bar,
        *[row("", "e", "c")] * lower,
        *[row("d", "e", "c")] * bar,
    ]
