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

from controller.rules import events
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

HELD_25 = events.HoldNumber(events.Number.ADMINISTRATIVE)
OVERRULED = 10 * S
LONG_BREAK = 300 * S
QUARTER_BREAK = 600 * S
"""Longer than any between two quarters: the keeper has lost count of the periods."""
CAUSELESS = {"official_timeout", "stoppage", "in_doubt", "administrative"}
TEAM_FOULED = {"foul_offense", "foul_defense", "foul_both", "delay_of_game"}
TEAM_HURT = {"injury_offense", "injury_defense", "injury_both"}
TEAM_GEAR = {"equipment_offense", "equipment_defense", "helmet_off_runoff"}
CAUSES = {
    *("foul", "foul_before_snap", "injury_or_helmet_any", "equipment_any", "defense_only"),
    *("charged_timeout", "charged_timeout_after_injury_defense", "measurement"),
    *("inadvertent_whistle", "replay_review", "coach_conference", "two_minute_timeout"),
    *("media_timeout", "media_timeout_after_injury_defense"),
}
SAYS_LESS: dict[str, set[str]] = {
    "foul": TEAM_FOULED,
    "foul_before_snap": TEAM_FOULED,
    "injury_or_helmet_any": TEAM_HURT | TEAM_GEAR,
    "equipment_any": TEAM_GEAR,
    "field_goal_or_safety": {"field_goal", "safety", "touchdown"},
} | dict.fromkeys(CAUSELESS, CAUSES | TEAM_FOULED | TEAM_HURT | TEAM_GEAR)
"""A vague word, and the exact ones of its kind that it gives way to."""
ENDS_EXACTLY = {
    *("change_of_possession", "kick_new_series", "kick_no_new_series", "before_free_kick"),
    *("touchdown", "try_over", "field_goal", "safety"),
}
SCORES = {"touchdown", "field_goal", "safety", "field_goal_or_safety"}
ENDS_A_TRY = (ENDS_EXACTLY | SCORES) - {"try_over", "before_free_kick"}
"""Whatever of these is told of a try, it is over."""
WHISTLED = GOES_ON - {"kick_no_new_series"} | {"pile_unpile"}
"""Ends of a play that do not say what kind of play it was."""
TRY, FREE_KICK = "try", "free_kick"
PROMISED_BY = {
    TRY: {"touchdown"},
    FREE_KICK: {"try_over", "field_goal", "safety", "field_goal_or_safety", "before_free_kick"},
}
PROMISED_AGAIN = {TRY: "try_again", FREE_KICK: "free_kick_again"}
ENDS_WITH = {TRY: ("try_over",), FREE_KICK: ("kick_new_series", "free_kick")}
"""What somebody would have told who told the end of a promised play: ending, then facts."""
COMES_BEFORE = {TRY: "touchdown", FREE_KICK: "before_free_kick"}
SAID_AS_OVER = {TRY: "try over", FREE_KICK: "free kick ended"}
SAID_OF_A_HALF = "first play of the half"
KICKS_IN_OVERTIME = {"nfl"}
PERIODS = 4
NO_KICKOFFS = {"flag", "nfhs_flag"}
"""Codes whose game and halves begin at a spot, and which know no kick after a score."""
INJURED_FIRST = (
    {"injury_offense", "equipment_offense"},
    {"injury_defense", "equipment_defense"},
    "offense_first",
)
"""One of the first told, then one of the second: the fact is noted by itself."""
IN_ORDER_SINCE = {"nfhs": 2020, "nfhs_reduced": 2020}
"""The codes, with their first season, in which the order of the injuries counts."""
ALWAYS_KNOWN = {
    *("fourth_down", "new_series", "by_defense_only", "cancelled", "free_kick", "scrimmage_kick"),
    *("last_three_minutes", "late_in_half", "game_clock_running", "game_clock_low"),
    *("penalty_pending", "pumped", "offense_first", "defender_out_of_bounds", "referee_chose_40"),
    *("failed_try", "declined", "waved_off", "try_again", "free_kick_again", "after_spot"),
}
"""Facts that may be told under every rule set, whether they change anything or not."""


