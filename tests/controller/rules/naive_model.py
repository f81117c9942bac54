"""A second play clock, written from the design's table alone: slow, plain, and of no cleverness.

It shares no code with the core but the events. Rulings are worked out from the raw rule-set file;
every instant is an int of nanoseconds; the whole history is kept as copies.
"""

from __future__ import annotations

import copy
import tomllib
from dataclasses import dataclass, field
from typing import Any

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


class NaiveRules:
    """One season of a rule-set file, read with nothing but ``tomllib``."""

    def __init__(self, text: str) -> None:
        self.season: dict[str, Any] = max(tomllib.loads(text)["seasons"], key=lambda s: s["from"])
        self.endings: dict[str, dict[str, Any]] = self.season["rulings"]
        self.routine: int = self.season["routine_s"]
        self.administrative: int = self.season["administrative_s"]
        rows = self.season.get("facts", [])
        for row in (each for each in rows if "starts_on" in each):  # a ruling of its own
            row["mean"] = f"{row['fact']}+{'+'.join(row['endings'])}"
            self.endings[row["mean"]] = row
        self.facts = {row["fact"] for row in rows if self.orders(row)} | {"cancelled"}

    def orders(self, row: dict[str, Any]) -> bool:
        """False for a fact that can only be asked about: no new count, or a reset at once."""
        ruling = self.endings[row["mean"]]
        return ruling.get("seconds") != "none" and ruling["starts_on"] != "referee_signal"

    def means(self, ending: str, named: set[str]) -> str:
        for row in self.season.get("facts", []):
            if row["fact"] in named and ending in row["endings"]:
                return str(row["mean"])
        return ending

    def answer(self, named: set[str]) -> tuple[int | None, str] | None:
        """Seconds and what starts them, for everything named in a down."""
        endings = {self.means(word, named) for word in named if word in self.endings}
        if "cancelled" in named:
            left = endings - set(self.season.get("cancelled", {}).get("endings", []))
            endings = left or endings
        spent: set[str] = set()
        for row in self.season.get("combinations", []):
            if set(row["all_of"]) <= endings:
                spent |= set(row["all_of"])
                endings = endings | {row["mean"]}
        endings -= spent
        found = [(self.endings[e].get("seconds"), self.endings[e]["starts_on"]) for e in endings]
        for wanted in (
            [r for r in found if r == (self.administrative, "ready_for_play")],
            [r for r in found if r[1] == "ready_for_play"],
            [r for r in found if r[1] == "dead_ball"],
            found,
        ):
            if wanted:
                return wanted[0]
        return None


@dataclass
class Now:
    """Everything that Undo gives back."""

    phase: str = "IDLE"
    seconds: int = 0
    expires: int = 0
    started: int = 0
    by: str = ""
    remaining: int = 0
    named: set[str] = field(default_factory=set)
    stoppage: int | None = None
    down: int = 0


@dataclass
class Accepted:
    role: Role
    before: Now


Saved = tuple[Now, list[Accepted], Order | None]


