"""Which source each ruling of each season cites, and how it was read, written down a second time.

Under the beginning of a citation stand the endings that rest on it (``ending+fact`` for a ruling of
its own). ``memory`` and ``table`` say how it was read, ``?`` that no source settles it. ``*`` is
every ending that is not named; a season after ``like`` differs from that one in what is named.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from controller.rulebook.loader import codes, load_rule_set, load_seasons
from controller.rules.rulings import RuleSet, Ruling

PENDING = "delay_of_game foul foul_offense foul_defense foul_both foul_before_snap"

SOURCES = {
    ("nfhs", 1990): """
set by the
    routine stoppage defense_only
NFHS 3-6-1, 3-6-2
    * FOULS+penalty_pending
NFHS 3-6-1 (before 2019) [memory?]
    premature_start_reset40 referee_pump
Back judge
    boards_disagree
""",
    ("nfhs", 2022): """
set by the
    routine stoppage defense_only
NFHS 3-6-1a(2) (2019)
    runner_down_inbounds out_of_bounds incomplete_pass
NFHS 3-6-1a(1)e, 3-5-7b
    line_to_gain_reached
NFHS event table, 3-6-1a [table]
    double_change_of_possession
NFHS play clock walk-through (2019): pile
    pile_unpile
NFHS 3-6-1a(1)e, 3-5-7 (2019)
    change_of_possession
NFHS 3-6-1a(1)f
    kick_new_series
NFHS 3-6-1a(2), a [memory]
    kick_no_new_series
NFHS play clock walk-through (2019): free
    before_free_kick
NFHS 3-6-1a(1)a
    touchdown
NFHS 3-6-1a(1) (2019)
    try_over field_goal safety
NFHS 3-6-1a(1)e (2019): penalty
    foul foul_offense foul_before_snap delay_of_game
NFHS 3-6-1a(1)e EXC 2 (2022): foul by
    foul_defense
NFHS 3-6-1a(1)e EXC 2 (2022): fouls [memory]
    foul_both
NFHS 3-6-1a(1)d (2019): charged time-out
    charged_timeout
NFHS 3-6-1a(1)d (2019): charged time-out, after [memory?]
    charged_timeout_after_injury_defense
NFHS 3-6-1a(1)e (2019): official's
    official_timeout equipment_offense measurement coach_conference
NFHS 3-6-1a(1)e (2019): injury, 3-5-10
    injury_offense
NFHS 3-6-1a(1)e EXC (2020): injured defender
    injury_defense
NFHS 3-6-1a(1)e EXC (2020): injured players [memory?]
    injury_both
NFHS 3-6-1a(1)e (2019): injury or [memory?]
    injury_or_helmet_any
NFHS 3-6-1a(1)e EXC (2020): defender's
    equipment_defense
NFHS 3-6-1a(1)e (2019): equipment [memory?]
    equipment_any
NFHS 3-6-1a(1)e (2019): helmet [memory?]
    helmet_off_runoff
NFHS 3-6-1a(1)c
    inadvertent_whistle
NFHS 3-6-1a(1)g (2020; f in 2019)
    replay_review administrative spotting_delay_reset25 other_interruption
NJFOA play clock instructions 1-3
    media_timeout
NFHS 3-6-1a(1)e EXC (2020): injured defender, then [memory?]
    media_timeout_after_injury_defense
NFHS 3-6-1a(1)g (2020): play [memory?]
    two_minute_timeout
PIAA play clock mechanics 2019: in
    in_doubt
NFHS 3-6-1a(1)b
    start_of_period overtime_series
NFHS 3-6-1a(1)g (2020): untimed [memory?]
    untimed_down
Inland Empire FOA play clock procedures 2021: both
    premature_start_reset40
Inland Empire FOA play clock procedures 2021: one
    referee_pump
NFHS play clock operator
    snap
NJFOA play clock instructions 3B
    zero_no_foul
NFHS 3-6-1a(2) (2019) [memory?]
    less_time_than_play_clock
NJFOA play clock instructions 3C
    boards_disagree
NHFOA play
    slow_chains_no_reset
NJFOA play clock instructions 3A
    FOULS+penalty_pending
""",
    ("nfhs", 2020): """
