"""The shell around the play clock: the one timer, the drivers, the order of things.

In one turn of the event loop: an order is decided, the boards' frame is written, the handsets are
told; the journal and the observers come after and can never delay a numeral. Everything that is
refreshed is computed from the play clock anew; nothing repeats a stored frame.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence

from controller.alarms import Alarms
from controller.board_watch import BoardWatch
from controller.crew import ANSWERS, CrewMember, crew_state
from controller.display import Display
from controller.one_timer import OneTimer
from controller.presence import Presence
from controller.recorder import Recorder
from controller.rules.effects import Decided, Effect, Marked, ReachedZero, Result
from controller.rules.events import BoardsFault, Event, Order, Role, ToggleBoards, plain
from controller.rules.phases import Boards, name
from controller.rules.play_clock import PlayClock
from controller.supervisor import supervise
from drivers.base import (
    Acknowledgement,
    Board,
    BoardReport,
    Clock,
    Handset,
    Press,
    Rejection,
)
from drivers.base import Result as Answer

STATE_NS = 1_000_000_000


class Service:
    """Runs one game. ``crew`` maps handset numbers to their people, 0 is the console.

    ``observers`` are called after anything changed, with nothing: they take a snapshot when they
    are ready for one. ``brightness`` 1-15.
    """

    def __init__(
        self,
        play_clock: PlayClock,
        *,
        boards: Sequence[Board],
        handsets: Sequence[Handset],
        crew: Mapping[int, CrewMember],
        recorder: Recorder,
        clock: Clock,
        brightness: int = 15,
    ) -> None:
        self.play_clock = play_clock
        self.crew = crew
        self.observers: list[Callable[[], None]] = []
        self.recorder = recorder
        self.last: Decided | None = None
        self.last_by = ""
        self.off_why = ""  # of a fault
        self.marked: int | None = None
        self.handset_faults: dict[str, str] = {}
        self.batteries: dict[int, int | None] = {}
        self.boards = tuple(boards)
        self.handsets = tuple(handsets)
        now = clock()
        self.watch = BoardWatch((each for board in self.boards for each in board.boards), now)
        beacons = [n for each in self.handsets if each.beacons for n in each.serves if n in crew]
        shadows = [n for n, member in crew.items() if member.role is Role.SHADOW]
        self.presence = Presence(beacons, now, shadows)
        self.alarms = Alarms()
        self._clock = self.now = clock
        self.display = Display(self.boards, brightness, now)
        self._state_at = now
        self._timer: OneTimer
        self._stop: asyncio.Event = asyncio.Event()
        self._failed: BaseException | None = None

    # Life

    async def run(self) -> None:
        """Run until :meth:`stop`. Every way out leaves the boards dark.

        Raises what went wrong if it was a bug of ours; a driver's error never ends the service.
        """
        loop = asyncio.get_running_loop()
        before = loop.get_exception_handler()
        loop.set_exception_handler(self._loop_error)
        self._timer = OneTimer(self._clock, self._turn)
        try:
            async with asyncio.TaskGroup() as group:
                tasks = [group.create_task(self._drive(each)) for each in self.boards]
                tasks += [group.create_task(self._listen(each)) for each in self.handsets]
                self._begin()
                await self._stop.wait()
                for task in tasks:
                    task.cancel()
        finally:
            self._timer.disarm()
            self.recorder.settle(self._clock(), at_the_end=True)
            loop.set_exception_handler(before)
        if self._failed is not None:
            raise self._failed

    def _begin(self) -> None:
        self._turn(now := self._clock())
        open_to_all = "unauthenticated input: anyone could press its keys"
        for device in [each.name for each in self.handsets if not each.authenticated]:
            self.recorder.note("note", now, device, detail=open_to_all)

    def stop(self) -> None:
        """End the game: boards dark, then :meth:`run` returns."""
        self._stop.set()

    def _loop_error(self, loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        error = context.get("exception")
        self._failed = error if isinstance(error, BaseException) else RuntimeError(str(context))
        self.stop()

    async def _drive(self, board: Board) -> None:
        await supervise(
            lambda: board.run(self),
            self._clock,
            lambda: board.show(self.display.face),
            lambda fault: self._board_fault(board, fault),
        )

    async def _listen(self, handset: Handset) -> None:
        await supervise(
            lambda: handset.run(self),
            self._clock,
            lambda: self._tell(self._clock(), None),
            lambda fault: self._handset_fault(handset, fault),
        )

    def _board_fault(self, board: Board, fault: str) -> None:
        now = self._clock()
        names = ", ".join(board.boards)
        self.watch.port(board.boards, fault, now)
        self._turn(now)
        self._tell(now, None)
        self.recorder.note("fault" if fault else "healed", now, f"port of {names}", detail=fault)

    def _handset_fault(self, handset: Handset, fault: str) -> None:
        now = self._clock()
        self.handset_faults[handset.name] = fault
        self.recorder.note("fault" if fault else "healed", now, handset.name, detail=fault)
        self._notify()

    # What comes in

    def key_pressed(self, press: Press) -> Answer:
        """A key edge from any handset: decided, shown and told in this very turn."""
        now = self._clock()
        member = self.crew.get(press.handset)
        if member is None:
            who, why = press.handset, "not a handset of this crew"
            self.recorder.note("rejected", now, press.key.name, reason=why, handset=who)
            return Answer.REFUSED
        if press.handset == 0:
            self.presence.console_used(press.received_at)
        gesture, order = member.read(press)
        if order is None:
            answer = Answer.ASSUMED if gesture.doubtful else Answer.NO_CHANGE
            self._tell(now, Acknowledgement(press.handset, press.counter, answer))
            self.recorder.note(
                "no change", now, press.key.name, reason=gesture.reason, handset=press.handset
            )
            return answer
        decided = self._give(order, now)
        answer = Answer.ASSUMED if gesture.doubtful and decided.changed else ANSWERS[decided.result]
        self._tell(now, Acknowledgement(press.handset, press.counter, answer))
        self._record(decided, press.received_at)
        return answer

    def enter(self, event: Event) -> Decided:
        """An event typed on the console: named endings and timing corrections."""
        now = self._clock()
        self.presence.console_used(now)
        decided = self._give(Order(event, now, 0, self.crew[0].role), now)
        self._tell(now, None)
        self._record(decided, now)
        return decided

    def handset_heard(self, handset: int, at: int, battery_hours: int | None) -> None:
        """An authentic frame came from a handset."""
        if handset in self.crew:
            self.batteries[handset] = battery_hours
            if self.presence.heard(handset, at):
                self.recorder.note("healed", at, f"{self.crew[handset].name} heard again")

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        """A frame was not taken as a press: recorded, counted, and told when there are many."""
        if self.alarms.rejected(rejection.reason, at):
            what, whose = rejection.detail, rejection.handset
            self.recorder.note("rejected", at, rejection.reason, detail=what, handset=whose)
        self._notify()

    def board_answered(self, report: BoardReport) -> None:
        """A board said what it shows, or did not."""
        now = self._clock()
        agreement = self.watch.agreement
        was_dark, why = agreement.dark, agreement.why
        turned, strange = self.watch.answered(report, now)
        if agreement.dark is not was_dark:
            self._turn(now)
            self._tell(now, None)
            kind = "healed" if was_dark else "fault"
            self.recorder.note(kind, now, "boards", detail=agreement.why or why)
        if turned:
            answer = f"{report.board}: {report.answered.value}"
            self.recorder.note("fault", now, answer, detail="; ".join(report.notes))
        if strange and self.alarms.foreign(now):
            self.recorder.note("fault", now, "another controller on the boards' pair")
        seen = self.watch.confirmed(report)
        if seen:
            self.recorder.note("confirmed", now, "boards confirmed", boards=seen)
        self._notify()

    # What goes out

    def _give(self, order: Order, now: int) -> Decided:
        """Decide an order and put the result on the boards."""
        decided, effects = self.play_clock.handle(order, now)
        relit = decided.changed and isinstance(order.event, ToggleBoards)
        if relit and self.play_clock.boards is not Boards.OFF:
            self.watch.agreement.relit(now)
        self._put_up(now)
        self._arm(now)
        self._take(effects, now)
        self.last = decided
        return decided

    def _record(self, decided: Decided, received_at: int) -> None:
        if decided.changed:
            self.marked = None
            self.watch.commanded(received_at)
        handset = decided.order.handset
        self.last_by = decided.order.role.value if handset is None else self.crew[handset].name
        self.recorder.decided(decided, self.words, received_at, self.display.commanded)
        self._notify()

    @property
    def words(self) -> str:
        """The last order in plain words."""
        if self.last is None:
            return ""
        rules = self.play_clock.rules
        return plain(self.last.order.event, rules.routine_s, rules.administrative_s)

    @property
    def lit(self) -> bool:
        """True when the boards may show a count."""
        return not self.watch.agreement.dark and self.play_clock.boards is Boards.LIT

    def _put_up(self, now: int) -> None:
        """Have the boards show what is true now."""
        self.display.put_up(self.play_clock.numerals(now) if self.lit else None, now)

    def _tell(self, now: int, acknowledged: Acknowledgement | None) -> None:
        """Tell the handsets the state, so that they can count and cue by themselves."""
        assumed = self.last is not None and self.last.result is Result.ASSUMED
        state = crew_state(self.play_clock, self.lit, self.watch.agreement.dark, now, assumed)
        self._state_at = now + STATE_NS
        for handset in self.handsets:
            handset.tell(state, acknowledged)

    def _take(self, effects: Sequence[Effect], now: int) -> None:
        for effect in effects:
            match effect:
                case Marked(seconds, _):
                    self.marked = seconds
                case ReachedZero(at):
                    self.recorder.reached_zero(at, now, self.display.commanded)

    def _notify(self) -> None:
        for observer in self.observers:
            observer()

    # The one timer

    def _turn(self, now: int) -> None:
        """Everything that is due at ``now``; numerals first."""
        due = self.play_clock.deadline
        effects = self.play_clock.pass_time(now)
        self._put_up(now)
        if effects or now >= self._state_at:
            self._tell(now, None)
        self._take(effects, now)
        self._look_after_faults(now)
        self.recorder.settle(now)
        if due != self.play_clock.deadline:
            self._notify()
        self._arm(now)

    def _look_after_faults(self, now: int) -> None:
        for handset in self.presence.newly_silent(now):
            self.recorder.note("fault", now, f"{self.crew[handset].name} not heard for 30 s")
            self._notify()
        reason = self.watch.agreement.pass_time(now)
        if reason is None:
            reason = self.presence.alone(name(self.play_clock.state.down.phase), now)
        if reason is not None:
            order = Order(BoardsFault(reason), now, handset=None, role=Role.SERVICE)
            decided = self._give(order, now)
            if decided.changed:
                self.off_why = reason
            self._tell(now, None)
            self._record(decided, now)

    def _arm(self, now: int) -> None:
        """Set the one timer to whatever is due first."""
        due = min(self.display.due_at, self._state_at)
        for at in (self.play_clock.deadline, self.watch.agreement.deadline):
            if at is not None and at < due:
                due = at
        self._timer.arm(due, now)
