"""From decisions and faults to rows of the journal: numbers them, keeps them and hands them over.

The journal opens in its own thread after the boards are lit; rows made before its last numbers are
known have provisional ones and wait here. A row stays here until it is known to be on disk, so
that a snapshot can hold what a crash would otherwise lose.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import NamedTuple, Protocol

from controller.journal.file import Opening
from controller.journal.row import Dated, Row, row_text
from controller.rules.effects import Decision
from controller.rules.events import PlayEnded, Role

PATIENCE_NS = 5_000_000_000
"""A journal that has not opened by then is numbered from 1; its rows still go to it."""

KEPT_CHARACTERS = 200_000
"""Of the rows that are not on disk so many characters fit in a snapshot: about 400 rows. Beyond
that the oldest are kept, as the journal itself does."""


class Journalling(Protocol):
    """What is needed of a journal."""

    @property
    def journalled(self) -> int: ...

    @property
    def fault(self) -> str: ...

    def opening(self, timeout_s: float) -> Opening | None: ...

    def append(self, row: Row, wall_ns: int) -> None: ...


class Numbers(NamedTuple):
    """Where the numbering stands. ``settled`` is False while the journal's are not known yet."""

    game: int = 1
    event: int = 0
    settled: bool = False


START = Numbers()


class Recorder:
    """Gives every event its number and every row its game and down. ``journal`` None keeps none.

    ``numbers``, ``down`` and ``rows`` are those of the run before, to go on with them.
    ``wall_clock`` gives nanoseconds since 1970 UTC.
    """

    def __init__(
        self,
        journal: Journalling | None,
        now: int,
        *,
        numbers: Numbers = START,
        down: int = 0,
        rows: Iterable[Dated] = (),
        wall_clock: Callable[[], int] = time.time_ns,
    ) -> None:
        self._journal = journal
        self._since_at = now
        self._wall_clock = wall_clock
        self.numbers = numbers
        self.down = down
        self.fresh = False
        """True while a row is kept in no snapshot yet."""
        self._new: list[Dated] = []
        self._kept: deque[tuple[int, str]] = deque()
        self._characters = 0
        self.left_out = 0
        """Rows not on disk that did not fit in a snapshot."""
        for dated in rows:
            self._keep(dated)

    @property
    def game(self) -> int:
        """The game's number: provisional until the journal has opened."""
        return self.numbers.game

    @property
    def journal_fault(self) -> str:
        """Why the record is not being written, in plain words; empty while all is well."""
        return "" if self._journal is None else self._journal.fault

    @property
    def kept(self) -> list[str]:
        """The rows not known to be on disk, each as a text for a snapshot; they count as in one
        from now on."""
        self.fresh = False
        return [text for _, text in self._kept]

    def settle(self, now: int, *, at_the_end: bool = False) -> bool:
        """Learn where the journal stood, if that is known by now; at the end in any case.

        True once, when the numbers have become final: the rows that waited are due for
        :meth:`hand_over`.
        """
        if self.numbers.settled or self._journal is None:
            return False
        opening = self._journal.opening(0)
        if opening is None and now - self._since_at < PATIENCE_NS and not at_the_end:
            return False
        game, before = (1, 0) if opening is None else (opening.game + 1, opening.event_number)
        self.numbers = Numbers(game, before + self.numbers.event, settled=True)
        waited, self._new = self._new, []
        self._kept.clear()
        self._characters = self.left_out = 0
        for dated in waited:
            row = dated.row
            number = before + (row.event_number or 0)
            self._keep(Dated(replace(row, game=game, event_number=number), dated.wall_ns))
        return True

    def hand_over(self) -> None:
        """Give the journal what is new. Not before the boards' frame is on its way."""
        if self._journal is None or not self.numbers.settled:
            return
        new, self._new = self._new, []
        for dated in new:
            self._journal.append(dated.row, dated.wall_ns)
        while self._kept and self._kept[0][0] <= self._journal.journalled:
            self._characters -= len(self._kept.popleft()[1])
        if not self._kept:
            self.left_out = 0

    def decided(
        self,
        decided: Decision,
        words: str,
        received_at: int,
        commanded: str,
        wall_ns: int | None = None,
    ) -> None:
        """Keep a decision, refused or not, in ``words``, and what the boards are told after it.
        ``wall_ns`` is its wall time, by default the present one."""
        self.down = decided.down
        order, ruling = decided.order, decided.ruling
        facts = order.event.facts if isinstance(order.event, PlayEnded) else frozenset[str]()
        self._add(
            Row(
                kind=_kind(decided),
                game=self.numbers.game,
                down=decided.down,
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
            ),
            wall_ns,
        )

    def reached_zero(self, at: int, now: int, commanded: str) -> None:
        """Keep that the count due at ``at`` ran out."""
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
        """Keep anything that is not a decision: deadlines, faults, confirmations, rejections."""
        self._add(
            Row(
                kind=kind,
                game=self.numbers.game,
                down=self.down,
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

    def _next(self) -> int:
        number = self.numbers.event + 1
        self.numbers = self.numbers._replace(event=number)
        return number

    def _add(self, row: Row, wall_ns: int | None = None) -> None:
        if self._journal is not None:
            self._keep(Dated(row, self._wall_clock() if wall_ns is None else wall_ns))

    def _keep(self, dated: Dated) -> None:
        self._new.append(dated)
        self.fresh = True
        text = row_text(dated)
        if self.left_out or self._characters + len(text) > KEPT_CHARACTERS:
            self.left_out += 1
            return
        self._characters += len(text)
        self._kept.append((dated.row.event_number or 0, text))


def _kind(decided: Decision) -> str:
    if not decided.changed:
        return decided.result.value
    return "fault" if decided.order.role is Role.SERVICE else "press"
