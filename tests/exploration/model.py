"""A second play clock, written from the design's table alone: slow, plain, and of no cleverness.

This is the one place where the table is written a second time. It shares no code with the core but
the events. Rulings are worked out from the rows of a rule set, with none of the core's algebra.
Every instant is an int of nanoseconds; what is known is never changed in place, so that a copy of
a clock is its own.
"""

from __future__ import annotations

import tomllib
from collections.abc import Set as Words
from typing import Any, NamedTuple, Self

from controller.rules.events import (
    BoardsFault,
    Event,
    HoldNumber,
    MarkMoment,
    NoCount,
    Number,
    Order,
    PlayEnded,
    Ready,
    Role,
    RunNumber,
    SetCount,
    Snap,
    Stop,
    ToggleBoards,
    Undo,
)
from controller.rules.rulings import RuleSet

S = 1_000_000_000
SAME_PRESS = 3 * S // 2
SAME_DOWN = 6 * S
STOPPAGE_HOLDS = 20 * S
FIELD_STANDS = 1 * S
FRESH_MARK = S // 2
FOULS = {"foul", "foul_offense", "foul_defense", "foul_both", "foul_before_snap", "delay_of_game"}
ONLY_LOOKED_UP = {
    "snap",
    "zero_no_foul",
    "boards_disagree",
    "slow_chains_no_reset",
    "less_time_than_play_clock",
}

RUNNING, HELD, NO_CHANGE, REFUSED, ASSUMED = "running", "held", "no change", "refused", "assumed"


GOES_ON = {
    "routine",
    "runner_down_inbounds",
    "line_to_gain_reached",
    "out_of_bounds",
    "incomplete_pass",
    "double_change_of_possession",
    "kick_no_new_series",
}
"""Ends of a play, and no stoppage, also in a code whose every count waits for the ready."""
LOW = "less_time_than_play_clock"
Answer = tuple[int | None, str]
"""Seconds, and what starts them."""


class NaiveRules:
    """One season of a rule set, as the rows of its file have it."""

    def __init__(self, season: dict[str, Any]) -> None:
        self.season = season
        rows = season.get("facts", [])
        self.endings: dict[str, dict[str, Any]] = dict(season["rulings"])
        self.routine: int = season["routine_s"]
        self.administrative: int = season["administrative_s"]
        self.waits = self.of("routine")[1] == "ready_for_play"
        """Every count of this code waits for the ready."""
        self.mean: dict[tuple[str, str], str] = {}
        for row in rows:
            for ending in row["endings"]:
                mean = row.get("mean") or f"{ending}+{row['fact']}"  # a ruling of its own
                self.endings.setdefault(mean, row)
                self.mean[ending, row["fact"]] = mean
        told = {fact for _, fact in self.mean} | self.cancelling()
        self.facts = told - {fact for (_, fact), mean in self.mean.items() if self.silent(mean)}

    @classmethod
    def read(cls, text: str) -> Self:
        """The newest season of a file, read with nothing but ``tomllib``."""
        return cls(max(tomllib.loads(text)["seasons"], key=lambda season: season["from"]))

    @classmethod
    def of_rule_set(cls, rules: RuleSet) -> Self:
        """The rows of a rule set that was built from others: by ``like``, or by an option."""
        rulings = {**rules.rulings, **rules.variants}
        rows = [
            {"fact": fact, "endings": [ending], "mean": mean}
            for (ending, fact), mean in rules.with_fact.items()
        ]
        together = [{"all_of": each.all_of, "mean": each.mean} for each in rules.combinations]
        return cls(
            {
                "routine_s": rules.routine_s,
                "administrative_s": rules.administrative_s,
                "marks": rules.marks,
                "routine_marks": rules.routine_marks,
                "rulings": {
                    name: {"seconds": each.seconds, "starts_on": each.starts_on.value}
                    for name, each in rulings.items()
                },
                "facts": rows,
                "combinations": together,
                "cancelled": {"endings": rules.cancelled},
            }
        )

    def cancelling(self) -> set[str]:
        """The fact that takes results back, where a rule set has any that can be."""
        return {"cancelled"} if self.season.get("cancelled", {}).get("endings") else set()

    def of(self, name: str) -> Answer:
        """The ruling of an ending, or of one with a fact."""
        row = self.endings[name]
        seconds = row.get("seconds")
        return (None if seconds == "none" else seconds, row["starts_on"])

    def silent(self, name: str) -> bool:
        """True for what can only be asked about: no new count, or a reset at once."""
        seconds, starts_on = self.of(name)
        return seconds is None or starts_on == "referee_signal"

    def means(self, ending: str, named: Words[str]) -> str:
        for fact in sorted(named):
            ending = self.mean.get((ending, fact), ending)
        return ending

    def answer(self, named: Words[str]) -> Answer | None:
        """Seconds and what starts them, for everything named in a down."""
        facts = named & self.facts
        endings = {self.means(word, facts) for word in named if word in self.endings}
        for row in self.season.get("combinations", []):
            if set(row["all_of"]) <= endings:
                endings = endings - set(row["all_of"]) | {row["mean"]}
        if "cancelled" in facts:
            over = self.season["cancelled"]["endings"]
            endings = {each for each in endings if each.split("+")[0] not in over} or endings
        found = [self.of(each) for each in sorted(endings)]
        for wanted in (
            [r for r in found if r == (self.administrative, "ready_for_play")],
            [r for r in found if r[1] == "ready_for_play"],
            [r for r in found if r[1] == "dead_ball"],
            found,
        ):
            if wanted:
                return wanted[0]
        return None


