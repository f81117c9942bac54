"""Stand-ins for what the service talks to: each records what it was told, and when.

All of them write to one :class:`Log` as well, so that a test sees the order within one turn.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any, Concatenate, ParamSpec

from controller.journal.file import Head, Opening
from controller.journal.recorder import Recorder
from controller.journal.row import Row
from controller.rulebook.loader import load_rule_set
from controller.rules.events import Event, Order, Role
from controller.rules.gestures import Gestures
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RuleSet
from controller.service.crew import CrewMember
from controller.service.service import Service
from controller.status.document import Status
from drivers.base import (
    Answer,
    Answered,
    BoardListener,
    BoardReport,
    CrewState,
    Edge,
    Face,
    HandsetListener,
    Key,
    Press,
)
from tests.shared.virtual_time import VirtualClock, sleep_until, virtual_with

P = ParamSpec("P")

MS, S = 1_000_000, 1_000_000_000
RULES = load_rule_set("nfhs")

Log = list[tuple[str, int]]
"""What happened, in order: "show", "tell", "append", "observe", each with its instant."""


def clock_after(*ordered: Event, at: int) -> PlayClock:
    """A play clock to which a keeper gave these orders at one instant."""
    play_clock = PlayClock(RULES)
    for event in ordered:
        play_clock.handle(Order(event, at, 1), at)
    return play_clock


class FakeDriver:
    """``errors`` are raised by the next runs in their first step, one a run; :meth:`fail` ends the
    present one."""

    def __init__(self, clock: VirtualClock, log: Log | None) -> None:
        self.errors: list[Exception] = []
        self._clock, self._log = clock, [] if log is None else log
        self._ended: asyncio.Future[None] | None = None

    @property
    def open(self) -> bool:
        return self._ended is not None

    def _begin(self) -> None:
        if self.errors:
            raise self.errors.pop(0)

    async def _run(self) -> None:
        self._ended = asyncio.get_running_loop().create_future()
        try:
            await self._ended
        finally:
            self._ended = None

    def fail(self, error: Exception) -> None:
        assert self._ended is not None
        self._ended.set_exception(error)


class FakeBoard(FakeDriver):
    """One driver of ``names``. ``shown`` holds every face that reached its open port.

    A ``mute`` one can never answer. ``lamps`` is what players read now. Each frame has left its
    port with the next one, unless the port is ``stuck``. ``on_exit`` is raised on the way out.
    """

    def __init__(
        self, clock: VirtualClock, *names: str, mute: bool = False, log: Log | None = None
    ) -> None:
        super().__init__(clock, log)
        self.name = "+".join(names)
        self.boards = names
        self.answering = () if mute else names
        self.shown: list[tuple[int, int | None]] = []
        self.lamps: int | None = None
        self.stuck, self.sent = False, 0
        self.opened_at: list[int] = []
        self.closed_at: list[int] = []
        self.on_exit: Exception | None = None
        self.on_show: Callable[[Face], None] = lambda _: None
        self._listener: BoardListener | None = None

    async def run(self, listener: BoardListener) -> None:
        self._begin()
        self._listener = listener
        self.opened_at.append(self._clock())
        try:
            await self._run()
        finally:
            self.lamps = None
            self.closed_at.append(self._clock())
            if self.on_exit is not None:
                raise self.on_exit

    def show(self, face: Face) -> None:
        self.on_show(face)
        if not self.open:
            return
        self._log.append(("show", self._clock()))
        self.sent = self.sent if self.stuck else len(self.shown)
        self.shown.append((self._clock(), face.numerals))
        self.lamps = face.numerals

    def lose_for(self, runs: int) -> None:
        """The port is lost, and ``runs`` further attempts to open it fail."""
        self.errors = [OSError(5, "no such port")] * runs
        self.fail(OSError(5, "lost"))

    def answer(self, answered: Answered, seen: str = "", **more: Any) -> None:
        """Every board behind this driver that can answers alike, now."""
        for each in self.answering:
            assert self._listener is not None
            more.setdefault("shown_at", self._clock())
            self._listener.board_answered(report(each, answered, seen, **more))

    def fall_silent(self) -> None:
        """It misses so many answers in a row that this is a fault."""
        for _ in range(3):
            self.answer(Answered.SILENT)

    def lie(self, seen: str = "4") -> None:
        """It shows another numeral so often that this is a fault."""
        for _ in range(2):
            self.answer(Answered.WRONG, seen)


def report(board: str, answered: Answered, seen: str = "", **more: Any) -> BoardReport:
    """What a board says of itself."""
    return BoardReport(board=board, answered=answered, expected=seen, seen=seen, **more)


class FakeHandset(FakeDriver):
    """A driver of handsets; ``told`` holds what they were told."""

    def __init__(
        self,
        clock: VirtualClock,
        name: str = "receiver",
        *,
        beacons: bool = True,
        authenticated: bool = True,
        serves: tuple[int, ...] = (1, 2, 3),
        log: Log | None = None,
    ) -> None:
        super().__init__(clock, log)
        self.name, self.beacons, self.authenticated = name, beacons, authenticated
        self.serves = serves
        self.told: list[tuple[int, CrewState]] = []
        self.on_tell: Callable[[], None] = lambda: None
        self._listener: HandsetListener | None = None

    async def run(self, listener: HandsetListener) -> None:
        self._begin()
        self._listener = listener
        await self._run()

    def tell(self, state: CrewState) -> None:
        self.on_tell()
        self._log.append(("tell", self._clock()))
        self.told.append((self._clock(), state))

    def press(
        self,
        key: Key,
        handset: int = 1,
        *,
        edge: Edge = Edge.DOWN,
        age_ms: int = 0,
        counter: int = 0,
    ) -> Answer:
        """A key moved ``age_ms`` ago. As with radio, a handset is heard after its press."""
        assert self._listener is not None
        now = self._clock()
        answer = self._listener.key_pressed(
            Press(handset, key, edge, now - age_ms * MS, now, counter)
        )
        if handset:
            self.beacon(handset)
        return answer

    def beacon(
        self, handset: int = 1, battery_hours: int | None = None, margin_db: int | None = None
    ) -> None:
        """A handset reports that it is there."""
        assert self._listener is not None
        self._listener.handset_heard(handset, self._clock(), battery_hours, margin_db)


class FakeJournal:
    """Keeps the rows. ``stands`` is where it stood, None while it has not opened; ``fault`` is what
    is wrong with it."""

    def __init__(self, clock: Callable[[], int], stands: Opening | None, log: Log | None) -> None:
        self.stands, self.fault, self.doubt = stands, "", ""
        self.head: Head = (0, "")
        self.rows: list[Row] = []
        self.on_append: Callable[[], None] = lambda: None
        self._clock, self._log = clock, [] if log is None else log

    def opening(self, timeout_s: float) -> Opening | None:
        assert timeout_s == 0, "the event loop must not wait for the disk"
        return self.stands

    @property
    def journalled(self) -> int:
        """Every row handed over counts as on disk."""
        return max((row.event_number or 0 for row in self.rows), default=0)

    def append(self, row: Row, wall_ns: int = 0) -> None:
        self._log.append(("append", self._clock()))
        self.rows.append(row)
        self.on_append()

    def of(self, kind: str) -> list[Row]:
        return [row for row in self.rows if row.kind == kind]


EMPTY = Opening(0, 0, 0, (0, ""))


@dataclass
class Game:
    """A service with one receiver (keeper 1, back judge 2, shadow 3) and two boards' drivers, each
    of which may be mute."""

    clock: VirtualClock
    beacons: bool = True
    mute_north: bool = False
    mute_south: bool = False
    stands: Opening | None = EMPTY
    rules: RuleSet = RULES
    log: Log = field(default_factory=list)
    troubles: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.north = FakeBoard(self.clock, "north", mute=self.mute_north, log=self.log)
        self.south = FakeBoard(self.clock, "south", mute=self.mute_south, log=self.log)
        self.handset = FakeHandset(self.clock, beacons=self.beacons, log=self.log)
        self.journal = FakeJournal(self.clock, self.stands, self.log)
        self.play_clock = PlayClock(self.rules)
        self.service = Service(
            self.play_clock,
            boards=[self.north, self.south],
            handsets=[self.handset],
            crew={
                0: CrewMember("console", Role.KEEPER, Gestures("twelve")),
                1: CrewMember("handset 1", Role.KEEPER, Gestures("twelve")),
                2: CrewMember("handset 2", Role.FIELD, Gestures("four")),
                3: CrewMember("handset 3", Role.SHADOW, Gestures("twelve")),
            },
            recorder=Recorder(self.journal, self.clock()),
            clock=self.clock,
            troubles=lambda: dict(self.troubles),
        )
        self.started_at = self.clock()

    async def __aenter__(self) -> Game:
        self.task = asyncio.create_task(self.service.run())
        await self.at(0)
        await asyncio.sleep(0.001)
        return self

    async def __aexit__(self, *_: object) -> None:
        if self.task.done():
            if not self.task.cancelled():
                self.task.exception()  # whoever expects one has seen it
            return
        self.service.stop()
        await asyncio.wait({self.task}, timeout=1)
        stuck = not self.task.done()
        self.task.cancel()
        await asyncio.wait({self.task}, timeout=1)
        assert not stuck, "the service did not stop"
        assert self.lamps() == (None, None)

    async def at(self, seconds: float) -> None:
        """Let time pass to so long after the start."""
        await sleep_until(self.clock, self.started_at + round(seconds * S))

    async def present(self, until_s: float) -> None:
        """Let time pass while the keeper's handset reports and both boards answer right."""
        while self.clock() < self.started_at + round(until_s * S):
            self.handset.beacon()
            self.answer(Answered.RIGHT)
            await asyncio.sleep(min(1.0, (self.started_at + until_s * S - self.clock()) / S))

    def answer(self, answered: Answered) -> None:
        """Both boards answer alike."""
        for board in (self.north, self.south):
            if board.open:
                board.answer(answered, "" if board.lamps is None else str(board.lamps))

    def lamps(self) -> tuple[int | None, int | None]:
        """What players read at either end."""
        return self.north.lamps, self.south.lamps

    @property
    def status(self) -> Status:
        """What the service says of itself now."""
        return self.service.status()

    @property
    def state(self) -> CrewState:
        """What the handsets were told last."""
        return self.handset.told[-1][1]


def game_with(
    *, at_s: float = 0, key: Key | None = None, **about: Any
) -> Callable[[Callable[Concatenate[Game, P], Coroutine[Any, Any, None]]], Callable[P, None]]:
    """Give a test a running :class:`Game` of this kind, in virtual time. It is ``at_s`` old, and
    the keeper pressed ``key`` just now."""

    @contextlib.asynccontextmanager
    async def opened(clock: VirtualClock) -> AsyncIterator[Game]:
        async with Game(clock, **about) as game:
            if at_s:
                await game.at(at_s)
            if key is not None:
                game.handset.press(key)
            yield game

    return virtual_with(opened)


in_game = game_with()
in_idle = game_with(at_s=2)
in_live = game_with(at_s=2, key=Key.SNAP)
in_running = game_with(at_s=2, key=Key.DEAD_BALL)
