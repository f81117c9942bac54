"""The published walk-through of a typical series, as one continuous game.

"40-Second Play Clock: a typical scenario" (NFHS, text; docslib.org) tells a series from the opening
kickoff to a time-out; the rows of tests/scenarios/published with ids TS hold the parts that
were read. "filled in" marks what the walk-through needs between them so that the downs add up.
"""

from __future__ import annotations

from tests.scenarios.main_job.series import steps

# seconds since the last step | who | does | boards | phase | results | ruling cited, and below: why
_TABLE = """
1.0  | console | before free kick | 25 | SET | held | free kick
    TS-01: opening kickoff, 25 before the ready
4.2  | keeper  | READY | 25 runs | RUNNING | running
    TS-01: opening kickoff made ready; game clock on the legal touch
8.3  | keeper  | SNAP | 40 | LIVE | held | item J
    the kick
9.1  | console | kick new series | 25 | SET | held | legal kick
    filled in: kickoff returned, the receivers' first series
18.4 | keeper  | READY | 25 runs | RUNNING | running
    1st and 10 made ready; the only chop and whistle of the series so far
11.2 | keeper  | SNAP | 40 | LIVE | held
    1st and 10
5.6  | console | runner down inbounds | 40 runs | RUNNING | running | 3-6-1a(2)
    TS-03: run for 5, down inbounds: 40 at the dead ball, game clock keeps running
21.7 | keeper  | SNAP | 40 | LIVE | held
    2nd and 5
4.9  | console | incomplete pass | 40 runs | RUNNING | running | 3-6-1a(2)
    TS-04: incomplete: 40 at the dead ball, game clock on the snap
23.8 | keeper  | SNAP | 40 | LIVE | held
    3rd and 5
6.2  | console | line to gain reached | 40 runs | RUNNING | running | first down
    filled in: a run of 12, down inbounds past the line to gain
15.5 | keeper  | READY | same | RUNNING | no change
    filled in: the silent wind is the game clock's
6.3  | keeper  | SNAP | 40 | LIVE | held
    1st and 10
5.2  | console | out of bounds | 40 runs | RUNNING | running | 3-6-1a(2)
    filled in: run for 3, out of bounds; 2nd and 7
26.4 | keeper  | SNAP | 40 | LIVE | held
    2nd and 7
4.4  | console | foul offense | 25 | SET | held | penalty administration
    TS-07: complete for 20, but holding is accepted: 25 on the ready
2.8  | keeper  | DEAD_BALL | same | SET | no change
    TS-07: the whistle of that play
27.6 | keeper  | READY | 25 runs | RUNNING | running
    TS-07: 2nd and 17 made ready; game clock on the ready
12.9 | keeper  | SNAP | 40 | LIVE | held
    2nd and 17
6.7  | console | pile unpile | 25 | SET | held | pile sorted out
    TS-08: fumble, pile, the offense has it: 25 on the ready
14.1 | keeper  | READY | 25 runs | RUNNING | running
    TS-08: the pile is sorted out; game clock on the ready; 3rd and 2
7.5  | keeper  | TIME_OUT | 25 | SET | held | charged time-out
    TS-09: 3rd and 2, time-out by either team: 25 on the ready
68.0 | keeper  | READY | 25 runs | RUNNING | running
    TS-09: made ready after the time-out; game clock on the snap
13.3 | keeper  | SNAP | 40 | LIVE | held
    3rd and 2
"""

TYPICAL = steps(_TABLE)