class NaiveRules:
    """One season of a rule set, as the rows of its file have it."""

    def __init__(self, season: dict[str, Any]) -> None:
        self.season = season
        code: str = season["code"]
        self.kickoffs = code not in NO_KICKOFFS
        self.kicks_in_overtime = code in KICKS_IN_OVERTIME
        self.in_order = code in IN_ORDER_SINCE and season["from"] >= IN_ORDER_SINCE[code]
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
        file = tomllib.loads(text)
        newest = max(file["seasons"], key=lambda season: season["from"])
        return cls({**newest, "code": file["code"]})

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
                "code": rules.code,
                "from": rules.season_from,
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

    def meant(self, named: Words[str]) -> set[str]:
        """What the endings named in a down count as."""
        return {self.means(word, named & self.facts) for word in named if word in self.endings}

    def given_way(self, named: Words[str]) -> set[str]:
        """The vague ones of these that an exact one of their kind has displaced."""
        meant = self.meant(named)
        told = {plain(each) for each in meant}
        return {each for each in meant if SAYS_LESS.get(plain(each), set()) & told}

    def vague_after_exact(self, ending: str, facts: Words[str], named: Words[str]) -> bool:
        """True for a word that says less than what was told of the down already."""
        word = self.means(ending, (facts | named) & self.facts)
        meant = self.meant(named)
        told = {plain(each) for each in meant - self.cancelled(meant, named)}
        return bool(SAYS_LESS.get(plain(word), set()) & told)

    def stand(self, named: Words[str], besides: Words[str] = frozenset()) -> set[str]:
        """What stands of all that was named in a down, and of what is known ``besides``."""
        facts = named | besides
        endings = self.meant(named | besides) - self.given_way(named | besides)
        endings |= {self.means(each, facts & self.facts) for each in besides & self.endings.keys()}
        for row in self.season.get("combinations", []):
            if set(row["all_of"]) <= endings:
                mean = self.means(row["mean"], facts & self.facts)
                endings = endings - set(row["all_of"]) | {mean}
        return endings

    def cancelled(self, endings: Words[str], named: Words[str]) -> set[str]:
        """Those that a penalty has taken back."""
        over = self.season["cancelled"]["endings"] if "cancelled" in named & self.facts else ()
        return {each for each in endings if plain(each) in over}

    def promise(
        self, named: Words[str], besides: Words[str] = frozenset(), overtime: bool = False
    ) -> str:
        """The play that comes next, by what was told."""
        plays = [each for each in PROMISED_BY if self.has(each, overtime)]
        for play in plays:
            if PROMISED_AGAIN[play] in named:
                return play
        stands = self.stand(named, besides)
        stands -= self.cancelled(stands, named)
        for play in plays:
            if PROMISED_BY[play] & {plain(each) for each in stands}:
                return play
        return ""

    def has(self, play: str, overtime: bool = False) -> bool:
        """True where the code knows the play, in overtime too."""
        return play == TRY or (self.kickoffs and not (overtime and not self.kicks_in_overtime))

    def answer(self, named: Words[str], besides: Words[str] = frozenset()) -> Answer | None:
        """Seconds and what starts them, for everything named in a down."""
        endings = self.stand(named, besides)
        endings = endings - self.cancelled(endings, named) or endings
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


def plain(name: str) -> str:
    """An ending without the fact that gave it a ruling of its own."""
    return name.partition("+")[0]


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
    signal: str = ""
    """The word for the referee's signal that started the count."""
    named: frozenset[str] = frozenset()
    """What was told since the last snap or ready."""
    told: tuple[tuple[str, int], ...] = ()
    """The same endings, in the order in which they were told first, with the instants."""
    stoppage: int | None = None
    down: int = 0
    promised: str = ""
    """The play told to come next, before this down told anything itself."""
    playing: str = ""
    """The promised play that is in progress, or has ended in this down."""
    ended: int | None = None
    """When its end was taken as told, and put up its number."""
    overruled: bool = False
    """The keeper knew better; nothing was told since."""
    readied: Now | None = None
    """What the last ready found."""
    overtime: bool = False
    opening: bool = False
    """Nothing was ordered in the game yet but 25, held, and no count."""
    kick_up: bool = False
    """Of these, 25 held was."""
    periods: int = 0
    """So many were told over."""
    between: bool = False
    """No play was since the last of them."""


