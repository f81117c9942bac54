"""What the published rules say of each end of a play and each stoppage, apart from the core's data.

Each has its count in seconds and what starts it. A rule set of the core that says otherwise is
wrong, or this page is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final, NamedTuple


class Count(NamedTuple):
    """``seconds``, started by the end of the play or held until the referee's ready."""

    seconds: int
    at_once: bool


RUNS_40: Final = Count(40, True)
HELD_40: Final = Count(40, False)
HELD_25: Final = Count(25, False)

Book = Mapping[str, Count]

NFHS: Final[Book] = {
    # 3-6-1a(2) (2019): every other down, 40 from the dead ball
    "routine": RUNS_40,
    "runner_down_inbounds": RUNS_40,
    "out_of_bounds": RUNS_40,
    "incomplete_pass": RUNS_40,
    "kick_no_new_series": RUNS_40,
    "line_to_gain_reached": RUNS_40,  # 3-6-1a(1)e, 3-5-7b: the stop for a first down
    # 3-6-1a(1): 25 on the ready
    "touchdown": HELD_25,  # a: before a try
    "try_over": HELD_25,
    "field_goal": HELD_25,
    "safety": HELD_25,
    "field_goal_or_safety": HELD_25,
    "start_of_period": HELD_25,  # b
    "charged_timeout": HELD_25,  # d
    "official_timeout": HELD_25,  # e
    "change_of_possession": HELD_25,  # e
    "injury_offense": HELD_25,  # e
    "injury_or_helmet_any": HELD_25,  # e: as long as the team is not told
    "foul": HELD_25,  # e
    "foul_offense": HELD_25,  # e
    "foul_before_snap": HELD_25,  # e
    "delay_of_game": HELD_25,  # e
    "pile_unpile": HELD_25,  # e, and the walk-through of a typical series
    "before_free_kick": HELD_25,  # the same walk-through
    "kick_new_series": HELD_25,  # f (2020): a legal kick, new series
    "punt": HELD_25,  # f (2020)
    "free_kick": HELD_25,  # f (2020)
    # the exceptions of e: 40 on the ready
    "foul_defense": HELD_40,  # 2022
    "injury_defense": HELD_40,  # 2020
    "injury_both": HELD_40,  # no text: 40, as when nobody knows who was hurt first
    "injury_both, offense first": HELD_25,  # an unofficial column: the offense noticed first
}

NCAA: Final[Book] = {
    **NFHS,
    "touchdown": RUNS_40,  # 3-2-4-c-8 (2018): since then other scores only wait
    "free_kick": RUNS_40,  # 3-2-4-c-7 (2018): since then scrimmage kicks only wait
    "foul_defense": HELD_25,  # 3-2-4-c-1: any penalty
    # injury_defense: 40 on the ready, A.R. 3-3-5 VII(a)
    "injury_both, offense first": HELD_40,  # A.R. 3-3-5 VII(b): whoever was first
}

BOOKS: Final[Mapping[str, Book]] = {"nfhs": NFHS, "ncaa": NCAA}
"""By the code's name in the controller; newest season."""
SINCE: Final[Mapping[str, int]] = {"nfhs": 2022, "ncaa": 2024}

ROUTINE_S: Final = 40
"""Shown and held from the snap (NFHS operator instructions, item J; NCAA 2-29-2)."""
RESET_S: Final = 25
"""One palm pumped (NCAA 3-2-4-c; PIAA play clock mechanics 2019)."""
BOTH_HURT: Final = ("injury_offense", "injury_defense")
ENDS_A_SERIES: Final = (
    "routine",
    "runner_down_inbounds",
    "out_of_bounds",
    "incomplete_pass",
    "kick_no_new_series",
)
"""What is a change of possession on fourth down (NFHS 3-5-7)."""


def of_the_down(book: Book, told: Iterable[str]) -> Count:
    """All that happened in a down: 25 on the ready before 40 on the ready before 40 at once."""
    return min((book[each] for each in told), key=lambda count: (count.at_once, count.seconds))


def season_of(book: Book) -> dict[str, Any]:
    """The book in the form of a rule-set file's season, with its code."""
    code = next(code for code, each in BOOKS.items() if each is book)
    return {
        "code": code,
        "from": SINCE[code],
        "routine_s": ROUTINE_S,
        "administrative_s": RESET_S,
        "marks": [],
        "rulings": {ending: _row(count) for ending, count in book.items()},
        "facts": [
            {"fact": "fourth_down", "endings": ENDS_A_SERIES, "mean": "change_of_possession"},
            {"fact": "free_kick", "endings": ("kick_new_series",), "mean": "free_kick"},
            {
                "fact": "offense_first",
                "endings": ("injury_both",),
                "mean": "injury_both, offense first",
            },
        ],
        "combinations": [{"all_of": BOTH_HURT, "mean": "injury_both"}],
    }


def _row(count: Count) -> dict[str, Any]:
    starts_on = "dead_ball" if count.at_once else "ready_for_play"
    return {"seconds": count.seconds, "starts_on": starts_on}