class Now(NamedTuple):
    """Everything that Undo gives back."""

    phase: str = "IDLE"
    seconds: int = 0
    expires: int = 0
    started: int = 0
    by: str = ""
    """What put the number up: "dead ball", "ready" or "referee" started it, or it is of a "ruling",
    a "key" or a "correction"; "low" left it out."""
    remaining: int = 0
    named: frozenset[str] = frozenset()
    stoppage: int | None = None
    down: int = 0


class Accepted(NamedTuple):
    role: Role
    before: Now


Saved = tuple[Now, tuple[Accepted, ...], Order | None]


class Verdict(NamedTuple):
    result: str
    assumed: str = ""
    given_back: bool = False
    noted: frozenset[str] = frozenset()


class NaiveClock:
    """The play clock of the design, told slowly."""

    def __init__(self, rules: NaiveRules, start_lag: int = 0) -> None:
        self.rules = rules
        self.start_lag = start_lag
        self.now = Now()
        self.time = 0
        self.off = False
        self.history: tuple[Accepted, ...] = ()
        self.last: Order | None = None
        self.newest: tuple[Order, Saved] | None = None

    # what is shown

    def numerals(self, at: int) -> int | None:
        now = self.now
        if now.phase == "IDLE":
            return None
        if now.phase == "EXPIRED":
            return 0
        if now.phase in ("SET", "LIVE"):
            return now.seconds
        left = now.expires - at if now.phase == "RUNNING" else now.remaining
        for shown in range(now.seconds):
            if left <= shown * S:
                return shown
        return now.seconds

    def boards(self) -> str:
        if self.off:
            return "off"
        return "blank" if self.now.phase == "IDLE" else "lit"

    def deadline(self) -> int | None:
        if self.now.phase != "RUNNING":
            return None
        changes = [self.now.expires - shown * S for shown in range(self.now.seconds)]
        return min(change for change in changes if change > self.time)

    # time

    def pass_time(self, to: int) -> list[tuple[str, int, int]]:
        """What the crew is told on the way: ("mark", seconds, at) and ("zero", 0, at)."""
        told: list[tuple[str, int, int]] = []
        now = self.now
        if now.phase == "RUNNING":
            for shown in range(now.seconds - 1, -1, -1):
                at = now.expires - shown * S
                if not self.time < at <= to:
                    continue
                marks = list(self.rules.season["marks"])
                if now.seconds == self.rules.routine:
                    marks += self.rules.season.get("routine_marks", [])
                if shown == 0:
                    told.append(("zero", 0, at))
                    self._become(phase="EXPIRED")
                if shown in marks and (shown == 0 or to - at <= FRESH_MARK):
                    told.append(("mark", shown, at))
        self.time = max(self.time, to)
        return told

    # orders

    def handle(self, order: Order, now: int) -> Verdict:
        """Decide; time has been passed to ``order.at`` by the caller."""
        event = order.event
        if order.role is Role.SHADOW:
            return Verdict(REFUSED)
        if self._again(order):
            return Verdict(NO_CHANGE)
        saved = self._save()
        verdict = self._decide(order)
        if verdict.result in (NO_CHANGE, REFUSED):
            self._restore(saved)
            self._become(named=self.now.named | verdict.noted)
            return verdict
        if isinstance(event, BoardsFault | MarkMoment):
            return verdict
        if isinstance(event, Undo) or verdict.given_back:
            self._settle(now)
            self.time = max(self.time, now)
            verdict = verdict._replace(result=self._result())
        if verdict.given_back:
            self.newest = None
        else:
            self.last = order
            self._keep_gesture(order, saved)
        return verdict

    def _again(self, order: Order) -> bool:
        last = self.last
        if last is None or isinstance(order.event, Undo):
            return False
        return order.event == last.event and order.at - last.at < SAME_PRESS

    def _keep_gesture(self, order: Order, before: Saved) -> None:
        if self._grows(order):
            assert self.newest is not None
            before = self.newest[1]
        self.newest = (order, before)

    def _grows(self, order: Order) -> bool:
        """True for a further tap of the newest gesture."""
        if self.newest is None or order.gesture_at is None:
            return False
        first = self.newest[0]
        return (first.handset, first.gesture_at) == (order.handset, order.gesture_at)

    def _save(self) -> Saved:
        return self.now, self.history, self.last

    def _restore(self, saved: Saved) -> None:
        self.now, self.history, self.last = saved

    def _become(self, **changed: Any) -> None:
        self.now = self.now._replace(**changed)

    def _settle(self, at: int) -> None:
        """A count given back whose end has passed is at zero; nobody is told again."""
        if self.now.phase == "RUNNING" and self.now.expires <= max(at, self.time):
            self._become(phase="EXPIRED")

    def _decide(self, order: Order) -> Verdict:
        event = order.event
        given_back = False
        if order.amends and self.newest and self._grows(order):
            self._restore(self.newest[1])
            self._settle(order.at)
            given_back = True
            if self._again(order):
                return Verdict(self._result(), given_back=True)
        if isinstance(event, MarkMoment):
            return Verdict(HELD)
        if isinstance(event, ToggleBoards):
            self.off = not self.off
            return Verdict(HELD)
        if isinstance(event, BoardsFault):
            was, self.off = self.off, True
            return Verdict(NO_CHANGE if was else HELD)
        if isinstance(event, Undo):
            return self._undo(order)
        return self._press(order, given_back)

    def _undo(self, order: Order) -> Verdict:
        if not self.history:
            return Verdict(REFUSED)
        if order.role is Role.KEEPER and self.history[-1].role is Role.FIELD:
            return Verdict(REFUSED)
        *left, taken = self.history
        self.now, self.history = taken.before, tuple(left)
        self._settle(order.at)
        return Verdict(self._result())

    def _press(self, order: Order, given_back: bool) -> Verdict:
        event, at = order.event, order.at
        if self.newest and not given_back:
            first, saved = self.newest
            if at - first.at < FIELD_STANDS and contradicts(first.event, event):
                if (first.role, order.role) == (Role.FIELD, Role.KEEPER):
                    return Verdict(REFUSED)
                if (first.role, order.role) == (Role.KEEPER, Role.FIELD):
                    self._restore(saved)
                    given_back = True
                    if self._again(order):
                        self._settle(at)
                        return Verdict(self._result(), given_back=True)
        self._settle(at)
        before = self.now
        verdict = self._left_out(order, before, self._move(event, at))
        if verdict.result not in (NO_CHANGE, REFUSED):
            self.history = (*self.history, Accepted(order.role, before))[-16:]
        elif verdict.result == NO_CHANGE and given_back:
            self.now = before._replace(named=before.named | verdict.noted)
            return Verdict(self._result(), given_back=True)
        return verdict

    def _left_out(self, order: Order, was: Now, verdict: Verdict) -> Verdict:
        """No count is started by dead ball or ready when a running game clock has less time."""
        left_s, now = order.game_clock_s, self.now
        started = now.phase == "RUNNING" and now.by != "referee" and now.started == order.at
        if left_s is None or not started or verdict.result == NO_CHANGE:
            return verdict
        if left_s >= now.seconds or self.rules.of(LOW)[0] is not None:
            return verdict
        self.now = Now(named=now.named, stoppage=now.stoppage, down=now.down, by="low")
        if self.now == was:
            return Verdict(NO_CHANGE)
        return verdict._replace(result=ASSUMED if verdict.result == ASSUMED else HELD)

    def _result(self) -> str:
        return RUNNING if self.now.phase == "RUNNING" else HELD

    # the table, one event after another

    def _move(self, event: Event, at: int) -> Verdict:
        match event:
            case PlayEnded():
                return self._play_ended(event, at)
            case HoldNumber(number):
                if (self.now.phase, self.now.seconds) == ("SET", self._seconds(number)):
                    return Verdict(NO_CHANGE)
                return self._set(self._seconds(number), "key")
            case RunNumber(number):
                return self._run(self._seconds(number), at, "referee")
            case Ready():
                return self._ready(at)
            case Snap():
                return self._snap()
            case Stop():
                return self._stop(at)
            case NoCount():
                if self.now.phase == "IDLE":
                    return Verdict(NO_CHANGE)
                self.now = Now(down=self.now.down)
                return Verdict(HELD)
            case SetCount(seconds):
                return self._correct(seconds, at)
        raise AssertionError(event)

    def _play_ended(self, event: PlayEnded, at: int) -> Verdict:
        now, rules = self.now, self.rules
        if event.ending not in rules.endings or not event.facts <= rules.facts:
            return Verdict(REFUSED)
        if event.ending in ONLY_LOOKED_UP or rules.of(event.ending)[0] is None:
            return Verdict(REFUSED)
        told = {event.ending} | event.facts
        over = now.stoppage is not None and at - now.stoppage >= STOPPAGE_HOLDS
        lately = frozenset() if over else now.named
        means = rules.means(event.ending, (told | lately) & rules.facts)
        seconds, starts_on = rules.of(means)
        if starts_on == "referee_signal":
            assert seconds is not None
            return self._run(seconds, at, "referee")
        if means in GOES_ON if rules.waits else starts_on == "dead_ball":
            return self._routine_end(told, at)
        named = now.named | told
        answer = rules.answer(named)
        assert answer is not None and answer[0] is not None
        foul = rules.means(event.ending, named & rules.facts).split("+")[0] in FOULS
        stays = now.phase == "EXPIRED" and foul
        if told <= now.named and (stays or (now.phase, now.seconds) == ("SET", answer[0])):
            return Verdict(NO_CHANGE)
        if stays:
            self._become(by="ruling")
        else:
            self._set(answer[0], "ruling")
        self._become(named=named, stoppage=at)
        return Verdict(HELD)

    def _routine_end(self, told: Words[str], at: int) -> Verdict:
        now = self.now
        young = now.by == "dead ball" and at - now.started < SAME_DOWN
        if now.phase == "RUNNING" and young:
            return Verdict(NO_CHANGE, noted=frozenset(told))
        stopped = now.phase == "SET" and now.stoppage is not None
        if stopped and now.stoppage is not None and at - now.stoppage < STOPPAGE_HOLDS:
            return Verdict(NO_CHANGE, noted=frozenset(told))
        fresh = stopped or now.phase in ("RUNNING", "EXPIRED")
        if fresh:
            self._become(down=now.down + 1)
        if fresh or now.phase == "STOPPED":
            self._become(named=frozenset(), stoppage=None)
        self._become(named=self.now.named | told)
        answer = self.rules.answer(self.now.named)
        assert answer is not None and answer[0] is not None
        if answer[1] == "dead_ball":
            self._run(answer[0], at, "dead ball")
            self._become(expires=self.now.expires + self.start_lag)
        else:
            self._set(answer[0], "ruling")
            if self.now == now:
                return Verdict(NO_CHANGE)
        return Verdict(ASSUMED, "snap") if fresh else Verdict(self._result())

    def _ready(self, at: int) -> Verdict:
        now = self.now
        if now.phase == "RUNNING":
            return Verdict(NO_CHANGE)
        seconds, assumed = self.rules.administrative, False
        if now.phase == "SET":
            seconds = now.seconds
        elif now.phase in ("STOPPED", "EXPIRED"):
            seconds, _ = self._what_follows()
        elif now.phase == "IDLE" or not self.rules.waits:
            assumed = True
        self._run(seconds, at, "ready")
        self._become(named=frozenset(), stoppage=None)
        return Verdict(ASSUMED if assumed else RUNNING)

    def _snap(self) -> Verdict:
        now = self.now
        if now.phase == "LIVE":
            return Verdict(NO_CHANGE)
        self.now = Now(phase="LIVE", seconds=self.rules.routine, down=now.down + 1)
        return Verdict(ASSUMED, "ready") if now.phase == "SET" else Verdict(HELD)

    def _stop(self, at: int) -> Verdict:
        now = self.now
        if now.phase in ("IDLE", "LIVE"):
            return Verdict(REFUSED)
        if now.phase in ("SET", "EXPIRED"):
            return Verdict(NO_CHANGE)
        if now.phase == "STOPPED":
            return self._set(*self._what_follows())
        self._become(phase="STOPPED", remaining=now.expires - at)
        return Verdict(HELD)

    def _correct(self, seconds: int, at: int) -> Verdict:
        now = self.now
        if now.phase == "LIVE":
            return Verdict(REFUSED)
        if seconds and now.phase == "RUNNING":
            return self._run(seconds, at, "referee")
        if seconds:
            self._set(seconds, "correction")
        else:
            self._become(phase="EXPIRED", seconds=0, by="correction")
        return Verdict(NO_CHANGE if self.now == now else HELD)

    # what the table's words mean

    def _seconds(self, number: Number) -> int:
        return self.rules.routine if number is Number.ROUTINE else self.rules.administrative

    def _what_follows(self) -> tuple[int, str]:
        answer = self.rules.answer(self.now.named)
        if answer is not None and answer[1] == "ready_for_play" and answer[0] is not None:
            return answer[0], "ruling"
        return self.rules.administrative, "key"

    def _set(self, seconds: int, by: str) -> Verdict:
        now = self.now
        self.now = Now("SET", seconds, 0, 0, by, 0, now.named, now.stoppage, now.down)
        return Verdict(HELD)

    def _run(self, seconds: int, at: int, by: str) -> Verdict:
        expires = at + seconds * S
        self._become(phase="RUNNING", seconds=seconds, expires=expires, started=at, by=by)
        return Verdict(RUNNING)


NEVER = SetCount | Undo | ToggleBoards | BoardsFault | MarkMoment


def contradicts(first: Event, second: Event) -> bool:
    """Two presses by different people that cannot both be meant."""
    harmless = (
        (Ready, Snap),
        (HoldNumber, Ready),
        (RunNumber, Snap),
        (Snap, PlayEnded),
        (PlayEnded, PlayEnded),
    )
    if first == second or isinstance(first, NEVER) or isinstance(second, NEVER):
        return False
    return not any(isinstance(first, a) and isinstance(second, b) for a, b in harmless)
