"""The crew: a keeper who plays a game on a handset and errs as people do, and a field official."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Iterator

from controller.rules.events import Event, PlayEnded, SetCount
from drivers.base import Edge, Key
from drivers.handset.messages import StateFlag
from tests.scenarios.simulation.air import Air
from tests.scenarios.simulation.schedule import Schedule
from tests.shared.frames import S_NS
from tests.shared.installation import FIELD, KEEPER

HOLD_S = 1.0

Script = Iterator[float]
"""Gives the seconds until the next movement."""


class Crew:
    """``pace`` shortens the waits of a game, 1 is a real one. ``typed`` takes console events."""

    def __init__(
        self,
        air: Air,
        schedule: Schedule,
        rng: random.Random,
        typed: Callable[[Event], None],
        pace: float = 1.0,
    ) -> None:
        self._air, self._schedule, self._rng, self._typed = air, schedule, rng, typed
        self._pace = pace
        self.over = asyncio.Event()
        self.plays = 0

    def begin(self, plays: int, at: int) -> None:
        """Play so many plays, then :attr:`over` is set."""
        self._go_on(self._game(plays), at)

    def _go_on(self, script: Script, at: int) -> None:
        wait_s = next(script, None)
        if wait_s is None:
            self.over.set()
        else:
            wait_ns = max(1, int(wait_s * S_NS))
            self._schedule.at(at + wait_ns, lambda then: self._go_on(script, then))

    def _tap(self, key: Key, handset: int = KEEPER, edge: Edge = Edge.DOWN) -> None:
        now = self._schedule.clock()
        self._air.press(handset, key, edge, now)

    def _about(self, seconds: float) -> float:
        return self._rng.uniform(0.5, 1.5) * seconds * self._pace

    def _game(self, plays: int) -> Script:
        yield 2.0
        for self.plays in range(1, plays + 1):
            yield from self._relight()
            yield from self._play()
            if self.plays % max(1, plays // 4) == 0:
                yield from self._hold(Key.NO_COUNT)
                yield self._about(20.0)
            elif self._rng.random() < 0.02:
                yield from self._sleep_of_the_boards()

    def _play(self) -> Script:
        if self._rng.random() > 0.05:  # else the snap is forgotten
            self._tap(Key.SNAP)
        yield self._about(6.0)
        yield from self._end_of_play()
        if self._rng.random() < 0.08:
            yield from self._second_thoughts()
        if self._rng.random() < 0.06:
            yield from self._field_disagrees()
        yield from self._relight()
        yield from self._before_the_snap()

    def _end_of_play(self) -> Script:
        rng = self._rng
        draw = rng.random()
        if draw < 0.03:  # nobody presses anything
            yield 1.0
        elif draw < 0.50:
            self._tap(Key.DEAD_BALL)
            if rng.random() < 0.1:  # to be sure
                yield rng.uniform(1.0, 3.0)
                self._tap(Key.DEAD_BALL)
        elif draw < 0.60:  # the back judge does it
            self._tap(Key.NUMBER_40, FIELD)
            if rng.random() < 0.5:
                yield rng.uniform(0.0, 1.5)
                self._tap(Key.DEAD_BALL)
        elif draw < 0.72:
            self._tap(Key.NUMBER_25)
        elif draw < 0.77:
            yield from self._twice(rng.choice((Key.NUMBER_25, Key.NUMBER_40)))
        elif draw < 0.84:
            yield from self._flag()
        elif draw < 0.93:
            yield from self._twice(rng.choice((Key.TIME_OUT, Key.INJURY)), always=False)
        elif draw < 0.97:
            self._typed(PlayEnded(rng.choice(("incomplete_pass", "kick_no_new_series"))))
        else:  # a wrong key, then the right one
            self._tap(Key.NUMBER_25)
            yield rng.uniform(0.05, 0.9)
            self._tap(Key.NUMBER_40)

    def _flag(self) -> Script:
        yield from self._twice(Key.FLAG, always=False)
        yield self._rng.uniform(0.5, 4.0)
        if self._rng.random() < 0.5:  # the whistle, out of habit
            self._tap(Key.DEAD_BALL)

    def _twice(self, key: Key, *, always: bool = True) -> Script:
        self._tap(key)
        if always or self._rng.random() < 0.5:
            yield self._rng.uniform(0.12, 0.7)
            self._tap(key)

    def _second_thoughts(self) -> Script:
        yield self._about(2.0)
        draw = self._rng.random()
        if draw < 0.6:
            self._tap(Key.UNDO)
        elif draw < 0.8:
            self._tap(Key.STOP)
            yield self._about(3.0)
            self._tap(self._rng.choice((Key.STOP, Key.READY)))
        else:
            self._typed(SetCount(self._rng.choice((0, 3, 12, 17, 25))))

    def _field_disagrees(self) -> Script:
        keys = (Key.NUMBER_40, Key.NUMBER_25, Key.READY, Key.UNDO)
        self._tap(self._rng.choice((Key.SNAP, Key.READY, Key.NUMBER_25, Key.STOP)))
        yield self._rng.uniform(0.0, 1.2)
        self._tap(self._rng.choice(keys), FIELD)

    def _before_the_snap(self) -> Script:
        yield self._about(7.0)
        if self._rng.random() < 0.6:
            self._tap(Key.READY)
        if self._rng.random() < 0.06:  # the count runs out
            yield 42.0
            self._tap(self._rng.choice((Key.FLAG, Key.NUMBER_25)))
            yield 3.0
            self._tap(Key.READY)
        yield self._about(12.0)
        if self._rng.random() < 0.08:  # a false start taken for the snap
            self._tap(Key.SNAP)
            yield self._rng.uniform(1.0, 3.0)
            self._tap(Key.UNDO)
            yield self._about(4.0)

    def _hold(self, key: Key, handset: int = KEEPER) -> Script:
        self._tap(key, handset)
        yield HOLD_S
        self._tap(key, handset, Edge.HELD)

    def _sleep_of_the_boards(self) -> Script:
        yield from self._hold(Key.BOARDS_OFF)
        yield self._about(8.0)

    def _relight(self) -> Script:
        """The hand flutters: the boards are off. Light them, after a word with the officials."""
        state = self._air.handsets[KEEPER].state
        if state is None or not state.flags & StateFlag.BOARDS_OFF:
            return
        yield self._rng.uniform(1.0, 9.0)
        if self._rng.random() < 0.7:
            yield from self._hold(Key.BOARDS_OFF)
        else:
            for _ in range(4):
                self._tap(Key.BOARDS_OFF)
                yield 0.25
        yield 0.5
