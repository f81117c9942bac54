"""Text for the console: made harmless, cut to size and styled. Pure.

Every line that reaches a terminal goes through :func:`line`, so a name or an error from outside
can neither move the cursor nor push a line over the edge.
"""

from __future__ import annotations

import codecs
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
    try:
        blocks = codecs.lookup(encoding).name == "utf-8"
    except LookupError:
        blocks = False
    return Look(blocks, colour=not environment.get("NO_COLOR") and not term.startswith("vt"))


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
            shown = shown.translate(_TO_ASCII).encode("ascii", "replace").decode("ascii")
        code = STYLES[style][0 if look.colour else 1]
        parts.append(f"\x1b[{code}m{shown}\x1b[0m" if code else shown)
    return "".join(parts) + " " * room
