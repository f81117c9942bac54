"""What the boards are told, and when to tell them again."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.base import Board, Face

MS_NS = 1_000_000
REFRESH_NS = 100 * MS_NS
REPEAT_NS = 25 * MS_NS
"""A change goes out again after this: a frame lost to noise costs no more."""


class Display:
    """All boards as one face. The caller computes the numerals again each time, also for a refresh:
    nothing here repeats a number by itself. ``brightness`` 1-15."""

    def __init__(self, boards: Sequence[Board], brightness: int, now: int) -> None:
        self._boards = tuple(boards)
        self._faces = {shown: Face(shown, brightness) for shown in (None, *range(100))}
        self._face = self._faces[None]
        self._refresh_at = now
        self._repeat_at: int | None = None
        self.told = 0
        """How often the boards were told, each time with numerals computed for it."""

    @property
    def face(self) -> Face:
        """What was told last."""
        return self._face

    @property
    def commanded(self) -> str:
        """The same in plain words."""
        return commanded(self._face.numerals)

    @property
    def due_at(self) -> int:
        """When :meth:`put_up` is wanted next even if nothing changes."""
        if self._repeat_at is None:
            return self._refresh_at
        return min(self._refresh_at, self._repeat_at)

    def join(self, board: Board, numerals: int | None, now: int) -> None:
        """Tell ``board``, which has just been opened, and all others too if the numerals have
        changed since they were told."""
        if numerals == self._face.numerals:
            board.show(self._face)
        else:
            self.put_up(numerals, now)

    def put_up(self, numerals: int | None, now: int) -> None:
        """Tell the boards, if the numerals changed or it is time to say it again."""
        changed = numerals != self._face.numerals
        if not changed and now < self.due_at:
            return
        if changed:
            self._face = self._faces[numerals]
            self._repeat_at = now + REPEAT_NS
        elif self._repeat_at is not None and now >= self._repeat_at:
            self._repeat_at = None
        for board in self._boards:
            board.show(self._face)
        self.told += 1
        if now >= self._refresh_at:
            self._refresh_at += ((now - self._refresh_at) // REFRESH_NS + 1) * REFRESH_NS


def commanded(numerals: int | None) -> str:
    """What the boards are told, in plain words."""
    return "dark" if numerals is None else str(numerals)