like nfhs 2022
NFHS 3-6-1a(1)e (2019): penalty
    foul_defense foul_both
""",
    ("nfhs", 2019): """
like nfhs 2020
NFHS event table (2019) [table]
    kick_new_series kick_no_new_series
NFHS 3-6-1a(1)d (2019): charged time-out
    charged_timeout_after_injury_defense
NFHS 3-6-1a(1)e (2019): injury, 3-5-10
    injury_defense injury_both media_timeout_after_injury_defense
PIAA play clock mechanics 2019, NJFOA
    injury_or_helmet_any
NFHS 3-6-1a(1)e (2019): official's
    equipment_defense equipment_any
""",
    ("ncaa", 2024): """
set by the
    routine stoppage defense_only
NCAA 3-2-4-b (2016): every
    runner_down_inbounds out_of_bounds incomplete_pass
NCAA 3-2-4-b (2016): stop-clock
    line_to_gain_reached
College timing table row 9 [table]
    double_change_of_possession
NCAA A.R. 3-3-1
    pile_unpile
NCAA 3-2-4-c-6
    change_of_possession
NCAA 3-2-4-c-7 (2016)
    kick_new_series kick_no_new_series
CFO play
    before_free_kick
NCAA 3-2-4-c-8 (2018, TASO notice)
    touchdown
NCAA 3-2-4-c-8 (2016)
    try_over field_goal safety
NCAA 3-2-4-c-1 (2016)
    foul foul_offense foul_defense foul_both foul_before_snap
NCAA 3-4-2-a, 3-2-4-c-1
    delay_of_game
NCAA 3-2-4-c-2
    charged_timeout
NCAA 3-2-4-c-5 (2024): injured
    charged_timeout_after_injury_defense
NCAA 3-2-4-c-12 (2016): other administrative stoppage
    official_timeout administrative
NCAA 3-2-4-c-4 (2016): injury, player
    injury_offense
NCAA A.R. 3-3-5 VII(a)
    injury_defense
NCAA A.R. 3-3-5 VII(b)
    injury_both
NCAA 3-2-4-c-4 (2016): injury or [memory?]
    injury_or_helmet_any
NCAA 3-3-10-b
    equipment_offense
NCAA 3-2-4-c-13, 2-2-4-b
    equipment_defense
NCAA 3-2-4-c-13 (2016) [memory?]
    equipment_any
College timing table row 14 [table?]
    helmet_off_runoff
NCAA 3-2-4-c-5 (2016)
    measurement
NCAA 3-2-4-c-12 (2016): other administrative stoppage (inference) [memory]
    inadvertent_whistle coach_conference
NCAA 3-2-4-c-11
    replay_review
NCAA 3-2-4-c-3
    media_timeout
NCAA A.R. 3-3-5 VII(c)
    media_timeout_after_injury_defense
NCAA 3-2-4-c-5 (2024): Two-Minute
    two_minute_timeout
NCAA 3-2-4-c (2016): the [memory?]
    in_doubt
NCAA 3-2-4-c-9
    start_of_period
NCAA 3-2-4-c-10
    overtime_series
NCAA 3-2-4-c-12 (2016): untimed [memory?]
    untimed_down
NCAA 3-2-4-b-3
    spotting_delay_reset25
NCAA 3-2-4-b-2
    premature_start_reset40
NCAA 3-2-4-c (2016): one
    referee_pump
NCAA 3-2-2-e [?]
    other_interruption
NCAA 2-29-2
    snap
Play clock
    zero_no_foul
NCAA 3-2-2-f
    less_time_than_play_clock
NCAA 3-2-4-d
    boards_disagree
NCAA 3-2-4-b (2016): every [memory?]
    slow_chains_no_reset
NCAA 3-2-4-c-7 (2018, TASO notice)
    kick_new_series+free_kick kick_no_new_series+free_kick
NCAA A.R. 3-2-4
    spotting_delay_reset25+pumped
NCAA 3-4-2-a (2016)
    FOULS+penalty_pending
""",
    ("ncaa", 2018): """
like ncaa 2024
NCAA 3-2-4-c-2
    charged_timeout_after_injury_defense
NCAA 3-3-8-b
    two_minute_timeout
""",
    ("ncaa", 2016): """
