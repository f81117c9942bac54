"""How a text display wants its numerals: a line of plain text for each face. Pure."""

from __future__ import annotations

import string
from dataclasses import dataclass

from drivers.base import Face
from drivers.kind import DeviceTable

LONGEST_LINE = 64
"""Characters of one line with its control characters; at 1,200 baud these take 0.5 s."""
LAMP_TEST = 88
"""All bars of two seven-segment digits."""


@dataclass(frozen=True, slots=True)
class TextLayout(DeviceTable):
    """The texts of one kind of display, each character one byte of ISO 8859-1.

    ``numerals`` is a pattern with ``{numerals}``, formatted as Python does ("{numerals:02d}\\r");
    ``dark`` the text that blanks the display; ``brightness`` a pattern with ``{brightness}``, 1-15,
    or empty. ``refresh_ms``, 100-60,000, is how long a text stands before it is sent again.

    Raises ``ValueError``, which begins with the name of the field at fault.
    """

    numerals: str
    dark: str
    brightness: str = ""
    refresh_ms: int = 1000

    def __post_init__(self) -> None:
        shown = [_rendered("numerals", self.numerals, value) for value in range(100)]
        if len(set(shown)) < len(shown):
            raise ValueError("numerals: gives the same text for different numerals")
        if not self.dark:
            raise ValueError("dark: is empty, and no text would darken the display")
        if _bytes("dark", self.dark) in shown:
            raise ValueError("dark: is the text of a numeral")
        if self.brightness:
            for value in range(1, 16):
                _rendered("brightness", self.brightness, value)
        if not 100 <= self.refresh_ms <= 60_000:
            raise ValueError(f"refresh_ms: {self.refresh_ms} must be 100-60000")

    def line(self, face: Face) -> bytes:
        """The text of a face."""
        if face.lamp_test:
            return _rendered("numerals", self.numerals, LAMP_TEST)
        if face.numerals is None:
            return _bytes("dark", self.dark)
        return _rendered("numerals", self.numerals, face.numerals)

    def dimming(self, face: Face) -> bytes:
        """The text that sets the brightness of a face; empty where there is none."""
        if not self.brightness:
            return b""
        return _rendered("brightness", self.brightness, face.brightness)


def _rendered(field: str, pattern: str, value: int) -> bytes:
    try:
        names = [name for _, name, _, _ in string.Formatter().parse(pattern) if name is not None]
        if not names or set(names) != {field}:
            raise ValueError(f"{field}: must hold {{{field}}} and no other field")
        text = pattern.format(**{field: value})
    except (ValueError, LookupError, AttributeError, TypeError) as error:
        if str(error).startswith(f"{field}:"):
            raise
        raise ValueError(f"{field}: cannot be formatted: {error}") from error
    return _bytes(field, text)


def _bytes(field: str, text: str) -> bytes:
    if len(text) > LONGEST_LINE:
        raise ValueError(f"{field}: {len(text)} characters, more than {LONGEST_LINE}")
    try:
        return text.encode("latin-1")
    except UnicodeEncodeError as error:
        stranger = text[error.start]
        raise ValueError(f"{field}: {stranger!r} is no character of ISO 8859-1") from error