@dataclass
class Verdict:
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
        self.history: list[Accepted] = []
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
                    now.phase = "EXPIRED"
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
            self.now.named |= verdict.noted
            return verdict
        if isinstance(event, BoardsFault | MarkMoment):
            return verdict
        if isinstance(event, Undo) or verdict.given_back:
            self._settle(now)
            self.time = max(self.time, now)
            verdict.result = self._result()
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
        return copy.deepcopy((self.now, self.history, self.last))

    def _restore(self, saved: Saved) -> None:
        self.now, self.history, self.last = copy.deepcopy(saved)

    def _settle(self, at: int) -> None:
        """A count given back whose end has passed is at zero; nobody is told again."""
        if self.now.phase == "RUNNING" and self.now.expires <= max(at, self.time):
            self.now.phase = "EXPIRED"

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
        self.now = self.history.pop().before
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
        before = copy.deepcopy(self.now)
        verdict = self._move(event, at)
        if verdict.result not in (NO_CHANGE, REFUSED):
            self.history = [*self.history, Accepted(order.role, before)][-16:]
        elif verdict.result == NO_CHANGE and given_back:
            self.now = before
            self.now.named |= verdict.noted
            return Verdict(self._result(), given_back=True)
        return verdict

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
                return self._set(self._seconds(number))
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
        if event.ending in ONLY_LOOKED_UP:
            return Verdict(REFUSED)
        told = {event.ending} | set(event.facts)
        over = now.stoppage is not None and at - now.stoppage >= STOPPAGE_HOLDS
        lately = set() if over else now.named
        own = rules.endings[rules.means(event.ending, told | lately)]
        if own["starts_on"] == "referee_signal":
            return self._run(int(own["seconds"]), at, "referee")
        if own["starts_on"] == "dead_ball":
            return self._routine_end(told, at)
        answer = rules.answer(now.named | told)
        assert answer is not None and answer[0] is not None
        stays = now.phase == "EXPIRED" and event.ending in FOULS
        there = stays or (now.phase, now.seconds) == ("SET", answer[0])
        if there and told <= now.named:
            return Verdict(NO_CHANGE)
        now.named |= told
        now.stoppage = at
        if stays:
            now.by = ""
            return Verdict(HELD)
        return self._set(answer[0])

    def _routine_end(self, told: set[str], at: int) -> Verdict:
        now = self.now
        young = now.by == "dead ball" and at - now.started < SAME_DOWN
        if now.phase == "RUNNING" and young:
            return Verdict(NO_CHANGE, noted=frozenset(told))
        stopped = now.phase == "SET" and now.stoppage is not None
        if stopped and now.stoppage is not None and at - now.stoppage < STOPPAGE_HOLDS:
            return Verdict(NO_CHANGE, noted=frozenset(told))
        fresh = stopped or now.phase in ("RUNNING", "EXPIRED")
        if fresh:
            now.down += 1
        if fresh or now.phase == "STOPPED":
            now.named = set()
            now.stoppage = None
        now.named = now.named | told
        answer = self.rules.answer(now.named)
        assert answer is not None and answer[0] is not None
        if answer[1] == "dead_ball":
            self._run(answer[0], at, "dead ball")
            now.expires += self.start_lag
        else:
            self._set(answer[0])
        return Verdict(ASSUMED, "snap") if fresh else Verdict(self._result())

    def _ready(self, at: int) -> Verdict:
        now = self.now
        if now.phase == "RUNNING":
            return Verdict(NO_CHANGE)
        seconds, assumed = self.rules.administrative, False
        if now.phase == "SET":
            seconds = now.seconds
        elif now.phase in ("STOPPED", "EXPIRED"):
            seconds = self._what_follows()
        elif now.phase == "IDLE" or self.rules.endings["routine"]["starts_on"] == "dead_ball":
            assumed = True
        self._run(seconds, at, "ready")
        now.named, now.stoppage = set(), None
        return Verdict(ASSUMED if assumed else RUNNING)

    def _snap(self) -> Verdict:
        now = self.now
        if now.phase == "LIVE":
            return Verdict(NO_CHANGE)
        was_set = now.phase == "SET"
        self.now = Now(phase="LIVE", seconds=self.rules.routine, down=now.down + 1)
        return Verdict(ASSUMED, "ready") if was_set else Verdict(HELD)

    def _stop(self, at: int) -> Verdict:
        now = self.now
        if now.phase in ("IDLE", "LIVE"):
            return Verdict(REFUSED)
        if now.phase in ("SET", "EXPIRED"):
            return Verdict(NO_CHANGE)
        if now.phase == "STOPPED":
            return self._set(self._what_follows())
        now.phase = "STOPPED"
        now.remaining = now.expires - at
        return Verdict(HELD)

    def _correct(self, seconds: int, at: int) -> Verdict:
        phase = self.now.phase
        if phase == "LIVE":
            return Verdict(REFUSED)
        if seconds == 0:
            if (phase, self.now.by) == ("EXPIRED", "correction"):
                return Verdict(NO_CHANGE)
            self.now.phase, self.now.by = "EXPIRED", "correction"
            return Verdict(HELD)
        if phase == "RUNNING":
            return self._run(seconds, at, "referee")
        if (phase, self.now.seconds, self.now.by) == ("SET", seconds, "correction"):
            return Verdict(NO_CHANGE)
        self._set(seconds)
        self.now.by = "correction"
        return Verdict(HELD)

    # what the table's words mean

    def _seconds(self, number: Number) -> int:
        return self.rules.routine if number is Number.ROUTINE else self.rules.administrative

    def _what_follows(self) -> int:
        answer = self.rules.answer(self.now.named)
        if answer is not None and answer[1] == "ready_for_play" and answer[0] is not None:
            return answer[0]
        return self.rules.administrative

    def _set(self, seconds: int) -> Verdict:
        self.now.phase = "SET"
        self.now.seconds = seconds
        self.now.by = ""
        return Verdict(HELD)

    def _run(self, seconds: int, at: int, by: str) -> Verdict:
        self.now.phase = "RUNNING"
        self.now.seconds = seconds
        self.now.expires = at + seconds * S
        self.now.started = at
        self.now.by = by
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
