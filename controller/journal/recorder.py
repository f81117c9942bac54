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
from typing import Any, NamedTuple, Protocol

from controller.journal.file import Head, Opening
from controller.journal.head import short
from controller.journal.row import Dated, Row, row_text
from controller.rules.effects import Decision
from controller.rules.events import Order, PlayEnded, Role

MS_NS = 1_000_000

PATIENCE_NS = 5_000_000_000
"""A journal that has not opened by then is numbered from 1; its rows still go to it."""

LATELY_S = 300
"""A press this many seconds ago, or later by a clock that was not set, was of the game that goes on
now: the longest break in which nothing is pressed lasts less, but for that of the half."""

KEPT_CHARACTERS = 200_000
"""Of the rows that are not on disk so many characters fit in a snapshot: about 400 rows. Beyond
that the oldest are kept, as the journal itself does."""


class Journalling(Protocol):
    """What is needed of a journal."""

    @property
    def journalled(self) -> int: ...

    @property
    def fault(self) -> str: ...

    @property
    def head(self) -> Head: ...

    @property
    def doubt(self) -> str: ...

    def opening(self, timeout_s: float) -> Opening | None: ...

    def append(self, row: Row, wall_ns: int) -> None: ...


class Tally(NamedTuple):
    """How often the boards were asked during one count, and what that came to. ``detail`` names
    the boards that did not always answer right."""

    asked: int
    right: int
    wrong: int
    silent: int
    detail: str = ""


class Numbers(NamedTuple):
    """Where the numbering stands. ``settled`` is False while the journal's are not known yet."""

    game: int = 1
    event: int = 0
    settled: bool = False


START = Numbers()


class Recent(NamedTuple):
    """An accepted order, known by its instant and its handset, and its event number."""

    at: int
    handset: int | None
    event_number: int


RECENT = 32
"""So many are remembered: more than can be taken back."""


class Recorder:
    """Gives every event its number and every row its game and play. ``journal`` None keeps none.

    ``numbers``, ``play``, ``keeper``, ``recent`` and ``rows`` are those of the run before, to go
    on with them. ``wall_clock`` gives nanoseconds since 1970 UTC.
    """

    def __init__(
        self,
        journal: Journalling | None,
        now: int,
        *,
        numbers: Numbers = START,
        play: int = 0,
        keeper: int | None = None,
        recent: Iterable[Recent] = (),
        rows: Iterable[Dated] = (),
        wall_clock: Callable[[], int] = time.time_ns,
    ) -> None:
        self._journal = journal
        self._since_at = now
        self._wall_clock = wall_clock
        self.numbers = numbers
        self.play = play
        self.keeper = keeper
        """The number of the keeper who has it, stamped on every row; None before a hand-over."""
        self._recent = {(each.at, each.handset): each.event_number for each in recent}
        self.fresh = False
        """True while a row is kept in no snapshot yet."""
        self._new: list[Dated] = []
        self._kept: deque[tuple[int, str]] = deque()
        self._characters = 0
        self.in_a_game = False
        """True when the journal has a press of a moment ago, by another run. Known once settled."""
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
    def journal_doubt(self) -> str:
        """Why the record is not the one that the run before had left; empty while all is well."""
        return "" if self._journal is None else self._journal.doubt

    @property
    def journal_head(self) -> str:
        """The newest row on disk, in the short form for the game's paper sheet; empty before."""
        return "" if self._journal is None else short(self._journal.head)

    @property
    def recent(self) -> list[Recent]:
        """The newest accepted orders with their event numbers, oldest first."""
        return [Recent(at, handset, number) for (at, handset), number in self._recent.items()]

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
        last_s = None if opening is None else opening.last_press_s
        wall_s = self._wall_clock() / 1e9
        self.in_a_game = last_s is not None and wall_s - last_s < LATELY_S
        self._recent = {order: before + number for order, number in self._recent.items()}
        waited, self._new = self._new, []
        self._kept.clear()
        self._characters = self.left_out = 0
        for dated in waited:
            row = dated.row
            number = before + (row.event_number or 0)
            taken = None if row.takes_back is None else before + row.takes_back
            final = replace(row, game=game, event_number=number, takes_back=taken)
            self._keep(Dated(final, dated.wall_ns))
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
        *,
        wall_ns: int | None = None,
        took_back: str = "",
    ) -> None:
        """Keep a decision, refused or not, in ``words``, and what the boards are told after it.
        ``wall_ns`` is its wall time, by default the present one; ``took_back`` are the words of
        the order that was taken back."""
        self.play = decided.down
        order, number, taken = decided.order, self._next(), decided.taken_back
        takes_back = self._recent.get((taken.at, taken.handset)) if taken else None
        if decided.changed:
            self._remember(order, number)
        self._add(
            Row(
                kind=_kind(decided),
                game=self.numbers.game,
                play=decided.down,
                event_number=number,
                received_at=received_at,
                edge_at=order.at,
                gesture=order.gesture_at,
                handset=order.handset,
                role=order.role.value,
                keeper=self.keeper,
                event=words,
                result=decided.result.value,
                reason=decided.reason,
                phase_before=decided.phase_before,
                phase_after=decided.phase_after,
                left_s=decided.left_s,
                takes_back=takes_back,
                **_why(decided),
                commanded=commanded,
                detail=took_back and f"took back {took_back}",
            ),
            wall_ns,
        )

    def _remember(self, order: Order, number: int) -> None:
        if len(self._recent) >= RECENT:
            del self._recent[next(iter(self._recent))]
        self._recent[order.at, order.handset] = number

    def answered(self, at: int, tally: Tally) -> None:
        """Keep how the boards answered during a count that is over."""
        self._add(
            Row(
                kind="answers",
                game=self.numbers.game,
                play=self.play,
                event_number=self._next(),
                received_at=at,
                keeper=self.keeper,
                event="the boards' answers to the count",
                answers_asked=tally.asked,
                answers_right=tally.right,
                answers_wrong=tally.wrong,
                answers_silent=tally.silent,
                detail=tally.detail,
            )
        )

    def reached_zero(self, at: int, now: int, commanded: str) -> None:
        """Keep that the count due at ``at`` ran out."""
        late_ms = (now - at) / MS_NS
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
        edge_at: int | None = None,
        gesture: int | None = None,
        handset: int | None = None,
        commanded: str = "",
        boards: str = "",
        phase_after: str = "",
        setup: str = "",
    ) -> None:
        """Keep anything that is not a decision: deadlines, faults, confirmations, rejections."""
        self._add(
            Row(
                kind=kind,
                game=self.numbers.game,
                play=self.play,
                event_number=self._next(),
                received_at=at,
                edge_at=edge_at,
                gesture=gesture,
                handset=handset,
                keeper=self.keeper,
                event=event,
                reason=reason,
                detail=detail,
                commanded=commanded,
                boards=boards,
                phase_after=phase_after,
                setup=setup,
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


def _why(decided: Decision) -> dict[str, Any]:
    """The columns that say why a decision came out as it did."""
    event, ruling, gave_way = decided.order.event, decided.ruling, decided.gave_way
    why: dict[str, Any] = {"assumed": decided.assumed, "promised": decided.promised}
    if isinstance(event, PlayEnded):
        why["facts"] = tuple(sorted(event.facts))
    if ruling is not None:
        why["ruling_seconds"], why["starts_on"] = ruling.seconds, ruling.starts_on.value
        why["citation"], why["override"] = ruling.citation, ruling.override
    if gave_way is not None:
        why["gave_way"], why["gave_way_after_ms"] = gave_way.word, gave_way.after_ns // MS_NS
    return why
