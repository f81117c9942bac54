"""The console of ``playclock run``: one snapshot drawn as the lines of a screen. Pure.

From top to bottom: the game; the boards axis; large numerals with the phase in words, what it
waits for, the last order and the ruling beside them; faults, then what was refused on the air,
boards and handsets that are well, the record's head while there is no count; the keys; the entry
line. When rows run short the keys go first, and what is well before what is not. Below 40 x 12 all
that matters is one line.

The ink says how a count stands even without colour: solid while it runs, shaded while it is held.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller.console.digits import (
    WORD_ROWS,
    has_word,
    numeral_columns,
    numeral_rows,
    word_rows,
)
from controller.console.panels import KEYS, faults, footer, lower, refused, well
from controller.console.sentences import (
    awaited,
    boards_words,
    in_last_seconds,
    phase_note,
    phase_word,
    phase_words,
    reply,
    ruling,
)
from controller.console.style import Look, Piece, cut, line, wrap
from controller.status.document import Status

LEAST_COLUMNS, LEAST_ROWS = 40, 12
"""Less than this, and the console is one line."""
_PHASES: dict[str, tuple[str, str]] = {
    "IDLE": ("plain", "▒"),
    "SET": ("waits", "▓"),
    "RUNNING": ("good", "█"),
    "LIVE": ("live", "▒"),
    "STOPPED": ("waits", "▓"),
    "EXPIRED": ("zero", "█"),
}
"""Of each phase: its style and the ink of its numerals."""


def draw(
    status: Status,
    *,
    columns: int,
    rows: int,
    keys: Sequence[tuple[str, str]] = KEYS,
    entry: str | None = None,
    entry_error: str = "",
    clock_text: str = "",
    ordered_text: str = "",
    look: Look = Look(),  # noqa: B008 - immutable
) -> list[str]:
    """Draw the screen: at most ``rows`` lines, each ``columns`` wide, of styled text.

    ``keys`` are (character, "LABEL: what it does"). ``entry`` is the entry line as typed so far,
    None while it is closed; ``entry_error`` is what was wrong with the last one. ``clock_text`` is
    the wall time and ``ordered_text`` that of the last order, as they shall be shown.
    """
    if columns < 1 or rows < 1:
        return []
    if columns < LEAST_COLUMNS or rows < LEAST_ROWS:
        return [line(_one_line(status, entry, entry_error), columns, look)]
    tall = rows >= 20
    axis = _axis(status, columns, 3 if tall else 1)
    drawn = [_header(status, columns, clock_text), axis[0]]
    drawn += _upper(status, columns, _numeral_height(columns, rows), ordered_text, look)
    bottom = footer(keys, entry, entry_error, columns, tall=tall)
    room = rows - len(drawn) - len(bottom)
    good = [*refused(status), *well(status)]
    drawn += lower([*axis[1:], *faults(status)], good, keys, columns, room)
    return [line(pieces, columns, look) for pieces in (*drawn, *bottom)]


def _one_line(status: Status, entry: str | None, entry_error: str) -> list[Piece]:
    if entry is not None:
        return [("bold", f":{entry[-20:]}"), ("cursor", " "), ("plain", f" {phase_words(status)}")]
    pieces: list[Piece] = [(_word_style(status), phase_words(status))]
    if status.nudged:
        pieces += [("plain", " "), ("caution", awaited(status))]
    words, urgent = boards_words(status)
    if urgent:
        pieces += [("plain", " "), ("loud", words)]
    for fault in faults(status):
        pieces += [("plain", " "), *fault]
    if entry_error:
        pieces += [("plain", " "), ("caution", entry_error)]
    return pieces


def _header(status: Status, columns: int, clock_text: str) -> list[Piece]:
    what = f" {status.rules}  game {status.game}  play {status.down}"
    right = f" {clock_text} "
    width = max(0, columns - len(right))
    left = f" PLAY CLOCK {what}"
    left = left if len(left) <= width else what
    return [("bold", cut(left, width).ljust(width) + right)]


def _axis(status: Status, columns: int, most: int) -> list[list[Piece]]:
    """The boards axis: one line, or up to ``most`` of them when the reason is long."""
    words, urgent = boards_words(status)
    if not urgent:
        return [[("plain", f" {words}")]]
    hint = "  (BOARDS OFF key relights)" if status.boards == "off" else ""
    if len(words) + len(hint) <= columns - 2:
        words += hint
    return [[("loud", f" {each}".ljust(columns))] for each in wrap(words, columns - 2, most)]


def _numeral_height(columns: int, rows: int) -> int:
    """The largest odd height that leaves room for the words beside and below."""
    below, beside = 15, 44
    if rows < 20 or columns < 70:
        below, beside = 7 + (rows - LEAST_ROWS) // 2, 20 + (columns - LEAST_COLUMNS) // 2
    height = 5
    while height + 2 <= rows - below and numeral_columns(height + 2) + 4 <= columns - beside:
        height += 2
    return height


def _numeral_style(status: Status) -> str:
    if in_last_seconds(status):
        return "last"
    return _PHASES[status.phase][0] if status.phase in _PHASES else "bold"


def _word_style(status: Status) -> str:
    style = _numeral_style(status)
    return "loud" if style in ("last", "zero") else style


def _upper(
    status: Status, columns: int, height: int, ordered_text: str, look: Look
) -> list[list[Piece]]:
    """The numerals, and the words beside them."""
    ink = _PHASES[status.phase][1] if status.phase in _PHASES else "█"
    numerals = status.numerals
    if numerals is not None:
        numerals = max(0, min(99, numerals))
    style = _numeral_style(status)
    drawn = numeral_rows(numerals, height, ink)
    room = columns - numeral_columns(height) - 4
    beside = _beside(status, room, height, ordered_text, look)
    beside += [("plain", "")] * (height - len(beside))
    return [
        [(style, f" {row} "), ("plain", "  "), words]
        for row, words in zip(drawn, beside, strict=True)
    ]


def _beside(status: Status, columns: int, rows: int, ordered_text: str, look: Look) -> list[Piece]:
    """Phase, what it waits for, the last order, the ruling: in this order of importance."""
    word = phase_word(status)
    lines: list[Piece] = _large(status, word, columns - 1, rows) if look.blocks else []
    style, did = reply(status, ordered_text)
    adopted = f"LOCAL ADOPTION: {status.override}" if status.override else ""
    said = [
        (_word_style(status), f"{word}{phase_note(status)}", 1),
        ("caution" if status.nudged else "bold", awaited(status), 2),
        (style, f"last: {did}" if did else "", 3),
        ("caution", adopted, 2),
        ("plain", ruling(status), 3),
    ]
    for how, text, most in said:
        part = wrap(text, columns - 1, min(most, rows - len(lines)))
        lines += [(how, each) for each in part]
    return lines


def _large(status: Status, word: str, columns: int, rows: int) -> list[Piece]:
    """The large words: that the boards do not show the count comes before the phase."""
    words: list[Piece] = [(_word_style(status), word)]
    said, urgent = boards_words(status)
    if urgent:
        words.insert(0, ("loud", said.partition(":")[0]))
    lines: list[Piece] = []
    for style, each in words:
        fits = has_word(each) and len(word_rows(each)[0]) + 2 <= columns
        if fits and len(lines) + WORD_ROWS + 4 <= rows:
            lines += [(style, f" {row} ") for row in word_rows(each)]
    return lines