like ncaa 2018
NCAA 3-2-4-c-8 (2016)
    touchdown
""",
    ("ifaf", 2021): """
like ncaa 2018
IFAF 3-3-7-a
    charged_timeout
IFAF 3-2-4-c-4
    injury_offense injury_defense
IFAF 3-3-2-e
    other_interruption
""",
    ("nfl", 2010): """
set by the
    routine stoppage defense_only
NFL 4-6 (Video Rulebook): 40
    runner_down_inbounds line_to_gain_reached out_of_bounds incomplete_pass
NFL 4-6: end [memory?]
    double_change_of_possession pile_unpile kick_no_new_series snap zero_no_foul
    slow_chains_no_reset
NFL 4-6 (Video Rulebook): change
    change_of_possession
NFL 4-6 (Video Rulebook): punt
    kick_new_series
NFL 4-6: other [memory?]
    *
NFL 4-6 (Video Rulebook): before
    touchdown
NFL 4-6 (Video Rulebook): penalty
    foul foul_offense foul_defense foul_both foul_before_snap delay_of_game
NFL 4-6 (Video Rulebook): charged
    charged_timeout charged_timeout_after_injury_defense
NFL 4-6: replay [memory]
    replay_review
NFL 4-6 (Video Rulebook): two-minute
    two_minute_timeout
NFL 4-6 (Video Rulebook): end
    start_of_period
NFL 4-6: reset [memory?]
    premature_start_reset40
NFL 4-6 (Video Rulebook): the
    referee_pump
NFL 4-6: game [memory]
    less_time_than_play_clock
NFL 4-6: boards [memory?]
    boards_disagree
NFL 4-7 [memory]
    foul_defense+late_in_half defense_only+late_in_half
NFL 4-6: zero [memory?]
    FOULS+penalty_pending
""",
    ("canadian", 1990): """
set by the
    routine stoppage defense_only
CFL time count summary (through 2025): 20
    *
Canadian football: reset [memory?]
    premature_start_reset40 referee_pump
Canadian football: boards [memory?]
    boards_disagree
CFL time count summary (through 2025): time
    FOULS+penalty_pending
""",
    ("canadian", 2026): """
set by the
    routine stoppage defense_only
CFL rule changes 2026: 35 automatic from
    runner_down_inbounds line_to_gain_reached out_of_bounds incomplete_pass
CFL rule changes 2026: 35 automatic [memory?]
    double_change_of_possession pile_unpile kick_no_new_series snap zero_no_foul
    less_time_than_play_clock slow_chains_no_reset
CFL rule changes 2026: 20 [memory?]
    *
CFL rule changes 2026: natural
    foul foul_offense foul_defense foul_both foul_before_snap delay_of_game
CFL rule changes 2026: last
    two_minute_timeout routine+last_three_minutes runner_down_inbounds+last_three_minutes
    line_to_gain_reached+last_three_minutes out_of_bounds+last_three_minutes
    incomplete_pass+last_three_minutes double_change_of_possession+last_three_minutes
    pile_unpile+last_three_minutes kick_no_new_series+last_three_minutes
    less_time_than_play_clock+last_three_minutes
Canadian football: reset [memory?]
    premature_start_reset40 referee_pump
Canadian football: boards [memory?]
    boards_disagree
CFL time count summary (through 2025): time
    FOULS+penalty_pending
""",
    ("flag", 2000): """
set by the
    routine stoppage defense_only
Youth flag
    *
Flag football: reset [memory?]
    premature_start_reset40 referee_pump
Flag football: boards [memory?]
    boards_disagree
Flag football: zero [memory?]
    FOULS+penalty_pending
