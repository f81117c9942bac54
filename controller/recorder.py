"""From decisions and faults to rows of the journal: numbers them and hands them over.

The journal opens in its own thread after the boards are lit; rows made before its last numbers are
known wait here.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from controller.journal_file import Opening, Row
from controller.rules.effects import Decided
from controller.rules.events import PlayEnded, Role

PATIENCE_NS = 5_000_000_000
"""A journal that has not opened by then is numbered from 1; its rows still go to it."""


class Journalling(Protocol):
    """What is needed of a journal."""

    def opening(self, timeout_s: float) -> Opening | None: ...

    def append(self, row: Row) -> None: ...


class Recorder:
    """Gives every event its number and every row its game and down. ``journal`` None keeps none."""

    def __init__(self, journal: Journalling | None, now: int) -> None:
        self._journal = journal
        self._since_at = now
        self._backlog: list[Callable[[], None]] = []
        self._numbered = False
        self._event = 0
        self.game = 1
        self.down = 0

    def settle(self, now: int, *, at_the_end: bool = False) -> None:
        """Learn where the journal stood, if that is known by now, and hand over what waited; at
        the end in any case."""
        if self._numbered or self._journal is None:
            return
        opening = self._journal.opening(0)
        if opening is None and now - self._since_at < PATIENCE_NS and not at_the_end:
            return
        if opening is not None:
            self.game = opening.game + 1
            self._event = opening.event_number
        self._numbered = True
        backlog, self._backlog = self._backlog, []
        for write in backlog:
            write()

    def decided(self, decided: Decided, words: str, received_at: int, commanded: str) -> None:
        """Record a decision, refused or not, in ``words``, and what the boards were told after
        it."""
        self.down = decided.down
        if self._journal is None:
            return
        down = decided.down
        if self._numbered:
            self._write_decided(decided, words, received_at, commanded, down)
        else:
            self._backlog.append(
                lambda: self._write_decided(decided, words, received_at, commanded, down)
            )

    def _write_decided(
        self, decided: Decided, words: str, received_at: int, commanded: str, down: int
    ) -> None:
        order, ruling = decided.order, decided.ruling
        facts = order.event.facts if isinstance(order.event, PlayEnded) else frozenset[str]()
        self._append(
            Row(
                kind=_kind(decided),
                game=self.game,
                down=down,
                event_number=self._next(),
                received_at=received_at,
                edge_at=order.at,
                handset=order.handset,
                role=order.role.value,
                event=words,
                facts=tuple(sorted(facts)),
                assumed=decided.assumed,
                result=decided.result.value,
                reason=decided.reason,
                phase_before=decided.phase_before,
                phase_after=decided.phase_after,
                ruling_seconds=ruling.seconds if ruling else None,
                starts_on=ruling.starts_on.value if ruling else "",
                citation=ruling.citation if ruling else "",
                override=ruling.override if ruling else "",
                commanded=commanded,
            )
        )

    def reached_zero(self, at: int, now: int, commanded: str) -> None:
        """Record that the count due at ``at`` ran out."""
        late_ms = (now - at) / 1_000_000
        detail = f"{late_ms:.1f} ms after it was due"
        self.note(
            "deadline",
            now,
            "count reached zero",
            detail=detail,
            commanded=commanded,
            phase_after="EXPIRED",
        )

    def note(
        self,
        kind: str,
        at: int,
        event: str,
        *,
        detail: str = "",
        reason: str = "",
        handset: int | None = None,
        commanded: str = "",
        boards: str = "",
        phase_after: str = "",
    ) -> None:
        """Record anything that is no decision: deadlines, faults, confirmations, rejections."""
        if self._journal is None:
            return
        down = self.down

        def write() -> None:
            self._append(
                Row(
                    kind=kind,
                    game=self.game,
                    down=down,
                    event_number=self._next(),
                    received_at=at,
                    handset=handset,
                    event=event,
                    reason=reason,
                    detail=detail,
                    commanded=commanded,
                    boards=boards,
                    phase_after=phase_after,
                )
            )

        if self._numbered:
            write()
        else:
            self._backlog.append(write)

    def _next(self) -> int:
        self._event += 1
        return self._event

    def _append(self, row: Row) -> None:
        assert self._journal is not None
        self._journal.append(row)


def _kind(decided: Decided) -> str:
    if not decided.changed:
        return decided.result.value
    return "fault" if decided.order.role is Role.SERVICE else "press"
