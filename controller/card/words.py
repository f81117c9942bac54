"""The words of the pocket card: endings and facts in short, and the officials' signals."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

ENDING_WORDS: Final[Mapping[str, str]] = {
    "routine": "Play over, game goes on",
    "stoppage": "Stopped, cause not known",
    "defense_only": "Stopped by the defense alone, cause not known",
    "field_goal_or_safety": "Field goal or safety, not told which",
    "runner_down_inbounds": "Runner down inbounds",
    "line_to_gain_reached": "First down, line to gain reached",
    "out_of_bounds": "Out of bounds",
    "incomplete_pass": "Incomplete pass",
    "double_change_of_possession": "Possession changed twice",
    "pile_unpile": "Pile sorted out, offense keeps it",
    "change_of_possession": "Other team's ball",
    "kick_new_series": "Kick, new series",
    "kick_no_new_series": "Kick, no new series",
    "before_free_kick": "Before a free kick",
    "touchdown": "Touchdown, before the try",
    "try_over": "Try over",
    "field_goal": "Field goal made",
    "safety": "Safety",
    "foul": "Foul, team not told",
    "foul_offense": "Foul, offense",
    "foul_defense": "Foul, defense only",
    "foul_both": "Fouls by both teams",
    "foul_before_snap": "Foul before the snap",
    "delay_of_game": "Delay of game",
    "charged_timeout": "Charged time-out",
    "charged_timeout_after_injury_defense": "Charged time-out after a defender's injury",
    "official_timeout": "Official's time-out",
    "injury_offense": "Injury, offense",
    "injury_defense": "Injury, defense only",
    "injury_both": "Injury or helmet, both teams",
    "injury_or_helmet_any": "Injury or helmet, team not told",
    "equipment_offense": "Equipment or helmet, offense",
    "equipment_defense": "Equipment or helmet, defense only",
    "equipment_any": "Equipment, team not told",
    "helmet_off_runoff": "Helmet off, runoff choice",
    "measurement": "Measurement",
    "inadvertent_whistle": "Inadvertent whistle",
    "replay_review": "Replay review",
    "coach_conference": "Coach's conference",
    "media_timeout": "Media time-out",
    "media_timeout_after_injury_defense": "Media time-out after a defender's injury",
    "two_minute_timeout": "Two-minute stop (Canada: three)",
    "in_doubt": "In doubt which count",
    "administrative": "Any other stop",
    "start_of_period": "First play of a period",
    "overtime_series": "First play of an overtime series",
    "untimed_down": "Untimed down",
    "spotting_delay_reset25": "Ball not spotted in time",
    "premature_start_reset40": "Count started early, or not at all",
    "referee_pump": "Referee pumps one palm",
    "other_interruption": "Count disturbed from outside",
    "snap": "Snap or free kick: number up, held",
    "zero_no_foul": "Zero, no foul called",
    "less_time_than_play_clock": "Game clock running with less",
    "boards_disagree": "Boards disagree: both off",
    "slow_chains_no_reset": "Slow chains or box",
}
"""Every ending of :data:`controller.rules.endings.ENDINGS`, short enough for a pocket card."""

FACT_WORDS: Final[Mapping[str, str]] = {
    "fourth_down": "Last down used up, short of the line to gain",
    "new_series": "A team gets a new series",
    "by_defense_only": "By, or because of, the defense alone",
    "free_kick": "The kick was a free kick",
    "scrimmage_kick": "The kick was a scrimmage kick",
    "last_three_minutes": "Last three minutes of a half",
    "late_in_half": "Late in a half, to save time",
    "game_clock_running": "Game clock will run on the ready",
    "game_clock_low": "Game clock runs with less time than the count",
    "penalty_pending": "Penalty not completed yet: zero stays",
    "pumped": "One palm pumped, play goes on",
    "offense_first": "The offense's player noticed first",
    "defender_out_of_bounds": "A defender carried it out of bounds",
    "referee_chose_40": "The referee chose the long count",
    "failed_try": "The try failed, and was no kick",
    "cancelled": "A penalty cancels score, kick or change of possession",
    "declined": "The penalty is declined",
    "waved_off": "The flag is waved off after a conference",
    "try_again": "The try is repeated",
    "free_kick_again": "The free kick is repeated",
    "after_spot": "After the ball was spotted",
}
"""Every fact of :data:`controller.rules.endings.FACTS`."""


class Signal(NamedTuple):
    """What an official shows, what the keeper does (the numbers of the rule set go into it), and
    where that was read."""

    shown: str
    means: str
    source: str


DEAD_BALL_SIGNALS: Final = (
    Signal(
        "S7 arm straight up, palm open",
        "dead inbounds: {routine} runs",
        "PIAA, ICAOA, NJFOA 2019",
    ),
    Signal(
        "S3 stop the clock",
        "out of bounds or first down: {routine} runs, unless a reason for {administrative} stands",
        "PIAA, NJFOA 2019",
    ),
    Signal(
        "S10 incomplete",
        "{routine} runs; not when the last down was used up",
        "PIAA, state handout 2019",
    ),
    Signal(
        "S2 wind",
        "near a sideline it ends the play: {routine} runs. From the referee after a first down: "
        "game clock only",
        "NJFOA, MTFOA",
    ),
    Signal(
        "S1 ready, chop and whistle",
        "the number held runs",
        "PIAA 2019",
    ),
    Signal(
        "S5 touchdown, field goal",
        "touchdown: {touchdown}; field goal: {field_goal}",
        "timing table 2019",
    ),
    Signal(
        "S21 delay of game",
        "zero stays until the penalty is completed, then {delay_of_game}",
        "NCAA 3-4-2, NJFOA 3A",
    ),
    Signal(
        "One palm pumped overhead",
        "reset to {administrative}",
        "NCAA 3-2-4-c, PIAA, Inland Empire 2021",
    ),
    Signal(
        "Both palms pumped overhead",
        "reset to {routine}",
        "NCAA 3-2-4-b-2, Inland Empire 2021",
    ),
)
"""Signals of a code whose count starts when the ball is dead, with a ready signal for the rest.
S numbers are those of the high school and college charts."""

WHISTLE_SIGNALS: Final = (
    Signal(
        "Whistle that ends the play",
        "{routine} runs by itself",
        "CFL rule changes 2026",
    ),
    Signal(
        "Referee's whistle",
        "after a natural break, or in the last three minutes of a half: the {administrative} "
        "held runs",
        "CFL rule changes 2026",
    ),
)
"""The Canadian count of two numbers."""
