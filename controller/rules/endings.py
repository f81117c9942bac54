"""The names: how a play may end, and what may be known of it.

The one place where they are listed; every rule set answers every ending. What else people say for
them is data of the rulebook.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

GROUPS: Final[Mapping[str, Mapping[str, str]]] = {
    "set by the keeper": {
        "routine": "the play ended and the game simply goes on",
        "stoppage": "stopped for a reason the keeper does not know",
        "defense_only": "stopped because of the defense alone, cause not known",
        "field_goal_or_safety": "a field goal or a safety, not told which",
    },
    "routine ends of a play": {
        "runner_down_inbounds": "runner down inbounds, short of the line to gain",
        "line_to_gain_reached": "down inbounds past the line to gain: first down",
        "out_of_bounds": "the ball or the runner went out of bounds",
        "incomplete_pass": "a legal forward pass fell incomplete",
        "double_change_of_possession": "possession changed twice: the offense keeps it",
        "pile_unpile": "unpiled to find the ball: the offense keeps it",
    },
    "new series, kicks and scores": {
        "change_of_possession": "the other team snaps next",
        "kick_new_series": "a kick ended and a team begins a new series",
        "kick_no_new_series": "a kick ended and nobody begins a new series",
        "before_free_kick": "before a kickoff or another free kick",
        "touchdown": "the try follows",
        "try_over": "a kickoff follows",
        "field_goal": "made: a kickoff follows",
        "safety": "a free kick follows",
    },
    "stoppages": {
        "foul": "a foul, the team is not told",
        "foul_offense": "a foul by the offense",
        "foul_defense": "a foul by the defense only",
        "foul_both": "fouls by both teams in one down",
        "foul_before_snap": "a foul before the snap, such as a false start",
        "delay_of_game": "the count ran out",
        "charged_timeout": "a team's charged time-out",
        "charged_timeout_after_injury_defense": "a charged time-out after a defender's injury",
        "official_timeout": "an official's time-out",
        "injury_offense": "an injured player of the offense",
        "injury_defense": "an injured player of the defense only",
        "injury_both": "injured players, or helmets off, of both teams",
        "injury_or_helmet_any": "an injury or a helmet off, the team is not told",
        "equipment_offense": "equipment or a helmet of the offense",
        "equipment_defense": "equipment or a helmet of the defense only",
        "equipment_any": "equipment, the team is not told",
        "helmet_off_runoff": "a helmet off with the choice of a ten-second runoff",
        "measurement": "a measurement for the first down",
        "inadvertent_whistle": "an inadvertent whistle",
        "replay_review": "a replay review",
        "coach_conference": "a conference of coach and referee",
        "media_timeout": "a time-out for radio or television",
        "media_timeout_after_injury_defense": "a media time-out after a defender's injury",
        "two_minute_timeout": "two minutes (Canada: three) are left in the half",
        "in_doubt": "the crew is not sure which count applies",
        "administrative": "stopped for any other reason",
    },
    "starts": {
        "start_of_period": "first play of a period",
        "overtime_series": "first play of an overtime series",
        "untimed_down": "a down after time ran out",
    },
    "corrections and special states": {
        "spotting_delay_reset25": "the ball was not spotted in time: reset",
        "premature_start_reset40": "the count started too early, or not at all: reset",
        "referee_pump": "the referee pumped one palm",
        "other_interruption": "the count was interrupted by something outside the game",
        "snap": "the ball was snapped or free-kicked",
        "zero_no_foul": "the count reached zero and no foul was called",
        "less_time_than_play_clock": "a running game clock has less time than the count",
        "boards_disagree": "the boards disagree, or one fails",
        "slow_chains_no_reset": "the chains or the down box are late",
    },
}
"""Endings with a plain description, grouped as officials think of them."""

ENDINGS: Final[Mapping[str, str]] = {
    ending: words for group in GROUPS.values() for ending, words in group.items()
}

_STOPPAGES: Final = GROUPS["stoppages"].keys()
_CAUSE_UNKNOWN: Final = frozenset({"official_timeout", "stoppage", "in_doubt", "administrative"})
_FOULS: Final = frozenset({"foul_offense", "foul_defense", "foul_both", "delay_of_game"})
_GEAR: Final = frozenset({"equipment_offense", "equipment_defense", "helmet_off_runoff"})
_HURT: Final = frozenset({"injury_offense", "injury_defense", "injury_both"})

GIVES_WAY: Final[Mapping[str, frozenset[str]]] = {
    "foul": _FOULS,
    "foul_before_snap": _FOULS,
    "injury_or_helmet_any": _HURT | _GEAR,
    "equipment_any": _GEAR,
    "field_goal_or_safety": frozenset({"touchdown", "field_goal", "safety"}),
    **dict.fromkeys(_CAUSE_UNKNOWN, frozenset({*_STOPPAGES, "defense_only"}) - _CAUSE_UNKNOWN),
}
"""Words that say less than another of their kind: of one down, each gives way to the exact ones,
whichever was told first. A flag is thrown before its team is announced."""

PLAYS: Final[Mapping[str, str]] = {"try": "try over", "free_kick": "free kick ended"}
"""Plays that an ending can promise, and how it is said that one is over."""

ROUTINE_WORDS: Final = frozenset({"routine", *GROUPS["routine ends of a play"]})
"""Endings that say that the ball is dead and no more."""

PLAY_ENDS: Final = frozenset(GROUPS["new series, kicks and scores"])
"""Endings that say how a play ended beyond that the ball is dead."""

FACTS: Final[Mapping[str, str]] = {
    "fourth_down": "the last down was used up without reaching the line to gain",
    "new_series": "a team was awarded a new series",
    "by_defense_only": "by, or because of, the defense alone",
    "cancelled": "a penalty cancels the score, kick or change of possession",
    "free_kick": "the kick was a kickoff or another free kick",
    "scrimmage_kick": "the kick was a punt or a field goal try",
    "last_three_minutes": "in the last three minutes of a half",
    "late_in_half": "late in a half, to save time",
    "game_clock_running": "the game clock will run on the ready",
    "game_clock_low": "the game clock runs and has less time than the count",
    "penalty_pending": "the penalty is not completed yet",
    "pumped": "the referee pumped one palm and play goes on",
    "offense_first": "the offense's player was noticed first",
    "defender_out_of_bounds": "a defender carried the ball out of bounds",
    "referee_chose_40": "the referee chose 40",
    "failed_try": "the try failed, and was no kick",
    "declined": "the penalty is declined",
    "waved_off": "the flag is waved off after a conference",
    "try_again": "the try is repeated",
    "free_kick_again": "the free kick is repeated",
    "after_spot": "after the ball was spotted",
}
"""What may be known of a down besides how it ended. One that changes nothing in a rule set may
be given all the same."""