class Accepted(NamedTuple):
    role: events.Role
    before: Now
    order: events.Order


Saved = tuple[Now, tuple[Accepted, ...], events.Order | None]


class Verdict(NamedTuple):
    result: str
    assumed: str = ""
    given_back: bool = False
    noted: frozenset[str] = frozenset()
    promised: str = ""
    gave_way: tuple[tuple[str, int], ...] = ()
    """Each word that lost its place by this order, and how long ago it was told."""
    made_exact: tuple[tuple[str, int], ...] = ()
    """The same of those that a fact made exact."""
    taken_back: events.Order | None = None


class NaiveClock:
    """The play clock of the design, told slowly."""

    def __init__(
        self, rules: NaiveRules, start_lag: int = 0, nudge: int = 20 * S, opening: bool = True
    ) -> None:
        self.rules = rules
        self.start_lag = start_lag
        self.nudge = nudge
        self.now = Now(opening=opening)
        self.time = 0
        self.off = False
        self.history: tuple[Accepted, ...] = ()
        self.last: events.Order | None = None
        self.newest: tuple[events.Order, Saved] | None = None

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
        if self.now.phase == "LIVE" and self.nudge and self.now.started + self.nudge > self.time:
            return self.now.started + self.nudge
        if self.now.phase != "RUNNING":
            return None
        changes = [self.now.expires - shown * S for shown in range(self.now.seconds)]
        return min(change for change in changes if change > self.time)

    # time

    def pass_time(self, to: int) -> list[tuple[str, int, int]]:
        """What the crew is told on the way: ("mark", seconds, at), ("zero", 0, at) and ("nudge", 0,
        at)."""
        told: list[tuple[str, int, int]] = []
        now = self.now
        if now.phase == "LIVE" and self.nudge and self.time < now.started + self.nudge <= to:
            told.append(("nudge", 0, now.started + self.nudge))
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

    def handle(self, order: events.Order, now: int) -> Verdict:
        """Decide; time has been passed to ``order.at`` by the caller."""
        event = order.event
        if order.role is events.Role.SHADOW:
            return Verdict(REFUSED)
        if self._again(order):
            return Verdict(NO_CHANGE)
        saved = self._save()
        verdict = self._decide(order)
        if verdict.result in (NO_CHANGE, REFUSED):
            self._restore(saved)
            self._tell(verdict.noted, order.at)
            return verdict
        if isinstance(event, events.BoardsFault | events.MarkMoment):
            return verdict
        if isinstance(event, events.Undo) or verdict.given_back:
            self._settle(now)
            self.time = max(self.time, now)
            verdict = verdict._replace(result=self._result())
        if verdict.given_back:
            self.newest = None
        else:
            self.last = order
            self._keep_gesture(order, saved)
        return verdict

    def _again(self, order: events.Order) -> bool:
        last = self.last
        if last is None or isinstance(order.event, events.Undo):
            return False
        if isinstance(order.event, events.Stop) and order.handset == last.handset:
            return False
        return order.event == last.event and order.at - last.at < SAME_PRESS

    def _keep_gesture(self, order: events.Order, before: Saved) -> None:
        if self._grows(order):
            assert self.newest is not None
            before = self.newest[1]
        self.newest = (order, before)

    def _grows(self, order: events.Order) -> bool:
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

    def _decide(self, order: events.Order) -> Verdict:
        event = order.event
        given_back = False
        if order.amends and self.newest and self._grows(order):
            self._restore(self.newest[1])
            self._settle(order.at)
            given_back = True
            if self._again(order):
                return Verdict(self._result(), given_back=True)
        if isinstance(event, events.MarkMoment):
            return Verdict(HELD)
        if isinstance(event, events.ToggleBoards):
            self.off = not self.off
            return Verdict(HELD)
        if isinstance(event, events.BoardsFault):
            was, self.off = self.off, True
            return Verdict(NO_CHANGE if was else HELD)
        if isinstance(event, events.Undo):
            return self._undo(order)
        return self._press(order, given_back)

    def _undo(self, order: events.Order) -> Verdict:
        if not self.history:
            return Verdict(REFUSED)
        if order.role is events.Role.KEEPER and self.history[-1].role is events.Role.FIELD:
            return Verdict(REFUSED)
        *left, taken = self.history
        self.now, self.history = taken.before, tuple(left)
        self._settle(order.at)
        return Verdict(self._result(), taken_back=taken.order)

    def _press(self, order: events.Order, given_back: bool) -> Verdict:
        event, at = order.event, order.at
        if self.newest and not given_back:
            first, saved = self.newest
            if at - first.at < FIELD_STANDS and contradicts(first.event, event):
                if (first.role, order.role) == (events.Role.FIELD, events.Role.KEEPER):
                    return Verdict(REFUSED)
                if (first.role, order.role) == (events.Role.KEEPER, events.Role.FIELD):
                    self._restore(saved)
                    given_back = True
                    if self._again(order):
                        self._settle(at)
                        return Verdict(self._result(), given_back=True)
        self._settle(at)
        before = self.now
        opens = self._opens(event, at)
        verdict = self._left_out(order, before, self._move(event, at))
        if verdict.result not in (NO_CHANGE, REFUSED):
            if not opens or self.next_play():
                self._become(opening=False, kick_up=False)
            elif event == HELD_25 and self.now.opening:
                self._become(kick_up=True)
            self.history = (*self.history, Accepted(order.role, before, order))[-16:]
        elif verdict.result == NO_CHANGE and given_back:
            self.now = before
            self._tell(verdict.noted, at)
            return Verdict(self._result(), given_back=True)
        return verdict

    def _opens(self, event: events.Event, at: int) -> bool:
        """True for what may come before an opening kickoff: 25 held and no count, then a stoppage
        and a stop too."""
        if isinstance(event, events.PlayEnded):
            return self.now.kick_up and self._kind(event, at)[0] == "stoppage"
        if isinstance(event, events.Stop):
            return self.now.kick_up
        return event == HELD_25 or isinstance(event, events.NoCount)

    def _left_out(self, order: events.Order, was: Now, verdict: Verdict) -> Verdict:
        """No count is started by dead ball or ready when a running game clock has less time."""
        left_s, now = order.game_clock_s, self.now
        started = now.phase == "RUNNING" and now.by != "referee" and now.started == order.at
        if left_s is None or not started or verdict.result == NO_CHANGE:
            return verdict
        if left_s >= now.seconds or self.rules.of(LOW)[0] is not None:
            return verdict
        self._become(phase="IDLE", seconds=0, expires=0, started=0, by="low", readied=None)
        if self._same_as(was):
            return Verdict(NO_CHANGE)
        assumed = ASSUMED if verdict.result == ASSUMED else HELD
        return verdict._replace(result=assumed, promised="")

    def _result(self) -> str:
        return RUNNING if self.now.phase == "RUNNING" else HELD

    # the table, one event after another

    def _move(self, event: events.Event, at: int) -> Verdict:
        match event:
            case events.PlayEnded():
                return self._play_ended(event, at)
            case events.Score():
                return self._score(at)
            case events.HoldNumber(number):
                return self._hold(number, at)
            case events.RunNumber(number):
                self._overrule(self._seconds(number), at)
                return self._run(self._seconds(number), at, "referee")
            case events.Ready():
                return self._ready(at)
            case events.Snap():
                return self._snap(at)
            case events.Stop():
                return self._stop(at)
            case events.NoCount(period_over):
                return self._no_count(period_over, at)
            case events.SetCount(seconds):
                return self._correct(seconds, at)
        raise AssertionError(event)

    def _kind(self, event: events.PlayEnded, at: int) -> tuple[str, int, set[str]]:
        """Which row of the table an ending belongs to, its seconds, and all it says."""
        now, rules = self.now, self.rules
        ending = event.ending
        told = {ending} | event.facts
        if ending not in rules.endings or not event.facts <= rules.facts | ALWAYS_KNOWN:
            return "", 0, told
        if ending in ONLY_LOOKED_UP or rules.of(ending)[0] is None:
            return "", 0, told
        if now.playing == FREE_KICK and ending == ENDS_WITH[FREE_KICK][0]:
            told |= set(ENDS_WITH[FREE_KICK])
        over = now.stoppage is not None and at - now.stoppage >= STOPPAGE_HOLDS
        lately = frozenset() if over else now.named
        means = rules.means(ending, (told | lately) & rules.facts)
        seconds, starts_on = rules.of(means)
        assert seconds is not None
        if starts_on == "referee_signal":
            return "signal", seconds, told
        routine = means in GOES_ON if rules.waits else starts_on == "dead_ball"
        return "routine" if routine else "stoppage", seconds, told

    def _play_ended(self, event: events.PlayEnded, at: int) -> Verdict:
        now, rules = self.now, self.rules
        ending = event.ending
        kind, seconds, told = self._kind(event, at)
        if not kind:
            return Verdict(REFUSED)
        if kind == "signal":
            self._overrule(seconds, at)
            self._run(seconds, at, "referee")
            self._become(signal=ending)
            return Verdict(NO_CHANGE if self.now == now else RUNNING)
        if kind == "routine":
            return self._routine_end(told, at)
        if event.facts <= now.named and rules.vague_after_exact(ending, event.facts, now.named):
            return Verdict(NO_CHANGE)
        if ending == "start_of_period" and self._half_begins(at):
            return self._stoppage(told, ending, at)._replace(promised=SAID_OF_A_HALF)
        if ending == "overtime_series":
            self._become(overtime=True)
            self._become(
                promised=now.promised if rules.has(now.promised, self._in_overtime()) else ""
            )
        return self._told_after_the_chop(told, ending, at) or self._stoppage(told, ending, at)

    def _stoppage(self, told: Words[str], ending: str, at: int) -> Verdict:
        now = self.now
        self._tell(told, at)
        seconds = self._held_number()
        foul = plain(self.rules.means(ending, self.now.named & self.rules.facts)) in FOULS
        foul = foul and "waved_off" not in self.now.named
        stays = now.phase == "EXPIRED" and foul
        if told <= now.named and (stays or (now.phase, now.seconds) == ("SET", seconds)):
            return Verdict(NO_CHANGE)
        if stays:
            self._become(by="ruling")
        else:
            self._set(seconds, "ruling")
        self._become(stoppage=at)
        lost = self._lost(now, at)
        over = self._says_over()
        if over and not stays:
            return Verdict(ASSUMED, promised=SAID_AS_OVER[now.playing], **lost)
        if not over:
            self._become(ended=None)
        return Verdict(HELD, **lost)

    def _says_over(self) -> bool:
        """True where the end of a promised play, which nobody told, makes the number."""
        named = self.now.named
        if not self._ends():
            return False
        return bool(named & WHISTLED) or self.rules.answer(named) != self._answer()

    def _told_after_the_chop(self, told: Words[str], ending: str, at: int) -> Verdict | None:
        """The team is told when the count already runs: it is counted from the ready all the
        same."""
        now, found = self.now, self.now.readied
        if now.phase != "RUNNING" or now.by != "ready" or at - now.started >= SAME_DOWN:
            return None
        if found is None:
            return None
        self.now = found
        by_ready = now.promised if not self.next_play() else ""
        self._tell(told, at)
        lost = self._lost(found, at)
        seconds, found = self._held_number(), self.now
        promised = self.next_play() or by_ready
        self.now = now
        word = plain(self.rules.means(ending, found.named & self.rules.facts))
        if not any(word in SAYS_LESS[vague] for each in lost.values() for vague, _ in each):
            return None
        self._run(seconds, now.started, "ready")
        self._become(promised=promised, readied=found)
        return Verdict(RUNNING, **lost)

    def _lost(self, before: Now, at: int) -> dict[str, Any]:
        """The vague words that stood before and do not any more."""
        rules, now = self.rules, self.now
        stood = rules.meant(before.named) - rules.given_way(before.named)
        stood -= rules.cancelled(stood, before.named)
        stand = rules.meant(now.named) - rules.given_way(now.named)
        lost = {plain(each) for each in stood - stand} & SAYS_LESS.keys()
        told = [(word, at - since) for word, since in before.told if word in lost]
        gave_way = {plain(each) for each in rules.given_way(now.named)}
        return {
            "gave_way": tuple(each for each in told if each[0] in gave_way),
            "made_exact": tuple(each for each in told if each[0] not in gave_way),
        }

    def _routine_end(self, told: Words[str], at: int) -> Verdict:
        now = self.now
        if self._same_end(told, at):
            return Verdict(NO_CHANGE, noted=frozenset(told))
        fresh = now.phase in ("RUNNING", "EXPIRED") or (
            now.phase == "SET" and (now.stoppage is not None or now.by == "assumed")
        )
        half = self._half_begins(at)
        now = self.now
        follows = self.next_play()
        # no snap was pressed: the promised play was played all the same
        unseen = fresh or now.promised != ""
        if now.phase == "STOPPED":
            recent = now.stoppage is not None and at - now.stoppage < STOPPAGE_HOLDS
            goes_on = self._in_progress() and now.stoppage is None
            unseen = follows != "" and not recent and not goes_on
            self._become(promised=now.promised if goes_on else follows)
        if unseen:
            self._become(down=now.down + 1, promised="", playing=follows, ended=None)
        if unseen or now.phase == "STOPPED":
            self._become(named=frozenset(), told=(), stoppage=None)
        self._tell(told, at)
        self._become(between=False, readied=None)
        ends = self._ends() if self._says_over() else ()
        answer = self._answer()
        assert answer is not None and answer[0] is not None
        if answer[1] == "dead_ball":
            self._run(answer[0], at, "dead ball")
            self._become(expires=self.now.expires + self.start_lag)
            self._become(stoppage=at if ends or self.next_play() else None)
        else:
            ends = tuple(each for each in ends if each in self.rules.endings)
            self._set(answer[0], "assumed" if ends else "ruling")
            self._become(stoppage=at if ends or self.next_play() else None)
            if self._same_as(now):
                return Verdict(NO_CHANGE)
        assumed = "snap" if unseen else ""
        self._become(ended=at if ends else None)
        if ends:
            said = SAID_OF_A_HALF if half else SAID_AS_OVER[self.now.playing]
            return Verdict(ASSUMED, assumed, promised=said)
        return Verdict(ASSUMED, "snap") if unseen else Verdict(self._result())

    def _same_as(self, before: Now) -> bool:
        """True where nothing has come of an order."""
        said = ("phase", "seconds", "by", "named", "stoppage", "promised", "playing", "down")
        return all(getattr(self.now, each) == getattr(before, each) for each in said)

    def _same_end(self, told: Words[str], at: int) -> bool:
        """True where an end of play is that of the same down, pressed again."""
        now = self.now
        if now.phase == "RUNNING" and now.by == "dead ball":
            exact = "routine" not in told and now.named & self.rules.endings.keys() == {"routine"}
            if exact or self.next_play() or now.ended == now.started:
                return at - (now.stoppage or now.started) < STOPPAGE_HOLDS
            return at - now.started < SAME_DOWN
        stopped = now.phase == "SET" and now.stoppage is not None
        return stopped and at - (now.stoppage or 0) < STOPPAGE_HOLDS

    def _score(self, at: int) -> Verdict:
        """A score, told by somebody who cannot say which."""
        now, follows = self.now, self.next_play()
        recent = now.stoppage is not None and at - now.stoppage < STOPPAGE_HOLDS
        if now.playing == TRY and (recent or now.ended is None):
            return self._play_ended(events.PlayEnded("try_over"), at)
        if "touchdown" in now.named and recent:
            told = tuple(each for each in now.told if each[0] != "touchdown")
            self._become(named=now.named - {"touchdown"}, told=told)
            return self._play_ended(events.PlayEnded("field_goal_or_safety"), at)
        if not follows or recent:
            return self._play_ended(events.PlayEnded("touchdown"), at)
        self._snap(at)
        ending = "try_over" if follows == TRY else "touchdown"
        self._play_ended(events.PlayEnded(ending), at)
        return Verdict(ASSUMED, "snap")

    def _hold(self, number: events.Number, at: int) -> Verdict:
        seconds = self._seconds(number)
        if (self.now.phase, self.now.seconds) == ("SET", seconds):
            return Verdict(NO_CHANGE)
        half = number is events.Number.ADMINISTRATIVE and self._half_begins(at)
        self._overrule(seconds, at)
        self._set(seconds, "key")
        return Verdict(HELD, promised=SAID_OF_A_HALF if half else "")

    def _overrule(self, seconds: int, at: int) -> None:
        """Another number than the one that was assumed: nothing was promised after all."""
        now = self.now
        lately = now.ended is not None and at - now.ended < OVERRULED
        overruled = now.phase == "SET" and lately and seconds != now.seconds
        if overruled:
            self._become(promised="", playing="", ended=None, stoppage=None, overruled=True)

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
        opens = now.kick_up and now.phase == "SET" and not self.next_play()
        opens = opens and self.rules.has(FREE_KICK, self._in_overtime())
        half = self._half_begins(at)
        follows = FREE_KICK if opens else self.next_play()
        self._run(seconds, at, "ready")
        self._become(named=frozenset(), told=(), stoppage=None, playing="", ended=None)
        self._become(promised=follows, overruled=False)
        self._become(readied=now._replace(readied=None))
        if opens:
            return Verdict(RUNNING, promised="opening kickoff")
        return Verdict(ASSUMED if assumed else RUNNING, promised=SAID_OF_A_HALF if half else "")

    def _half_begins(self, at: int) -> bool:
        """True where the next play is the first of a half: it is a kick then."""
        if self._next_begins_half(at):
            self._become(promised=FREE_KICK, periods=max(2, self.now.periods))
            return True
        return False

    def _next_begins_half(self, at: int) -> bool:
        now = self.now
        if now.phase != "IDLE" or not self.rules.kickoffs or self.next_play():
            return False
        if self._in_overtime():
            return False
        if now.periods and now.periods % 2 == 0 and now.between:
            return True
        long = QUARTER_BREAK if now.between else LONG_BREAK
        return now.by in ("no count", "period over") and at - now.started >= long

    def _in_overtime(self) -> bool:
        """True where no kick follows a score any more."""
        over = self.now.overtime or self.now.periods >= PERIODS
        return over and not self.rules.kicks_in_overtime

    def _snap(self, at: int) -> Verdict:
        now = self.now
        if now.phase == "LIVE":
            return Verdict(NO_CHANGE)
        self._half_begins(at)
        follows = self.next_play()
        self._clear(phase="LIVE", seconds=self.rules.routine, started=at)
        self._become(down=now.down + 1, promised="", playing=follows, between=False)
        return Verdict(ASSUMED, "ready") if now.phase == "SET" else Verdict(HELD)

    def _no_count(self, period_over: bool, at: int) -> Verdict:
        now = self.now
        again = period_over and now.between
        if now.phase == "IDLE" and (again or not period_over):
            return Verdict(NO_CHANGE)
        follows = self.next_play()
        self._clear(started=at, by="period over" if period_over else "no count")
        self._become(promised=follows)
        if period_over and not again:
            self._become(periods=now.periods + 1, between=True)
            self._become(promised=self.next_play())
        return Verdict(HELD)

    def _clear(self, **changed: Any) -> None:
        """Forget the down; what is known of the game stays."""
        game = ("down", "overtime", "opening", "kick_up", "periods", "between")
        self.now = Now(**{name: getattr(self.now, name) for name in game})._replace(**changed)

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

    # what was told, and what it promises

    def _tell(self, words: Words[str], at: int) -> None:
        """Note what was told of the down, and what follows from the order of it."""
        now, rules = self.now, self.rules
        new = sorted(words & rules.endings.keys())
        told = tuple(each for each in now.told if each[0] not in new)
        told = (*told, *((word, at) for word in new))
        followed = self.next_play()
        self._become(named=now.named | words, told=told, overruled=now.overruled and not words)
        if not followed and self.next_play():
            self._become(stoppage=at)  # what comes next is known since now
        first, second, noted = INJURED_FIRST
        before, after = rules.meant(now.named), rules.meant(self.now.named)
        if rules.in_order and first & before and not second & before and second & after:
            self._become(named=self.now.named | {noted})

    def _ends(self) -> tuple[str, ...]:
        """What is taken as told of the promised play that is in progress, or has ended."""
        now = self.now
        if not now.playing:
            return ()
        by_others = now.playing == TRY and now.named & ENDS_A_TRY
        exact = now.named & (ENDS_EXACTLY - ENDS_A_TRY if now.playing == TRY else ENDS_EXACTLY)
        return () if exact and not by_others else ENDS_WITH[now.playing]

    def _in_progress(self) -> bool:
        """True while nobody has told the end of a promised play that was snapped."""
        return self.now.playing != "" and self.now.ended is None and self._ends() != ()

    def _told(self) -> frozenset[str]:
        """All that was told of the down. In a try a score says nothing but that it is over."""
        return self.now.named - (SCORES if self.now.playing == TRY else set())

    def _answer(self) -> Answer | None:
        """What the rule set says of all that was told, of the promised play it belongs to, or of
        the one that is still to come."""
        now = self.now
        erased = self.rules.promise(self._told(), overtime=self._in_overtime()) != ""
        waits = now.promised and not now.playing and not erased
        before = [COMES_BEFORE[now.promised]] if waits else []
        return self.rules.answer(self._told(), {*self._ends(), *before})

    def _held_number(self) -> int:
        """The number of a stoppage."""
        answer = self._answer()
        assert answer is not None and answer[0] is not None
        return answer[0]

    def next_play(self) -> str:
        """The play promised to come next."""
        now, overtime = self.now, self._in_overtime()
        if now.overruled:
            return ""
        if "cancelled" in now.named and now.playing:
            own = ENDS_A_TRY | {"try_over"} if now.playing == TRY else {*ENDS_WITH[FREE_KICK]}
            other_end = now.named & (ENDS_EXACTLY - own)
            follows = now.promised if other_end else now.playing  # it comes again
        else:
            follows = self.rules.promise(self._told(), {*self._ends()}, overtime) or now.promised
        return follows if follows and self.rules.has(follows, overtime) else ""

    # what the table's words mean

    def _seconds(self, number: events.Number) -> int:
        return self.rules.routine if number is events.Number.ROUTINE else self.rules.administrative

    def _what_follows(self) -> tuple[int, str]:
        now = self.now
        answer = self._answer() if now.named or self._ends() else None
        if answer is not None and answer[1] == "ready_for_play" and answer[0] is not None:
            return answer[0], "ruling"
        return self.rules.administrative, "key"

    def _set(self, seconds: int, by: str) -> Verdict:
        self._become(phase="SET", seconds=seconds, expires=0, started=0, by=by, remaining=0)
        self._become(readied=None)
        return Verdict(HELD)

    def _run(self, seconds: int, at: int, by: str) -> Verdict:
        expires = at + seconds * S
        self._become(phase="RUNNING", seconds=seconds, expires=expires, started=at, by=by)
        self._become(remaining=0, readied=None, signal="")
        return Verdict(RUNNING)


NEVER = events.SetCount | events.Undo | events.ToggleBoards | events.BoardsFault | events.MarkMoment


def contradicts(first: events.Event, second: events.Event) -> bool:
    """Two presses by different people that cannot both be meant."""
    harmless = (
        (events.Ready, events.Snap),
        (events.HoldNumber, events.Ready),
        (events.RunNumber, events.Snap),
        (events.Snap, events.PlayEnded | events.Score),
        (events.PlayEnded | events.Score, events.PlayEnded | events.Score),
    )
    if first == second or isinstance(first, NEVER) or isinstance(second, NEVER):
        return False
    return not any(isinstance(first, a) and isinstance(second, b) for a, b in harmless)
