"""The notation of a sequence of presses: ``d@0; f@2; ff@20``.

A press is a key of the console and, behind ``@``, the second at which it goes down. A letter given
several times is as many taps, :data:`TAP_GAP_NS` apart. A key is held by ``~`` behind it (``2~``)
or by its upper-case letter (``N``); ``p`` (points) is ``2~``. ``:words@20`` is a line of field
words, as typed on the console. Presses are parted by ``;``; seconds may have decimals and never run
back.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from controller.rules.events import Event
from controller.rules.gestures import MS_NS, TWELVE
from controller.rules.numerals import SECOND_NS

KEYS: Final[Mapping[str, str]] = {
    "d": "DEAD_BALL",
    "r": "READY",
    "2": "NUMBER_25",
    "s": "SNAP",
    "4": "NUMBER_40",
    "x": "STOP",
    "f": "FLAG",
    "t": "TIME_OUT",
    "i": "INJURY",
    "u": "UNDO",
    "n": "NO_COUNT",
    "o": "BOARDS_OFF",
    "m": "BOARDS_OFF",
}
"""The console's letters and their keys. ``m`` marks the moment, which is one tap of BOARDS OFF."""
SCORE: Final = "p"
"""The console's letter for the 25 key held down, which tells a score."""

MOST_TAPS: Final = 4
TAP_GAP_NS: Final = 200 * MS_NS
"""Between the taps of a double tap: well within the 0.6 s that a gesture allows."""
LAST_S: Final = 86_400
"""The latest second: a day is longer than any game."""

_SECONDS = re.compile(r"([0-9]{1,5})(?:\.([0-9]{1,3}))?")
_FORM = "expected KEY@SECONDS or :words@SECONDS, parted by ';', as in 'd@0; f@2; ff@20'"


class NotationError(ValueError):
    """A sequence that cannot be read; the message names which press, where, and what is wrong."""


@dataclass(frozen=True, slots=True)
class KeyPress:
    """One gesture on one key: ``taps`` (1 to 4), the last of them ``held`` or not.

    ``at`` is when the key first goes down, in nanoseconds since the sequence began; ``written`` is
    the press as given.
    """

    written: str
    at: int
    key: str
    taps: int = 1
    held: bool = False


@dataclass(frozen=True, slots=True)
class WordsPress:
    """A line of field words, and the event it stands for."""

    written: str
    at: int
    event: Event


ScriptedPress = KeyPress | WordsPress
WordsReader = Callable[[str], Event]
"""Reads a line of field words; raises ``ValueError`` saying what would be understood."""


def parse_sequence(text: str, read_words: WordsReader) -> list[ScriptedPress]:
    """The presses of ``text``, at least one. Raises :class:`NotationError`."""
    if not text.strip():
        raise NotationError(f"the sequence is empty: {_FORM}")
    presses: list[ScriptedPress] = []
    begins = 1
    for number, written in enumerate(text.split(";"), 1):
        indent = len(written) - len(written.lstrip())
        try:
            press = _press(written.strip(), read_words)
            if presses and press.at < presses[-1].at:
                raise NotationError(f"comes after {presses[-1].written!r}: seconds never run back")
        except ValueError as error:
            where = f"press {number} (character {begins + indent})"
            raise NotationError(f"{where}, {written.strip()!r}: {error}") from None
        presses.append(press)
        begins += len(written) + 1
    return presses


def _press(written: str, read_words: WordsReader) -> ScriptedPress:
    if not written:
        raise NotationError(f"a press is missing here: {_FORM}")
    keys, mark, seconds = written.rpartition("@")
    if not mark:
        raise NotationError(f"no '@' with its seconds: {_FORM}")
    at = _nanoseconds(seconds.strip())
    keys = "2~" if keys.strip() == SCORE else keys.strip()
    if keys.startswith(":"):
        return WordsPress(written, at, read_words(keys[1:].strip()))
    return _key_press(written, at, keys)


def _nanoseconds(seconds: str) -> int:
    found = _SECONDS.fullmatch(seconds)
    if found is None or int(found[1]) > LAST_S:
        raise NotationError(
            f"seconds {seconds!r}: must be 0 to {LAST_S}, with at most three decimals"
        )
    return int(found[1]) * SECOND_NS + int((found[2] or "").ljust(3, "0")) * MS_NS


def _key_press(written: str, at: int, keys: str) -> KeyPress:
    letters = keys.removesuffix("~")
    if not letters:
        raise NotationError(f"no key before the seconds; {_known()}")
    if letters != letters[0] * len(letters):
        raise NotationError(f"{letters!r} is more than one key: part presses by ';'")
    key = KEYS.get(letters[0].lower())
    if key is None or not letters.isascii():
        raise NotationError(f"no key {letters[0]!r}; {_known()}")
    held = letters[0].isupper() or keys != letters
    if held and len(letters) > 1:
        raise NotationError("a key that is held is pressed once")
    if held and TWELVE[key].held is None:
        raise NotationError(f"holding {key_label(key)} asks for nothing more than a tap")
    if len(letters) > MOST_TAPS:
        raise NotationError(f"{len(letters)} taps: must be 1 to {MOST_TAPS}")
    return KeyPress(written, at, key, len(letters), held)


def _known() -> str:
    keys = [f"{letter} {key_label(key)}" for letter, key in KEYS.items()]
    return f"keys: {', '.join(keys)}, {SCORE} 25 held down"


def key_label(key: str) -> str:
    """The key as its cap is labelled: ``DEAD BALL``, ``25``."""
    return "TIME-OUT" if key == "TIME_OUT" else key.removeprefix("NUMBER_").replace("_", " ")
