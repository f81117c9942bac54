"""Text for the console: made harmless, cut to size and styled; and what the terminal can draw.

Every line that reaches a terminal goes through :func:`line`, so a name or an error from outside
can neither move the cursor nor push a line over the edge.
"""

from __future__ import annotations

import codecs
import os
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

Piece = tuple[str, str]
"""A style of :data:`STYLES` and the text drawn in it."""

STYLES: dict[str, tuple[str, str]] = {
    "plain": ("", ""),
    "bold": ("1", "1"),
    "good": ("1;32", "1"),
    "waits": ("1;33", "1"),
    "live": ("1;36", "1"),
    "caution": ("30;43", "7"),
    "loud": ("1;37;41", "1;7"),
    "last": ("1;37;41", "1;5"),
    "zero": ("1;37;41", "1"),
    "cursor": ("7", "7"),
}
"""Graphic renditions (ECMA-48 SGR, from memory) with colour and without. Colour never stands
alone: what stands out is said in words too, and is in reverse video where there is no colour. But
the numerals are never reversed: dark ink would run into the dark around it."""

_LONGEST = 2_000
"""Characters of one text that are looked at: more than any screen has room for."""
_TO_ASCII = str.maketrans("█▓▒…─·", "#%:~-.")
_COERCED = ("C.UTF-8", "C.utf8", "UTF-8")


@dataclass(frozen=True, slots=True)
class Look:
    """What the terminal can draw: ``blocks`` beyond ASCII, and ``colour``."""

    blocks: bool = True
    colour: bool = True


def look_for(encoding: str, environment: Mapping[str, str]) -> Look | None:
    """The look for a terminal with this ``encoding``; None where the cursor cannot be placed.

    ``TERM`` empty or ``dumb`` cannot place it; ``NO_COLOR`` not empty asks for no colour
    (no-color.org, from memory).
    """
    term = environment.get("TERM", "")
    if term in ("", "dumb"):
        return None
    blocks = beyond_ascii(encoding, environment)
    return Look(blocks, colour=not environment.get("NO_COLOR") and not term.startswith("vt"))


def beyond_ascii(encoding: str, environment: Mapping[str, str]) -> bool:
    """True when more than ASCII may be written: the encoding is UTF-8 and the locale is not C.

    In a locale C the interpreter takes UTF-8 by itself, and says so in ``LC_CTYPE`` (PEP 538 and
    540): that is no word of the terminal's.
    """
    try:
        utf8 = codecs.lookup(encoding).name == "utf-8"
    except LookupError:
        return False
    said = [environment.get(name, "") for name in ("LC_ALL", "LC_CTYPE", "LANG")]
    if said[1] in _COERCED:
        said[1] = ""
    return utf8 and next(filter(None, said), "C") not in ("C", "POSIX")


def in_ascii(text: str) -> str:
    """``text`` with only ASCII in it, as long as before."""
    return text.translate(_TO_ASCII).encode("ascii", "replace").decode("ascii")


def screen_size(fd: int, environment: Mapping[str, str]) -> tuple[int, int]:
    """Columns and rows of the terminal ``fd``; serial consoles and some remote shells give 0 for
    what they do not know: then ``COLUMNS`` and ``LINES`` stand, or 80 and 24.

    Raises ``OSError`` when the terminal is gone.
    """
    columns, rows = os.get_terminal_size(fd)
    return (
        columns or _number(environment.get("COLUMNS", "")) or 80,
        rows or _number(environment.get("LINES", "")) or 24,
    )


def _number(text: str) -> int:
    """0 for what is not a number that a screen could have."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= 4 else 0


@lru_cache(maxsize=512)
def clean(text: str) -> str:
    """``text`` with each character one column wide, as many as before.

    What is not printable becomes a space; what is wide, or has no width, a question mark.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(map(_single, text))


def _single(char: str) -> str:
    if not char.isprintable():
        return " "
    wide = unicodedata.east_asian_width(char) in ("W", "F")
    return "?" if wide or unicodedata.category(char).startswith("M") else char


def cut(text: str, columns: int) -> str:
    """``text`` in at most ``columns`` characters; an ellipsis says that it was cut."""
    if len(text) <= columns:
        return text
    return text[: columns - 1] + "…" if columns > 0 else ""


@lru_cache(maxsize=256)
def wrap(text: str, columns: int, most: int) -> tuple[str, ...]:
    """``text`` in at most ``most`` lines of ``columns`` characters, broken between words."""
    if columns <= 0 or most <= 0:
        return ()
    rest = " ".join(clean(cut(text, _LONGEST)).split())
    lines: list[str] = []
    while rest and len(lines) < most:
        if len(rest) <= columns or len(lines) == most - 1:
            lines.append(cut(rest, columns))
            break
        at = rest.rfind(" ", 0, columns + 1)
        at = at if at > 0 else columns
        lines.append(rest[:at])
        rest = rest[at:].lstrip()
    return tuple(lines)


def line(pieces: Iterable[Piece], columns: int, look: Look) -> str:
    """One line exactly ``columns`` wide, without what may follow or precede it on a screen."""
    parts: list[str] = []
    room = columns
    for style, text in pieces:
        if room <= 0:
            break
        shown = clean(cut(text, room))
        room -= len(shown)
        if not look.blocks:
            shown = in_ascii(shown)
        code = STYLES[style][0 if look.colour else 1]
        parts.append(f"\x1b[{code}m{shown}\x1b[0m" if code else shown)
    return "".join(parts) + " " * room
