"""A crew that answers questions by itself: for tests of the check before a game."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Mapping
from pathlib import Path

from controller.check.handsets import CheckedHandset
from controller.check.operators import Hands
from controller.check.report import Report
from controller.check.session import CrewCheckSession
from controller.config.model import Config
from controller.journal.reader import JournalReader
from controller.journal.row import Row
from controller.rulebook.loader import load_rule_set
from tests.shared.virtual_time import VirtualClock

KEEPER = CheckedHandset(1, "keeper", "twelve")
NEVER: Mapping[str, float] = {}


class Crew:
    """Answers whatever is asked, ``delay_s`` later; ``answers`` are by a piece of the question.
    ``later`` are questions answered by a bare Enter after so many seconds.

    Use it in a ``with`` statement inside the event loop. ``lines`` is all that was said.
    """

    def __init__(
        self,
        answers: Mapping[str, str],
        delay_s: float = 1.0,
        later: Mapping[str, float] = NEVER,
    ) -> None:
        self.lines: list[str] = []
        self.report = Report(self._heard)
        self._answers, self._delay_s, self._later = answers, delay_s, later
        self._reader, self._writer = os.pipe()

    @property
    def fd(self) -> int:
        return self._reader

    def type(self, text: str) -> None:
        """Type a line now."""
        os.write(self._writer, text.encode() + b"\n")

    def said(self, word: str) -> list[str]:
        """The lines that begin with a word."""
        return [line for line in self.lines if line.startswith(word)]

    def _heard(self, line: str) -> None:
        self.lines.append(line)
        for piece, after_s in self._later.items():
            if piece in line:
                asyncio.get_running_loop().call_later(after_s, self.type, "")
                return
        for piece, answer in self._answers.items():
            if piece in line:
                loop = asyncio.get_running_loop()
                loop.call_later(self._delay_s, self.type, answer)
                return

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._reader)
        os.close(self._writer)


def pregame(
    clock: VirtualClock,
    crew: Crew,
    journal: Path,
    *,
    hands: type[Hands] = Hands,
    handsets: tuple[CheckedHandset, ...] = (KEEPER,),
    boards: bool = True,
    config: Config | None = None,
) -> CrewCheckSession:
    """The crew's check of the simulator, or of ``config``."""
    return CrewCheckSession(
        config,
        load_rule_set("nfhs"),
        journal,
        boards=boards,
        handsets=handsets,
        clock=clock,
        report=crew.report,
        fd=crew.fd,
        hands=hands,
    )


def checks(journal: Path) -> list[Row]:
    """The rows of the crew's check, after the chain was found whole."""
    with JournalReader(journal) as reader:
        assert reader.verify().problem == ""
        return [entry.row for entry in reader.entries() if entry.row.kind == "check"]
