"""The shell around the play clock: the one timer, the drivers, the order of things.

In one turn of the event loop: an order is decided and kept in the snapshot, the boards' frame is
written, the handsets are told; the journal and the observers come after and can never delay a
numeral. So no frame is ever ahead of what a restart knows. Everything that is refreshed is computed
from the play clock anew; nothing repeats a stored frame.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from controller.journal.recorder import Recorder
from controller.recovery.checkpoint import Checkpointer
from controller.rules.effects import Decision, Effect, Marked
from controller.rules.events import BoardsFault, Event, Order, Role, ToggleBoards
from controller.rules.phases import Boards, name
from controller.rules.play_clock import PlayClock
from controller.service.alarms import Alarms
from controller.service.board_monitor import BoardWatch
from controller.service.crew import ANSWERS, CrewMember, crew_state
from controller.service.deadline_timer import OneTimer
from controller.service.display import Display, commanded
from controller.service.driver_tasks import driver_tasks, note_weaknesses
from controller.service.game_clock import GameClock
from controller.service.handset_presence import Presence
from controller.service.last_order import LastOrder
from controller.service.task_group import TaskScope
from drivers.base import Acknowledgement, Board, BoardReport, Clock, Handset, Press, Rejection
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
        checkpointer: Checkpointer | None = None,
    ) -> None:
        self.play_clock = play_clock
        self.crew = crew
        self.observers: list[Callable[[], None]] = []
        self.recorder = recorder
        self.checkpointer = checkpointer or Checkpointer()
        self.last = LastOrder(play_clock.rules, crew)
        self.marked: int | None = None
        self.handset_faults: dict[str, str] = {}
        self.batteries: dict[int, int | None] = {}
        self.boards = tuple(boards)
        self.handsets = tuple(handsets)
        now = clock()
        names = [each for board in self.boards for each in board.boards]
        answering = [each for board in self.boards for each in board.answering]
        self.watch = BoardWatch(names, now, answering)
        beacons = [n for each in self.handsets if each.beacons for n in each.serves if n in crew]
        shadows = [n for n, member in crew.items() if member.role is Role.SHADOW]
        self.presence = Presence(beacons, now, shadows)
        self.alarms = Alarms()
        self.game_clock = GameClock()
        self._clock = self.now = clock
        self.display = Display(self.boards, brightness, now)
        self._state_at = now
        self.life = TaskScope()

    async def run(self) -> None:
        """Run until :meth:`stop`. Every way out leaves the boards dark.

        Raises what went wrong if it was a bug of ours; a driver's error never ends the service.
        """
        self._timer = OneTimer(self._clock, self._turn)
        try:
            await self.life.run_until_stopped(driver_tasks(self), self._begin)
        finally:
            self._timer.disarm()
            self.recorder.settle(now := self._clock(), at_the_end=True)
            self._notify(now)
        self._keep(now, in_order=True)

    def _begin(self) -> None:
        self._turn(now := self._clock())
        note_weaknesses(self, now)

    def stop(self) -> None:
        """End the game: boards dark, then :meth:`run` returns."""
        self.life.stop()

    def board_fault(self, board: Board, fault: str) -> None:
        """A driver of boards has lost its device, or has it again: ``fault`` is empty then."""
        now = self._clock()
        what = f"port of {', '.join(board.boards)}"
        news = self.watch.port(board.boards, fault, now)
        self._turn(now)
        self.tell(now)
        if news:
            self.recorder.note("fault" if fault else "healed", now, what, detail=fault)
        self._notify(now)

    def handset_fault(self, handset: Handset, fault: str) -> None:
        """The same of a driver of handsets."""
        now = self._clock()
        self.handset_faults[handset.name] = fault
        self.recorder.note("fault" if fault else "healed", now, handset.name, detail=fault)
        self._notify(now)

    # What comes in

    def key_pressed(self, press: Press) -> Answer:
        """A key edge from any handset: decided, shown and told in this very turn."""
        now = self._clock()
        member = self.crew.get(press.handset)
        if member is None:
            why = "not a handset of this crew"
            self.recorder.note("rejected", now, press.key.name, reason=why, handset=press.handset)
            self._notify(now)
            return Answer.REFUSED
        if not self.presence.watches(press.handset) and member.role is not Role.SHADOW:
            self.presence.console_used(press.received_at)
        gesture, order = member.read(press)
        if order is None:
            answer = Answer.ASSUMED if gesture.doubtful else Answer.NO_CHANGE
            self.recorder.note(
                "no change", now, press.key.name, reason=gesture.reason, handset=press.handset
            )
            self.checkpointer.acknowledged = Acknowledgement(press.handset, press.counter, answer)
            self._keep(now)
            self.tell(now, self.checkpointer.acknowledged)
        else:
            decided, effects = self.decide(order, now)
            doubted = gesture.doubtful and decided.changed
            answer = Answer.ASSUMED if doubted else ANSWERS[decided.result]
            told = Acknowledgement(press.handset, press.counter, answer)
            self._carry_out(decided, effects, press.received_at, now, told)
        self._notify(now)
        return answer

    def enter(self, event: Event) -> Decision:
        """An event typed on the console: named endings and timing corrections."""
        now = self._clock()
        self.presence.console_used(now)
        decided = self._give(Order(event, now, 0, self.crew[0].role), now)
        self._notify(now)
        return decided

    def handset_heard(self, handset: int, at: int, battery_hours: int | None) -> None:
        """An authentic frame came from a handset."""
        if handset in self.crew:
            self.batteries[handset] = battery_hours
            if self.presence.heard(handset, at):
                self.recorder.note("healed", at, f"{self.crew[handset].name} heard again")
                self._notify(at)

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        """A frame was not taken as a press: recorded, counted, and told when there are many."""
        if self.alarms.rejected(rejection.reason, at):
            what, whose = rejection.detail, rejection.handset
            self.recorder.note("rejected", at, rejection.reason, detail=what, handset=whose)
        self._notify(at)

    def board_answered(self, report: BoardReport) -> None:
        """A board said what it shows, or did not."""
        now = self._clock()
        agreement = self.watch.agreement
        was_dark, why = agreement.dark, agreement.why
        turned, strange = self.watch.answered(report, now)
        if agreement.dark is not was_dark:
            self._turn(now)
            self.tell(now)
            kind = "healed" if was_dark else "fault"
            self.recorder.note(kind, now, "boards", detail=agreement.why or why)
        if turned:
            answer = f"{report.board}: {report.answered.value}"
            self.recorder.note("fault", now, answer, detail="; ".join(report.notes))
        if strange and self.alarms.foreign(now):
            self.recorder.note("fault", now, "another controller on the boards' pair")
        if seen := self.watch.confirmed(report):
            self.recorder.note("confirmed", now, "boards confirmed", boards=seen)
        self._notify(now)

    # What goes out

    def _give(self, order: Order, now: int) -> Decision:
        """Decide an order that is no press, and let everyone know."""
        decided, effects = self.decide(order, now)
        self._carry_out(decided, effects, now, now, None)
        return decided

    def decide(self, order: Order, now: int) -> tuple[Decision, list[Effect]]:
        """Change the play clock, and nothing else yet."""
        decided, effects = self.play_clock.handle(self.game_clock.known_to(order), now)
        if decided.changed and isinstance(order.event, ToggleBoards):
            self.checkpointer.off_why = ""
            if self.play_clock.boards is not Boards.OFF:
                self.watch.agreement.relit(now)
        self.last.decided = decided
        return decided, effects

    def _carry_out(
        self,
        decided: Decision,
        effects: Sequence[Effect],
        received_at: int,
        now: int,
        told: Acknowledgement | None,
    ) -> None:
        """Keep what was decided, put it on the boards, tell the handsets, write it down."""
        self.checkpointer.carry(decided.order, received_at, now, told)
        self.display.put_up(self._numerals(now), now)
        self._arm(now)
        self.tell(now, told)
        if decided.changed:
            self.marked = None
            self.watch.commanded(received_at)
        self.write(decided, effects, received_at, now)

    def write(
        self,
        decided: Decision,
        effects: Sequence[Effect],
        received_at: int,
        now: int,
        wall_ns: int | None = None,
    ) -> None:
        """Write down what was decided at ``now``."""
        shown = commanded(self._numerals(now))
        self._take(effects, now, shown)
        self.recorder.decided(decided, self.last.words, received_at, shown, wall_ns)

    @property
    def lit(self) -> bool:
        """True when the boards may show a count."""
        return not self.watch.agreement.dark and self.play_clock.boards is Boards.LIT

    def _numerals(self, now: int) -> int | None:
        """What the boards must show now: computed anew each time."""
        return self.play_clock.numerals(now) if self.lit else None

    def _keep(self, now: int, *, in_order: bool = False) -> None:
        """Keep the moment for a restart."""
        agreement = self.watch.agreement
        self.checkpointer.dark_why = agreement.why if agreement.dark else ""
        self.checkpointer.keep(self.play_clock, self.recorder, now, in_order=in_order)

    def tell(self, now: int, acknowledged: Acknowledgement | None = None) -> None:
        """Tell the handsets the state, so that they can count and cue by themselves."""
        dark = self.watch.agreement.dark
        state = crew_state(self.play_clock, self.lit, dark, now, self.last.assumed)
        self._state_at = now + STATE_NS
        for handset in self.handsets:
            handset.tell(state, acknowledged)

    def _take(self, effects: Sequence[Effect], now: int, shown: str) -> None:
        for effect in effects:
            if isinstance(effect, Marked):
                self.marked = effect.seconds
            else:
                self.recorder.reached_zero(effect.at, now, shown)

    def _record(self, now: int) -> None:
        if self.recorder.fresh:
            self._keep(now)
        self.recorder.hand_over()

    def _notify(self, now: int) -> None:
        """The last things of a turn: the record, then whoever looks on."""
        self._record(now)
        for observer in self.observers:
            observer()

    def _turn(self, now: int) -> None:
        """Everything that is due at ``now``; numerals first."""
        due = self.play_clock.deadline
        effects = self.play_clock.pass_time(now)
        numerals = self._numerals(now)
        self.display.put_up(numerals, now)
        if effects or now >= self._state_at:
            self.tell(now)
        self._take(effects, now, commanded(numerals))
        settled = self.recorder.settle(now)
        if settled or now >= self.checkpointer.due_at:
            self._keep(now)
        self._look_after_faults(now)
        news = settled or self.recorder.fresh or due != self.play_clock.deadline
        self._record(now)
        if news:
            self._notify(now)
        self._arm(now)

    def _look_after_faults(self, now: int) -> None:
        for handset in self.presence.newly_silent(now):
            self.recorder.note("fault", now, f"{self.crew[handset].name} not heard for 30 s")
        reason = self.watch.agreement.pass_time(now) or self.presence.alone(
            name(self.play_clock.state.down.phase), now
        )
        if reason is None:
            return
        if self.play_clock.boards is not Boards.OFF:
            self.checkpointer.off_why = reason
        self._give(Order(BoardsFault(reason), now, handset=None, role=Role.SERVICE), now)

    def _arm(self, now: int) -> None:
        """Set the one timer to whatever is due first."""
        due = min(self.display.due_at, self._state_at)
        for at in (self.play_clock.deadline, self.watch.agreement.deadline):
            if at is not None and at < due:
                due = at
        self._timer.arm(due, now)
