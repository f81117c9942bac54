"""From the characters a terminal sends to the keys a thumb meant. Pure: time comes in.

A terminal does not say when a key is let go, repeats a key that stays down, and sends several
characters for an arrow or a function key.
"""

from __future__ import annotations

from drivers.base import MS_NS

BOUNCE_MS = 30
"""The same character sooner than this after itself is a bounce of the key, not a tap."""
REPEAT_GAP_MS = 120
"""Terminals repeat a held key every 20 to 92 ms: the Linux console 10.9 times a second by its
own default, desktops commonly 25 to 33 times (common practice, no source)."""
REPEAT_STARTS_MS = (200, 1_100)
"""A held key starts to repeat 225 ms to 1 s after it went down (common practice, no source)."""
ESCAPE_MS = 50
"""The rest of an escape sequence comes at once; a lone Escape is followed by silence."""
_LONGEST_SEQUENCE = 32


class RepeatFilter:
    """Tells taps from the repeats of a held key. Pure: time comes in with every call.

    The first character of a kind acts at once. A second one that comes when a held key would
    begin to repeat waits ``REPEAT_GAP_MS``: with a third on its heels both are repeats and are
    dropped, as are all that follow without a pause; left alone it was a tap, and keeps the
    instant it was typed. A second one sooner than that can only be a thumb and acts at once.
    """

    def __init__(self) -> None:
        self._char = ""
        self._seen_at = 0
        self._close = 0
        """Characters since the last pause that came closer than REPEAT_GAP_MS."""
        self._waiting_at: int | None = None

    @property
    def next_at(self) -> int | None:
        """When :meth:`due` must be called, or None."""
        return None if self._waiting_at is None else self._waiting_at + REPEAT_GAP_MS * MS_NS

    def take(self, char: str, at: int) -> list[tuple[str, int]]:
        """Take one typed character; give the taps that are certain now, with their instants."""
        taps = self.due(at)
        if char != self._char:
            taps += self._let_go()
            self._char, self._seen_at, self._close = char, at, 0
            return [*taps, (char, at)]
        gap = at - self._seen_at
        self._seen_at = at
        if gap < REPEAT_GAP_MS * MS_NS:
            self._close += 1
            repeats = gap >= BOUNCE_MS * MS_NS or self._close > 1
            if self._waiting_at is not None and repeats:
                self._waiting_at, self._close = None, max(self._close, 2)
            elif self._close == 1 and gap >= BOUNCE_MS * MS_NS:
                taps.append((char, at))
            return taps
        self._close = 0
        if REPEAT_STARTS_MS[0] * MS_NS <= gap <= REPEAT_STARTS_MS[1] * MS_NS:
            self._waiting_at = at
            return taps
        return [*taps, (char, at)]

    def due(self, at: int) -> list[tuple[str, int]]:
        """Give the tap that has waited long enough by ``at``, if there is one."""
        return self._let_go() if self.next_at is not None and at >= self.next_at else []

    def _let_go(self) -> list[tuple[str, int]]:
        waiting_at, self._waiting_at = self._waiting_at, None
        return [] if waiting_at is None else [(self._char, waiting_at)]


class EscapeFilter:
    """Swallows the sequences that arrows and function keys send, whole. Pure.

    Their form is that of ECMA-48 control sequences, from memory, and of the Linux console's
    ``ESC [ [ A`` for F1 to F5, which is none.
    """

    def __init__(self) -> None:
        self._sequence = ""

    @property
    def open(self) -> bool:
        """True while a sequence has begun and not ended."""
        return bool(self._sequence)

    def take(self, char: str) -> str | None:
        """Take one character; give it back if it stands for itself."""
        if char == "\x1b":
            self._sequence = char
            return None
        if not self._sequence:
            return char
        self._sequence += char
        introducer, body = self._sequence[1], self._sequence[2:]
        if introducer == "[":
            parameters = body.lstrip("[") if body.startswith("[") else body
            ended = bool(parameters) and "@" <= parameters[-1] <= "~"
        else:
            ended = introducer != "O" or bool(body)
        if ended or len(self._sequence) >= _LONGEST_SEQUENCE:
            self._sequence = ""
        return None

    def silence(self) -> bool:
        """No more came for ESCAPE_MS; true if it was the Escape key alone."""
        alone, self._sequence = self._sequence == "\x1b", ""
        return alone
