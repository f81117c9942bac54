"""The shell around the play clock: the one timer, the drivers, the order of things.

In one turn of the event loop: an order is decided and kept in the snapshot, the boards' frame is
written, the handsets are told; the journal and the observers come after and can never delay a
numeral. So no frame is ever ahead of what a restart knows. Everything that is refreshed is computed
from the play clock again; nothing repeats a stored frame.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from controller.journal.recorder import Recorder
from controller.recovery.checkpoint import Checkpointer
from controller.rulebook.wording import titled
from controller.rules.actions import Context
from controller.rules.effects import Decision, Effect, Marked, Nudged, ReachedZero, Result
from controller.rules.events import BoardsFault, Event, Order, Ready, Role, plain
from controller.rules.phases import Idle, Live, Running, Set, Stopped, name
from controller.rules.play_clock import PlayClock
from controller.rules.rulings import RuleSet
from controller.service.alarms import Alarms
from controller.service.answer_tally import AnswerTally
from controller.service.board_state import BoardState
from controller.service.crew import ANSWERS, KEY_WORDS, CrewMember, crew_state
from controller.service.deadline_timer import OneTimer
from controller.service.display import Display, commanded
from controller.service.handset_presence import Presence
from controller.service.handset_state import HandsetState, unheard
from controller.service.refusals import Refusals
from controller.service.supervisor import TaskScope, driver_tasks
from controller.service.watchdog import Evidence
from controller.status.document import Status
from drivers.base import (
    Answer,
    Board,
    BoardReport,
    Clock,
    CueCode,
    Handset,
    HearingHandset,
    Press,
    Rejection,
)

STATE_NS = 1_000_000_000
MS_NS = 1_000_000
CANNOT_ANSWER = "sent only: it cannot say what it shows"
OPEN_TO_ALL = "unauthenticated input: anyone could press its keys"
LARGEST_KEEPER = 999


class Service:
    """Runs one game. ``crew`` maps handset numbers to their people, 0 is the console.

    ``observers`` are called after anything changed, with nothing: they ask for the status when they
    are ready for one. ``brightness`` 1-15. ``off_why`` is the fault that put the boards off before
    the start. ``troubles`` tells at any time, at once, what beside the service is wrong, and why.
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
        off_why: str = "",
        troubles: Callable[[], Mapping[str, str]] = dict,
    ) -> None:
        self.observers: list[Callable[[], None]] = []
        self._play_clock = play_clock
        self._crew = crew
        self._recorder = recorder
        self._checkpointer = checkpointer or Checkpointer()
        self._last: Decision | None = None
        self._orders = 0
        self._marked: int | None = None
        self._nudged = False
        self._cued: tuple[CueCode | None, int] = (None, 0)
        self._troubles = troubles
        self._known_troubles: Mapping[str, str] = {}
        self._boards, self._handsets = tuple(boards), tuple(handsets)
        self._clock = clock
        now = clock()
        names = [each for board in self._boards for each in board.boards]
        answering = [each for board in self._boards for each in board.answering]
        self._board_state = BoardState(play_clock, names, answering, now, off_why)
        beacons = [n for each in self._handsets if each.beacons for n in each.serves if n in crew]
        shadows = [n for n, member in crew.items() if member.role is Role.SHADOW]
        self._presence = Presence(beacons, now, shadows)
        self._handset_state = HandsetState(crew, self._handsets, self._presence)
        self._alarms = Alarms()
        self._refusals = Refusals(crew, now)
        self._receivers = [each for each in self._handsets if isinstance(each, HearingHandset)]
        self._tally = AnswerTally(play_clock.state.down.phase)
        self._display = Display(self._boards, brightness, now)
        self._state_at = now
        self._scope = TaskScope()

    async def run(self) -> None:
        """Run until :meth:`stop`. Every way out leaves the boards dark.

        Raises what went wrong if it was a bug of ours; a driver's error never ends the service.
        """
        self._timer = OneTimer(self._clock, self._turn)
        tasks = driver_tasks(self, self._boards, self._handsets, self._clock)
        try:
            await self._scope.run_until_stopped(tasks, self._begin)
        finally:
            self._timer.disarm()
            now = self._clock()
            if (tally := self._tally.ended()) is not None:
                self._recorder.answered(now, tally)
            self._count_refused(now, at_the_end=True)
            self._recorder.settle(now, at_the_end=True)
            self._notify(now)
        self._keep(now, in_order=True)

    def _begin(self) -> None:
        """Show what is so, and write down which boards can never be called right and which keys
        anyone could press."""
        self._turn(now := self._clock())
        for board in self._boards:
            for each in board.boards:
                if each not in board.answering:
                    self._recorder.note("note", now, each, detail=CANNOT_ANSWER)
        for device in [each.name for each in self._handsets if not each.authenticated]:
            self._recorder.note("note", now, device, detail=OPEN_TO_ALL)

    def stop(self) -> None:
        """End the game: boards dark, then :meth:`run` returns."""
        self._scope.stop()

    # What it says of itself

    @property
    def rules(self) -> RuleSet:
        """The rule set of the game."""
        return self._play_clock.rules

    def status(self, now: int | None = None) -> Status:
        """Everything an observer may know, at ``now``, by default the present instant."""
        now = self._clock() if now is None else now
        play_clock, boards = self._play_clock, self._board_state
        down, rules = play_clock.state.down, play_clock.rules
        ruling, phase = down.ruling, down.phase
        handsets = self._handset_state.health(now)
        return Status(
            **self._of_the_last_order(),
            rules=titled(rules),
            phase=name(phase),
            numerals=play_clock.numerals(now),
            remaining_ms=self._remaining_ms(now),
            number_s=phase.seconds if isinstance(phase, Set | Running) else None,
            expires_at=play_clock.expires_at,
            boards=play_clock.boards.value,
            boards_why=boards.why,
            boards_dark=boards.dark,
            boards_fault=boards.fault,
            orders=self._orders,
            ending=ruling.ending if ruling else "",
            ruling_seconds=ruling.seconds if ruling else None,
            starts_on=ruling.starts_on.value if ruling else "",
            citation=ruling.citation if ruling else "",
            override=ruling.override if ruling else "",
            game=self._recorder.game,
            down=down.number,
            keeper=self._recorder.keeper,
            board_health=boards.health(),
            handset_health=handsets,
            journal=self._recorder.journal_fault,
            troubles=tuple(f"{what}: {why}" for what, why in self._known_troubles.items()),
            journal_head=self._recorder.journal_head,
            journal_doubt=self._recorder.journal_doubt,
            alarms=(*self._alarms.words(now), *unheard(handsets)),
            marked=self._marked,
            nudged=self._nudged and isinstance(phase, Live),
            next_s=self._next_s(now),
            made_at=now,
            unauthenticated=not all(each.authenticated for each in self._handsets),
            refused=self._refusals.counts(),
            refused_minute=": ".join(self._refusals.told[:2]) if self._refusals.told else "",
        )

    def _of_the_last_order(self) -> dict[str, Any]:
        """What the status says of the last order."""
        last = self._last
        if last is None:
            return {}
        order = last.order
        return {
            "last": self._words(order),
            "by": self._name_of(order),
            "by_handset": order.handset,
            "event": type(order.event).__name__,
            "ordered_at": order.at,
            "result": last.result.value,
            "reason": last.reason,
            "became": last.phase_after,
            "assumed": last.assumed,
            "promised": last.promised,
            "taken_back": self._words(last.taken_back) if last.taken_back else "",
        }

    def _next_s(self, now: int) -> int | None:
        """The number that the next ready would run; None while a count runs."""
        play_clock = self._play_clock
        down = play_clock.state.down
        match down.phase:
            case Running():
                return None
            case Set(seconds):
                return seconds
            case Idle() | Live():
                return play_clock.rules.administrative_s
        context = Context(down, Ready(), now, play_clock.rules, play_clock.settings)
        return context.what_follows.seconds

    def _remaining_ms(self, now: int) -> int | None:
        match self._play_clock.state.down.phase:
            case Running(_, _, expires_at, _):
                return max(0, expires_at - now) // MS_NS
            case Stopped(_, remaining_ns):
                return remaining_ns // MS_NS
        return None

    def hand_over(self, keeper: int) -> None:
        """Another keeper has it from now on: ``keeper`` is a number, 1 to 999, never a name.

        Raises ``ValueError`` for another number, and changes nothing then.
        """
        if not 1 <= keeper <= LARGEST_KEEPER:
            raise ValueError(f"keeper {keeper}: must be a number from 1 to {LARGEST_KEEPER}")
        now = self._clock()
        self._presence.console_used(now)
        self._recorder.keeper = keeper
        self._recorder.note("hand-over", now, f"keeper {keeper} has it")
        self._notify(now)

    def _words(self, order: Order) -> str:
        """What was ordered, in plain words."""
        rules = self._play_clock.rules
        return plain(order.event, rules.routine_s, rules.administrative_s)

    def _name_of(self, order: Order) -> str:
        """Who ordered it."""
        return order.role.value if order.handset is None else self._crew[order.handset].name

    @property
    def board_words(self) -> str:
        """How the boards stand in a few words, for the service manager."""
        return self._board_state.words

    def evidence(self) -> Evidence:
        """That the boards are being told, for the watchdog."""
        return Evidence(
            self._display.told,
            tuple(board.sent for board in self._boards),
            tuple(self._board_state.lost(board.boards) for board in self._boards),
        )

    # Before it runs

    def decide_again(
        self, order: Order, decided_at: int, received_at: int, wall_ns: int | None = None
    ) -> None:
        """Decide and write down an order whose frame may be on the boards already."""
        decided, effects = self._decide(order, decided_at)
        self._write(decided, effects, received_at, decided_at, wall_ns)

    # What becomes of the drivers

    def board_started(self, board: Board) -> None:
        """A driver of boards has its device open."""
        now = self._clock()
        numerals = self._numerals(now)
        if self._may_be_told(numerals, now):
            self._display.join(board, numerals, now)

    def handset_started(self, handset: Handset) -> None:
        """A driver of handsets has its device open."""
        self._tell(self._clock())

    def board_fault(self, board: Board, fault: str) -> None:
        """A driver of boards has lost its device, or has it again: ``fault`` is empty then."""
        now = self._clock()
        what = f"port of {', '.join(board.boards)}"
        news = self._board_state.port(board.boards, fault, now)
        self._turn(now)
        self._tell(now)
        if news:
            self._recorder.note("fault" if fault else "healed", now, what, detail=fault)
        self._notify(now)

    def handset_fault(self, handset: Handset, fault: str) -> None:
        """The same of a driver of handsets."""
        now = self._clock()
        self._handset_state.port(handset.name, fault)
        self._recorder.note("fault" if fault else "healed", now, handset.name, detail=fault)
        self._notify(now)

    # What comes in

    def key_pressed(self, press: Press) -> Answer:
        """A key edge from any handset: decided, shown and told in this very turn."""
        now = self._clock()
        member = self._crew.get(press.handset)
        if member is None:
            why = "not a handset of this crew"
            self._recorder.note(
                "rejected",
                now,
                KEY_WORDS[press.key],
                reason=why,
                edge_at=press.edge_at,
                handset=press.handset,
            )
            self._notify(now)
            return Answer.REFUSED
        if not self._presence.watches(press.handset) and member.role is not Role.SHADOW:
            self._presence.console_used(press.received_at)
        gesture, order = member.read(press)
        if order is None:
            answer = Answer.ASSUMED if gesture.doubtful else Answer.NO_CHANGE
            self._recorder.note(
                "no change",
                now,
                KEY_WORDS[press.key],
                reason=gesture.reason,
                edge_at=press.edge_at,
                gesture=gesture.started_at,
                handset=press.handset,
            )
            self._tell(now)
        else:
            decided, effects = self._decide(order, now)
            doubted = gesture.doubtful and decided.changed
            answer = Answer.ASSUMED if doubted else ANSWERS[decided.result]
            self._carry_out(decided, effects, press.received_at, now)
        self._notify(now)
        return answer

    def enter(self, event: Event) -> Decision:
        """An event typed on the console: named endings and timing corrections."""
        now = self._clock()
        self._presence.console_used(now)
        decided = self._give(Order(event, now, 0, self._crew[0].role), now)
        self._notify(now)
        return decided

    def handset_heard(
        self, handset: int, at: int, battery_hours: int | None, margin_db: int | None
    ) -> None:
        """An authentic frame came from a handset."""
        if handset in self._crew:
            self._handset_state.told(handset, battery_hours, margin_db)
            if self._presence.heard(handset, at):
                self._recorder.note("healed", at, f"{self._crew[handset].name} heard again")
                self._notify(at)

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        """A frame was not taken as a press: counted, recorded, and told when there are many."""
        news, cause = self._alarms.rejected(rejection, at)
        if self._refusals.refused(rejection.reason, rejection.handset, at):
            news = True
            what, whose = rejection.detail, rejection.handset
            self._recorder.note("rejected", at, rejection.reason, detail=what, handset=whose)
        if cause is not None:
            self._recorder.note("fault", at, cause.alarm, detail=cause.detail)
        if news:  # not for each frame of a flood
            self._notify(at)

    def board_answered(self, report: BoardReport) -> None:
        """A board said what it shows, or did not."""
        now = self._clock()
        boards = self._board_state
        was_dark, why = boards.dark, boards.dark_why
        turned, strange = boards.answered(report, now)
        self._tally.answered(report.board, report.answered)
        if boards.dark is not was_dark:
            self._turn(now)
            self._tell(now)
            kind = "healed" if was_dark else "fault"
            self._recorder.note(kind, now, "boards", detail=boards.dark_why or why)
        if turned:
            answer = f"{report.board}: {report.answered.value}"
            self._recorder.note("fault", now, answer, detail="; ".join(report.notes))
        if strange and self._alarms.foreign(now, report.other_version):
            what = "another controller on the boards' pair"
            self._recorder.note("fault", now, what, detail=report.other_version)
        if seen := boards.confirmed(report):
            self._recorder.note("confirmed", now, "boards confirmed", boards=seen)
        self._notify(now)

    # What goes out

    def _give(self, order: Order, now: int) -> Decision:
        """Decide an order that is not a press, and let everyone know."""
        decided, effects = self._decide(order, now)
        self._carry_out(decided, effects, now, now)
        return decided

    def _decide(self, order: Order, now: int) -> tuple[Decision, list[Effect]]:
        """Change the play clock, and nothing else yet."""
        decided, effects = self._play_clock.handle(order, now)
        if decided.changed:
            self._board_state.decided(order.event, now)
        else:  # an order that changes something answers a nudge that fell due with it
            self._cue(effects)
        self._last = decided
        self._orders += 1
        return decided, effects

    def _carry_out(
        self,
        decided: Decision,
        effects: Sequence[Effect],
        received_at: int,
        now: int,
    ) -> None:
        """Keep what was decided, put it on the boards, tell the handsets, write it down."""
        self._checkpointer.keep_order(decided.order, received_at, now)
        self._put_up(self._numerals(now), now)
        self._arm(now)
        self._tell(now)
        if decided.changed:
            self._marked, self._nudged = None, False
            self._board_state.commanded(received_at)
        self._write(decided, effects, received_at, now)

    def _write(
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
        if (tally := self._tally.now_in(self._play_clock.state.down.phase)) is not None:
            self._recorder.answered(now, tally)
        words, taken = self._words(decided.order), decided.taken_back
        took_back = self._words(taken) if taken else ""
        self._recorder.decided(
            decided, words, received_at, shown, wall_ns=wall_ns, took_back=took_back
        )

    def _numerals(self, now: int) -> int | None:
        """What the boards must show now: computed again each time."""
        return self._play_clock.numerals(now) if self._board_state.lit else None

    def _put_up(self, numerals: int | None, now: int) -> None:
        if self._may_be_told(numerals, now):
            self._display.put_up(numerals, now)

    def _may_be_told(self, numerals: int | None, now: int) -> bool:
        """Dark at any time; a number only while the one timer calls, without which nobody would
        ever tell the next one. A timer that is merely late calls right after this, and does it."""
        return numerals is None or not self._timer.overdue(now)

    def _keep(self, now: int, *, in_order: bool = False) -> None:
        """Keep everything for a restart."""
        boards = self._board_state
        self._checkpointer.keep(
            self._play_clock,
            self._recorder,
            now,
            off_why=boards.off_why,
            dark_why=boards.dark_why,
            in_order=in_order,
        )

    def _tell(self, now: int) -> None:
        """Tell the handsets the state, so that they can count and cue by themselves."""
        boards = self._board_state
        assumed = self._last is not None and self._last.result is Result.ASSUMED
        state = crew_state(
            self._play_clock, boards.lit, boards.dark, now, assumed=assumed, cued=self._cued
        )
        self._state_at = now + STATE_NS
        for handset in self._handsets:
            handset.tell(state)

    def _cue(self, effects: Sequence[Effect]) -> None:
        """What the crew shall feel though no key asked for it goes out with the next STATE."""
        for effect in effects:
            if isinstance(effect, Nudged):
                self._cued = CueCode.NUDGE, self._cued[1] + 1

    def _take(self, effects: Sequence[Effect], now: int, shown: str) -> None:
        for effect in effects:
            if isinstance(effect, Marked):
                self._marked = effect.seconds
            elif isinstance(effect, Nudged):
                self._nudged = True
                live_s = self._play_clock.settings.nudge_s
                words = f"ball live for {live_s:g} s: did the play end?"
                self._recorder.note("nudge", effect.at, words, phase_after="LIVE")
            elif isinstance(effect, ReachedZero):
                self._recorder.reached_zero(effect.at, now, shown)

    def _record(self, now: int) -> None:
        if self._recorder.fresh:
            self._keep(now)
        self._recorder.hand_over()

    def _notify(self, now: int) -> None:
        """The last things of a turn: the record, then whoever looks on."""
        self._record(now)
        for observer in self.observers:
            observer()

    def _turn(self, now: int) -> None:
        """Everything that is due at ``now``; numerals first."""
        due = self._play_clock.deadline
        effects = self._play_clock.pass_time(now)
        numerals = self._numerals(now)
        self._put_up(numerals, now)
        self._cue(effects)
        if effects or now >= self._state_at:
            self._tell(now)
        self._take(effects, now, commanded(numerals))
        settled = self._recorder.settle(now)
        if settled and self._recorder.in_a_game:
            self._play_clock.expect_no_opening()
        if settled or now >= self._checkpointer.due_at:
            self._keep(now)
        self._look_after_faults(now)
        self._count_refused(now)
        news = settled or self._recorder.fresh or due != self._play_clock.deadline
        self._record(now)
        if news:
            self._notify(now)
        self._arm(now)

    def _look_after_faults(self, now: int) -> None:
        known, self._known_troubles = self._known_troubles, self._troubles()
        for what, why in self._known_troubles.items():
            if known.get(what) != why:
                self._recorder.note("fault", now, what, detail=why)
        for what in known.keys() - self._known_troubles.keys():
            self._recorder.note("healed", now, what, detail=known[what])
        for handset in self._presence.newly_silent(now):
            self._recorder.note("fault", now, f"{self._crew[handset].name} not heard for 30 s")
        reason = self._board_state.pass_time(now) or self._presence.alone(
            name(self._play_clock.state.down.phase), now
        )
        if reason is not None:
            self._give(Order(BoardsFault(reason), now, handset=None, role=Role.SERVICE), now)

    def _count_refused(self, now: int, *, at_the_end: bool = False) -> None:
        for each in self._receivers:
            self._refusals.damaged(each.name, each.bad_frames, now)
        if self._refusals.pass_time(now, at_the_end=at_the_end) and self._refusals.told:
            event, reasons, total = self._refusals.told
            since = f"{total} since the start"
            self._recorder.note("rejected", now, event, reason=reasons, detail=since)

    def _arm(self, now: int) -> None:
        """Set the one timer to whatever is due first."""
        due = min(self._display.due_at, self._state_at)
        for at in (self._play_clock.deadline, self._board_state.deadline):
            if at is not None and at < due:
                due = at
        self._timer.arm(due, now)
