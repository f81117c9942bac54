"""What a check found: one line for each finding, in plain words, with what to do about it."""

from __future__ import annotations

import enum
import textwrap
from collections.abc import Callable, Iterable
from typing import NamedTuple

INDENT = 7


class Verdict(enum.Enum):
    """OK; LOOK: the game can be played, but someone should see to it; WRONG: it cannot."""

    OK = "OK"
    LOOK = "LOOK"
    WRONG = "WRONG"


class Finding(NamedTuple):
    """One thing that was looked at; ``do`` says what to do when it is not right."""

    verdict: Verdict
    what: str
    do: str = ""

    def __str__(self) -> str:
        advice = f". To do: {self.do}" if self.do else ""
        return f"{self.verdict.value:<{INDENT}}{self.what}{advice}"


def ok(what: str) -> Finding:
    """A finding that needs nobody."""
    return Finding(Verdict.OK, what)


def look(what: str, do: str) -> Finding:
    """A finding that someone should see to."""
    return Finding(Verdict.LOOK, what, do)


def wrong(what: str, do: str) -> Finding:
    """A finding with which no game should begin."""
    return Finding(Verdict.WRONG, what, do)


class Report:
    """Writes findings as they come and counts them.

    ``write`` takes one line without its end. ``columns`` is the width of a terminal; None writes
    each finding as one line, however long.
    """

    def __init__(self, write: Callable[[str], None], columns: int | None = None) -> None:
        self._write, self._columns = write, columns
        self._counts = dict.fromkeys(Verdict, 0)

    @property
    def wrong(self) -> bool:
        """True when anything found was wrong."""
        return self._counts[Verdict.WRONG] > 0

    def title(self, text: str) -> None:
        """Begin another part of the check."""
        self._write("")
        self._write(text)

    def say(self, text: str) -> None:
        """What is going on, or what someone shall do now: no finding."""
        self._put(" " * INDENT + text)

    def take(self, findings: Iterable[Finding]) -> None:
        """Write each finding at once, and count it."""
        for finding in findings:
            self._counts[finding.verdict] += 1
            self._put(str(finding))

    def close(self) -> None:
        """Write what it all came to."""
        bad, doubtful = self._counts[Verdict.WRONG], self._counts[Verdict.LOOK]
        self._write("")
        if bad:
            also = f", and {doubtful} to look at" if doubtful else ""
            self._write(f"Not ready: {bad} wrong{also}.")
        elif doubtful:
            self._write(f"Ready; {doubtful} to look at.")
        else:
            self._write("Ready: all is right.")

    def _put(self, line: str) -> None:
        if self._columns is None:
            self._write(line)
            return
        margin = " " * INDENT
        for each in textwrap.wrap(
            line, max(self._columns - 1, 40), subsequent_indent=margin, break_on_hyphens=False
        ):
            self._write(each)