""",
}


@dataclass(frozen=True)
class Cited:
    """The beginning of a citation, how it was read, and whether it settles the matter."""

    citation: str
    read_as: str
    settled: bool

    def by(self, ruling: Ruling) -> bool:
        """True when ``ruling`` cites it, read in this way."""
        return ruling.citation.startswith(self.citation) and ruling.read_as == self.read_as


def written_down(code: str, season: int) -> dict[str, Cited]:
    """The table of one season, by ending; ``*`` for every other."""
    found: dict[str, Cited] = {}
    source = None
    for line in SOURCES[code, season].strip().splitlines():
        if line.startswith("like "):
            _, other, year = line.split()
            found |= written_down(other, int(year))
        elif not line.startswith(" "):
            citation, _, mark = line.removesuffix("]").partition(" [")
            source = Cited(citation, mark.rstrip("?") or "text", not mark.endswith("?"))
        else:
            assert source is not None
            for word in line.split():
                ending, _, fact = word.partition("+")
                named = PENDING.split() if ending == "FOULS" else [ending]
                found |= {f"{each}+{fact}" if fact else each: source for each in named}
    return found


def cited(rules: RuleSet) -> dict[str, Ruling]:
    """Every ruling that a set holds, with those that only a fact gives."""
    return {**rules.rulings, **rules.variants}


@pytest.mark.parametrize(("code", "season"), SOURCES)
def test_every_ruling_cites_its_source(code: str, season: int) -> None:
    wanted = written_down(code, season)
    rulings = cited(load_rule_set(code, season))
    assert wanted.keys() - {"*"} <= rulings.keys()
    for name, ruling in rulings.items():
        source = wanted[name] if name in wanted else wanted["*"]
        assert source.by(ruling), (name, ruling.citation)
        taken_over = code == "ifaf" and not ruling.citation.startswith("IFAF")
        assert (ruling.unsettled == "") == (source.settled and not taken_over), name


def test_no_season_is_missing_here() -> None:
    """But those of codes that take every ruling from another, with a note that says why."""
    held = {(code, each.season_from) for code in codes() for each in load_seasons(code)}
    followers = {"texas_six_man": "ncaa", "nfhs_reduced": "nfhs", "canadian_amateur": "canadian"}
    assert {pair for pair in held if pair[0] not in followers} == set(SOURCES)
    for code, followed in followers.items():
        for rules in load_seasons(code):
            theirs = cited(load_rule_set(followed, rules.season_from))
            for name, ruling in cited(rules).items():
                assert ruling.citation == theirs[name].citation
                assert ruling.unsettled.startswith(theirs[name].unsettled)
                assert len(ruling.unsettled) > len(theirs[name].unsettled)


MEANT = {
    "fourth_down": "change_of_possession",
    "new_series": "kick_new_series",
    "free_kick": "kick_new_series",
    "pumped": "referee_pump",
    "game_clock_low": "less_time_than_play_clock",
}
BY_DEFENSE = {
    "foul": "foul_defense",
    "foul_before_snap": "foul_defense",
    "delay_of_game": "foul_defense",
    "injury_or_helmet_any": "injury_defense",
    "equipment_any": "equipment_defense",
    "helmet_off_runoff": "equipment_defense",
    "stoppage": "defense_only",
}


def test_a_fact_makes_of_an_ending_what_its_name_says() -> None:
    for code in codes():
        for rules in load_seasons(code):
            for (ending, fact), became in rules.with_fact.items():
                if became not in rules.variants:
                    meant = BY_DEFENSE[ending] if fact == "by_defense_only" else MEANT[fact]
                    assert became == meant, (code, rules.season_from, ending, fact)


SHORT_OF_IT = {"routine", "runner_down_inbounds", "out_of_bounds", "incomplete_pass"}
HELD = [
    # where every count is the same the fact still says that the down is no routine end
    ("flag", 2000, "fourth_down", SHORT_OF_IT),
    ("nfhs", 1990, "fourth_down", SHORT_OF_IT | {"kick_no_new_series"}),
    ("canadian", 1990, "fourth_down", SHORT_OF_IT | {"kick_no_new_series"}),
    *[("nfhs", season, "by_defense_only", set(BY_DEFENSE)) for season in (2019, 2020, 2022)],
    *[("ncaa", season, "by_defense_only", set(BY_DEFENSE)) for season in (2016, 2018, 2024)],
    ("nfl", 2010, "by_defense_only", {"foul", "foul_before_snap", "delay_of_game"}),
]


@pytest.mark.parametrize(("code", "season", "fact", "endings"), HELD)
def test_a_fact_is_held_also_where_it_changes_no_number(
    code: str, season: int, fact: str, endings: set[str]
) -> None:
    with_fact = load_rule_set(code, season).with_fact
    assert {ending for ending, each in with_fact if each == fact} == endings
