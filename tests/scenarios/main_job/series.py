"""A series of a high school game as data: what is pressed when, and what the players must read.

A play clock operator's kickoff, downs, fouls, time-outs, injuries and a score under NFHS 3-6-1 of
2022, with the reason for each number beside it. "NFHS" is that rule, "NJ" the New Jersey and
"PIAA" the Pennsylvania association's play clock instructions, "NCAA" the college rule where the
school rule is silent; "design" marks what no document says and the product decided.
"""

from __future__ import annotations

from dataclasses import dataclass

KEEPER_KEYS, FIELD_KEYS, CONSOLE, NOBODY = "keeper", "field", "console", "nobody"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that somebody does, ``after_s`` seconds after the last.

    ``does`` holds key names, or one line of the console; a comma parts presses 0.3 s apart and
    "..." after a key says that it stays down for its hold. ``shows`` says for each press what
    becomes of the boards: "25" held, "25 runs", "stops 23", "same" (goes on as it was), "dark".
    ``phase`` and ``results`` are what the handsets are told; ``rule`` is the ruling that the
    journal must cite for the last press.
    """

    after_s: float
    who: str
    does: str
    shows: str
    phase: str
    results: str
    why: str
    rule: str = ""

    @property
    def presses(self) -> list[tuple[str, str, str]]:
        """Each press with what becomes of the boards and its result."""
        if self.who == CONSOLE:
            return [(self.does, self.shows, self.results)]
        parts = (self.does.split(", "), self.shows.split(", "), self.results.split(", "))
        return list(zip(*parts, strict=True))

    @property
    def changes(self) -> bool:
        """True when somebody's order was accepted: there is something to take back."""
        return self.results.split(", ")[-1] in ("running", "held", "assumed")


def _step(line: str, why: str) -> Step:
    after, who, does, shows, phase, results, *rule = (cell.strip() for cell in line.split("|"))
    return Step(float(after), who, does, shows, phase, results, why.strip(), "".join(rule))


