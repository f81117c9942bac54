"""What happens outside the service: each thing at its own instant, whatever the service does."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

from tests.shared.frames import S_NS
from tests.shared.virtual_time import VirtualClock


class Span(NamedTuple):
    """A fault of class ``kind`` that lasted from one instant to another."""

    kind: str
    from_at: int
    to_at: int


@dataclass
class Log:
    """What was done to the game: lines for people, spans and counts for the judge."""

    lines: list[tuple[int, str]] = field(default_factory=list)
    spans: list[Span] = field(default_factory=list)
    struck: list[str] = field(default_factory=list)
    """The class of every fault that was drawn."""

    def say(self, at: int, text: str) -> None:
        self.lines.append((at, text))

    def fault(self, kind: str, from_at: int, to_at: int, detail: str = "") -> None:
        """A fault that ends at a known instant."""
        self.spans.append(Span(kind, from_at, to_at))
        if detail:
            self.say(from_at, f"FAULT {kind}: {detail} ({(to_at - from_at) / S_NS:.3f} s)")


class Schedule:
    """Calls each act at its instant. An act gets the instant that was meant: when the event loop is
    late, the world outside was not."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.log = Log()
        self._loop = asyncio.get_running_loop()

    def at(self, instant: int, act: Callable[[int], None]) -> asyncio.TimerHandle:
        """Call ``act(instant)`` then; at once if that has passed."""
        return self._loop.call_at(instant / 1e9, act, instant)