# seconds since the last step | who | does | boards | phase | results | ruling cited, and below: why
_TABLE = """
1.0  | keeper  | NUMBER_25 | 25 | SET | held
    boards show 25 before the kickoff (CFO sheet)
3.3  | keeper  | READY | 25 runs | RUNNING | running
    kickoff: 25 on the ready (NFHS walk-through, free kick)
9.4  | keeper  | SNAP | 40 | LIVE | held | item J
    ball in play: 40, held (NFHS operator instructions, item J)
8.2  | keeper  | NUMBER_25 | 25 | SET | held | set by the keeper
    free kick ended, new series: 25 waits (NFHS a(1)f)
12.1 | keeper  | READY | 25 runs | RUNNING | running
    first play of the series, 25 on the ready (NFHS a(1)f)
13.6 | keeper  | SNAP | 40 | LIVE | held
    the snap (item J)
5.1  | keeper  | DEAD_BALL | 40 runs | RUNNING | running | set by the keeper
    a run, down inbounds (NFHS a(2), signal S7)
22.3 | keeper  | SNAP | 40 | LIVE | held
    the snap
6.4  | keeper  | DEAD_BALL | 40 runs | RUNNING | running
    first down inbounds: 40 from the dead ball (NFHS a(1)e, 3-5-7b; S3)
17.2 | keeper  | READY | same | RUNNING | no change
    the silent wind is the game clock's alone (NJ, PCO; S2)
4.7  | keeper  | SNAP | 40 | LIVE | held
    the snap
4.2  | keeper  | DEAD_BALL | 40 runs | RUNNING | running
    incomplete (NFHS a(2); S10)
2.6  | keeper  | FLAG | 25 | SET | held | penalty administration
    flag seen late: the penalty takes the 40 back (NFHS a(1)e)
18.4 | keeper  | READY | 25 runs | RUNNING | running
    penalty completed, ready
10.3 | keeper  | SNAP | 40 | LIVE | held
    the snap
3.1  | keeper  | FLAG | 25 | SET | held | penalty administration
    flag seen early, ball still in play
4.4  | keeper  | DEAD_BALL | same | SET | no change
    the whistle of that play: 25 stands whatever was named first (NFHS a(1)e)
21.5 | keeper  | READY | 25 runs | RUNNING | running
    ready
12.2 | keeper  | SNAP | 40 | LIVE | held
    the snap
5.3  | keeper  | DEAD_BALL | 40 runs | RUNNING | running
    out of bounds (NFHS a(2); S3)
8.6  | keeper  | NUMBER_40, NUMBER_40 | 40, 40 runs | RUNNING | held, running
    started too early: both palms, 40 at once (NCAA 3-2-4-b-2, IEFOA)
17.4 | keeper  | NUMBER_25, NUMBER_25 | 25, 25 runs | RUNNING | held, running
    ball handed late from the side zone: one palm, quick reset, running (NCAA A.R. 3-2-4 II)
7.8  | keeper  | SNAP | 40 | LIVE | held
    the snap
5.2  | keeper  | DEAD_BALL | 40 runs | RUNNING | running
    dead inbounds
15.4 | keeper  | NUMBER_25 | 25 | SET | held
    ball not spotted at 25: stop, 25 held (NFHS a(1)g, NCAA A.R. 3-2-4 I)
11.7 | keeper  | READY | 25 runs | RUNNING | running
    ready
27.3 | nobody  | - | same | EXPIRED | -
    25 s are gone: 0 shown and held
1.2  | keeper  | FLAG | same | EXPIRED | held | penalty administration
    delay foul: hold zero until the penalty is completed (NJ 3A, PCO 2)
24.4 | keeper  | READY | 25 runs | RUNNING | running
    then 25 on the ready (NJ 3A; NFHS a(1)e)
9.6  | keeper  | SNAP | 40 | LIVE | held
    the snap
6.1  | keeper  | DEAD_BALL | 40 runs | RUNNING | running
    dead inbounds
5.5  | keeper  | TIME_OUT | 25 | SET | held | charged time-out
    charged time-out (NFHS a(1)d)
31.0 | keeper  | READY | 25 runs | RUNNING | running
    ready after the time-out
9.2  | keeper  | SNAP | 40 | LIVE | held
    the snap
4.3  | keeper  | INJURY, INJURY | 25, 40 | SET | held, held | injured defender
    a defender is hurt: 40, on the ready (NFHS a(1)e EXC 2020)
3.4  | keeper  | DEAD_BALL | same | SET | no change
    the whistle of that play
26.1 | keeper  | READY | 40 runs | RUNNING | running | injured defender
    ready: the held 40 runs
18.3 | keeper  | SNAP | 40 | LIVE | held
    the snap
4.6  | console | incomplete pass, fourth down | 25 | SET | held | change of team possession
    incomplete on 4th down (NFHS a(1)e, 3-5-7)
22.4 | keeper  | READY | 25 runs | RUNNING | running
    first play of the other team
8.7  | keeper  | SNAP | 40 | LIVE | held
    the snap
7.3  | console | touchdown | 25 | SET | held | before a try
    touchdown (NFHS a(1)a; S5)
15.2 | keeper  | READY | 25 runs | RUNNING | running
    ready for the try
11.6 | keeper  | SNAP | 40 | LIVE | held
    the try
5.4  | console | try over | 25 | SET | held | free kick after a score
    try over: 25 before the kickoff
24.3 | keeper  | READY | 25 runs | RUNNING | running
    ready for the kickoff
10.7 | keeper  | SNAP | 40 | LIVE | held
    the kickoff
7.2  | console | kick_new_series | 25 | SET | held | a(1)f
    kick ended, new series (NFHS a(1)f)
12.6 | keeper  | READY | 25 runs | RUNNING | running
    ready
10.4 | keeper  | SNAP | 40 | LIVE | held
    the snap
6.3  | keeper  | DEAD_BALL | 40 runs | RUNNING | running
    dead inbounds
1.2  | keeper  | DEAD_BALL | same | RUNNING | no change
    a thumb makes sure: the same end of play
3.3  | field   | NUMBER_40 | same | RUNNING | no change
    the back judge 4.5 s later: still the same end of play (design)
18.6 | keeper  | SNAP | 40 | LIVE | held
    the snap
6.2  | keeper  | READY | 25 runs | RUNNING | assumed
    a chop is an administrative start, its stoppage was not pressed (design)
12.4 | keeper  | DEAD_BALL | 40 runs | RUNNING | assumed
    snap never pressed: a new down is assumed (design)
17.5 | keeper  | STOP | stops 23 | STOPPED | held
    referee stops the play clock with 22.5 s left
5.6  | keeper  | SNAP | 40 | LIVE | held
    ball in play from a stopped count
5.1  | keeper  | DEAD_BALL | 40 runs | RUNNING | running
    dead inbounds
8.4  | keeper  | STOP | stops 32 | STOPPED | held
    referee stops the play clock with 31.6 s left
2.7  | keeper  | STOP | 25 | SET | held
    any other reason: 25 follows (NFHS a(1)g)
9.3  | keeper  | READY | 25 runs | RUNNING | running
    ready
9.8  | keeper  | SNAP | 40 | LIVE | held
    the snap
5.2  | field   | NUMBER_40 | 40 runs | RUNNING | running
    the back judge sees the end of the play
1.0  | keeper  | DEAD_BALL | same | RUNNING | no change
    the keeper a second later: the same end (design)
39.9 | nobody  | - | same | EXPIRED | -
    nobody snaps, nobody flags
1.2  | keeper  | SNAP | 40 | LIVE | held | item J
    zero without a foul: 40 at the snap (NJ 3B, PCO 3)
5.3  | keeper  | DEAD_BALL | 40 runs | RUNNING | running
    dead inbounds
6.4  | field   | NUMBER_25 | 25 | SET | held
    the back judge holds 25 for an administrative reason (NFHS a(1)g)
7.1  | field   | READY | 25 runs | RUNNING | running
    ready
5.2  | keeper  | NO_COUNT, NO_COUNT... | dark, dark | IDLE | held, held
    the period is over: no count
"""


def steps(table: str) -> list[Step]:
    """The steps of a table: a line of cells, then a line that says why."""
    lines = table.strip().split("\n")
    return [_step(line, why) for line, why in zip(lines[::2], lines[1::2], strict=True)]


SERIES = steps(_TABLE)
