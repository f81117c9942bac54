"""What the seasons of the codes say, written down a second time from the rules' own lists.

Rule books list exceptions: here are, for every season, the endings that are NOT the code's
administrative count on the ready. A number or a start that is changed in one ruling of the data
differs from this table. The sources stand beside each ruling in the data. A code need not be here:
what every code must have is in ``test_published.py`` and in the tests of the loader.
"""

from __future__ import annotations

import pytest

from controller.rulebook.loader import load_rule_set, load_seasons
from controller.rules.endings import ENDINGS
from controller.rules.rulings import RuleSet, StartsOn

PLAYS = "routine runner_down_inbounds line_to_gain_reached out_of_bounds incomplete_pass"
ABA = "double_change_of_possession"
STATES = "snap zero_no_foul slow_chains_no_reset"
LOW = "less_time_than_play_clock"
HURT = "injury_defense injury_both equipment_defense media_timeout_after_injury_defense"

# (code, first year): routine number, administrative number; endings with the routine number at the
# dead ball; with the routine number on the ready; with no new count.
SEASONS: dict[tuple[str, int], tuple[int, int, str, str, str]] = {
    ("nfhs", 1990): (25, 25, "", "", "boards_disagree"),
    # 3-6-1a(2) against a(1) a-f; every legal kick 25 (2019 table)
    ("nfhs", 2019): (40, 25, f"{PLAYS} {ABA} {STATES} {LOW}", "", "boards_disagree"),
    # 2020: the defender's injury and equipment; a kick needs a new series for 25
    ("nfhs", 2020): (
        40,
        25,
        f"{PLAYS} {ABA} {STATES} {LOW} kick_no_new_series",
        f"{HURT} defense_only",
        "boards_disagree",
    ),
    # 2022: a foul by the defense only
    ("nfhs", 2022): (
        40,
        25,
        f"{PLAYS} {ABA} {STATES} {LOW} kick_no_new_series",
        f"{HURT} defense_only foul_defense",
        "boards_disagree",
    ),
    # 3-2-4-b against 3-2-4-c-1 to 13
    ("ncaa", 2016): (
        40,
        25,
        f"{PLAYS} {ABA} {STATES} pile_unpile",
        f"{HURT} defense_only",
        f"boards_disagree {LOW} two_minute_timeout",
    ),
    # 2018: touchdown (and free kick, by its fact)
    ("ncaa", 2018): (
        40,
        25,
        f"{PLAYS} {ABA} {STATES} pile_unpile touchdown",
        f"{HURT} defense_only",
        f"boards_disagree {LOW} two_minute_timeout",
    ),
    # 2024: the Two-Minute Timeout is a stop with 25
    ("ncaa", 2024): (
        40,
        25,
        f"{PLAYS} {ABA} {STATES} pile_unpile touchdown",
        f"{HURT} defense_only",
        f"boards_disagree {LOW}",
    ),
    ("ifaf", 2021): (
        40,
        25,
        f"{PLAYS} {ABA} {STATES} pile_unpile touchdown",
        f"{HURT} defense_only",
        f"boards_disagree {LOW} two_minute_timeout other_interruption",
    ),
    ("nfl", 2010): (
        40,
        25,
        f"{PLAYS} {ABA} {STATES} pile_unpile kick_no_new_series",
        "",
        f"boards_disagree {LOW}",
    ),
    ("canadian", 1990): (20, 20, "", "", "boards_disagree"),
    ("canadian", 2026): (
        35,
        20,
        f"{PLAYS} {ABA} {STATES} {LOW} pile_unpile kick_no_new_series",
        "",
        "boards_disagree",
    ),
    ("canadian_amateur", 1990): (20, 20, "", "", "boards_disagree"),
    ("flag", 2000): (25, 25, "", "", "boards_disagree"),
}
FOLLOWERS = {"texas_six_man": "ncaa", "nfhs_reduced": "nfhs", "canadian_amateur": "canadian"}

Answer = tuple[int | None, StartsOn]


def answers(rules: RuleSet) -> dict[str, Answer]:
    return {name: (each.seconds, each.starts_on) for name, each in rules.rulings.items()}


@pytest.mark.parametrize(("code", "season"), SEASONS)
def test_every_ruling_of_a_season(code: str, season: int) -> None:
    routine_s, administrative_s, at_once, on_ready, nothing = SEASONS[code, season]
    wanted: dict[str, Answer] = dict.fromkeys(ENDINGS, (administrative_s, StartsOn.READY))
    wanted |= dict.fromkeys(at_once.split(), (routine_s, StartsOn.DEAD_BALL))
    wanted |= dict.fromkeys(on_ready.split(), (routine_s, StartsOn.READY))
    wanted["premature_start_reset40"] = (routine_s, StartsOn.SIGNAL)
    wanted["referee_pump"] = (administrative_s, StartsOn.SIGNAL)
    for ending in nothing.split():
        wanted[ending] = (None, StartsOn.DEAD_BALL if ending == LOW else StartsOn.SIGNAL)
    rules = load_rule_set(code, season)
    assert rules.season_from == season
    assert (rules.routine_s, rules.administrative_s) == (routine_s, administrative_s)
    assert answers(rules) == wanted


@pytest.mark.parametrize(("follower", "followed"), FOLLOWERS.items())
def test_a_follower_answers_as_the_code_it_follows_and_says_why(
    follower: str, followed: str
) -> None:
    for rules in load_seasons(follower):
        theirs = load_rule_set(followed, rules.season_from)
        assert answers(rules) == answers(theirs)
        for name, ruling in {**rules.rulings, **rules.variants}.items():
            their = {**theirs.rulings, **theirs.variants}[name]
            assert ruling.citation == their.citation
            assert ruling.unsettled.startswith(their.unsettled)
            assert len(ruling.unsettled) > len(their.unsettled)


@pytest.mark.parametrize("follower", ["texas_six_man", "nfhs_reduced"])
def test_a_follower_without_seasons_of_its_own_has_all_of_the_other(follower: str) -> None:
    ours, theirs = (load_seasons(code) for code in (follower, FOLLOWERS[follower]))
    assert [each.season_from for each in ours] == [each.season_from for each in theirs]


def test_the_marks() -> None:
    """10 and 5 to 1 by newspapers and slides (text); 25 on a running 40 by NCAA b-3 (text)."""
    for code, season in SEASONS:
        rules = load_rule_set(code, season)
        assert rules.marks == {10, 5, 4, 3, 2, 1, 0}
        one_count = rules.routine_s == rules.administrative_s
        assert rules.routine_marks == (set() if one_count else {rules.administrative_s})


R, D, N = StartsOn.READY, StartsOn.DEAD_BALL, StartsOn.SIGNAL
FOULS = "delay_of_game foul foul_offense foul_defense foul_both foul_before_snap"
SHORT_OF_IT = "routine runner_down_inbounds out_of_bounds incomplete_pass"
CLOCK_RUNS = (
    f"routine stoppage defense_only {ABA} runner_down_inbounds line_to_gain_reached out_of_bounds "
    "pile_unpile foul foul_offense foul_defense foul_both foul_before_snap injury_offense "
    "injury_defense injury_both equipment_offense equipment_defense measurement administrative"
)
WITH_A_FACT = [
    # every code: the ball goes over on downs; zero until the penalty is completed
    ("nfhs", 2022, "fourth_down", f"{SHORT_OF_IT} kick_no_new_series", 25, R),
    ("ncaa", 2024, "fourth_down", f"{SHORT_OF_IT} pile_unpile", 25, R),
    ("nfl", 2010, "fourth_down", f"{SHORT_OF_IT} pile_unpile kick_no_new_series", 25, R),
    ("canadian", 2026, "fourth_down", f"{SHORT_OF_IT} pile_unpile kick_no_new_series", 20, R),
    *[
        (code, season, "penalty_pending", FOULS, None, R)
        for code, season in SEASONS
        if code != "ifaf"
    ],
    # NFHS 3-6-1a(1)f (2020)
    ("nfhs", 2022, "new_series", "kick_no_new_series", 25, R),
    ("nfl", 2010, "new_series", "kick_no_new_series", 25, R),
    ("canadian", 2026, "new_series", "kick_no_new_series", 20, R),
    # the team is told
    ("nfhs", 2022, "by_defense_only", "foul foul_before_snap delay_of_game stoppage", 40, R),
    ("nfhs", 2021, "by_defense_only", "foul foul_before_snap delay_of_game", 25, R),
    (
        "nfhs",
        2022,
        "by_defense_only",
        "injury_or_helmet_any equipment_any helmet_off_runoff",
        40,
        R,
    ),
    ("nfhs", 2019, "by_defense_only", "injury_or_helmet_any equipment_any", 25, R),
    (
        "ncaa",
        2024,
        "by_defense_only",
        "injury_or_helmet_any equipment_any helmet_off_runoff",
        40,
        R,
    ),
    ("ncaa", 2024, "by_defense_only", "stoppage", 40, R),
    ("ncaa", 2024, "by_defense_only", "foul foul_before_snap delay_of_game", 25, R),
    # NCAA 3-2-4-c-7: after a free kick 40 since 2018
    ("ncaa", 2024, "free_kick", "kick_new_series kick_no_new_series", 40, D),
    ("ncaa", 2018, "free_kick", "kick_new_series kick_no_new_series", 40, D),
    ("ncaa", 2016, "free_kick", "kick_new_series kick_no_new_series", 25, R),
    # a pump resets and runs
    ("nfhs", 2019, "pumped", "spotting_delay_reset25", 25, N),
    ("ncaa", 2016, "pumped", "spotting_delay_reset25", 25, N),
    ("nfl", 2010, "pumped", "spotting_delay_reset25", 25, N),
    ("canadian", 2026, "pumped", "spotting_delay_reset25", 20, N),
    # NFL 4-7 (memory): the defense saves time late
    ("nfl", 2010, "late_in_half", "foul_defense defense_only", 40, R),
    # NCAA 3-2-2-f; NFL 4-6 (memory)
    ("ncaa", 2024, "game_clock_low", CLOCK_RUNS, None, D),
    ("nfl", 2010, "game_clock_low", CLOCK_RUNS, None, D),
    # CFL 2026: 20 whistled in for the last three minutes of a half
    (
        "canadian",
        2026,
        "last_three_minutes",
        f"{PLAYS} {ABA} pile_unpile kick_no_new_series {LOW}",
        20,
        R,
    ),
]


@pytest.mark.parametrize("row", WITH_A_FACT)
def test_what_a_fact_makes_of_an_ending(
    row: tuple[str, int, str, str, int | None, StartsOn],
) -> None:
    code, season, fact, endings, seconds, starts_on = row
    rules = load_rule_set(code, season)
    for ending in endings.split():
        ruling = rules.ruling(ending, (fact,))
        assert (ruling.seconds, ruling.starts_on) == (seconds, starts_on), ending


RESULTS = (
    "touchdown field_goal safety field_goal_or_safety try_over change_of_possession kick_new_series"
)


@pytest.mark.parametrize(
    ("code", "season"), [("nfhs", 2019), ("ncaa", 2016), ("nfl", 2010), ("canadian", 2026)]
)
def test_a_penalty_that_cancels_a_result_leaves_the_foul_alone(code: str, season: int) -> None:
    rules = load_rule_set(code, season)
    assert rules.cancelled == set(RESULTS.split())
    for result in rules.cancelled:
        ruling = rules.in_force(frozenset({result, "foul_defense", "cancelled"}))
        assert ruling == rules.ruling("foul_defense")


TOGETHER = [
    (["nfhs", "ncaa", "nfl"], "injury_offense injury_defense", "injury_both"),
    (["nfhs", "ncaa", "nfl"], "foul_offense foul_defense", "foul_both"),
    (["nfhs", "ncaa"], "charged_timeout injury_defense", "charged_timeout_after_injury_defense"),
    (["nfhs", "ncaa"], "media_timeout injury_defense", "media_timeout_after_injury_defense"),
    (["ncaa"], "equipment_offense injury_defense", "injury_both"),
    (["ncaa"], "injury_offense equipment_defense", "injury_both"),
    (["ncaa"], "equipment_offense equipment_defense", "injury_both"),
]


@pytest.mark.parametrize(("held_by", "endings", "mean"), TOGETHER)
def test_endings_that_together_mean_another(held_by: list[str], endings: str, mean: str) -> None:
    for code in held_by:
        rules = load_rule_set(code)
        assert rules.in_force(frozenset(endings.split())) == rules.ruling(mean)
    everywhere = {
        (each.all_of, each.mean) for c, _ in SEASONS for each in load_rule_set(c).combinations
    }
    assert everywhere == {(frozenset(all_of.split()), meant) for _, all_of, meant in TOGETHER}


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


@pytest.mark.parametrize(("code", "season"), SEASONS)
def test_a_fact_makes_of_an_ending_what_its_name_says(code: str, season: int) -> None:
    rules = load_rule_set(code, season)
    for (ending, fact), became in rules.with_fact.items():
        if became not in rules.variants:
            meant = BY_DEFENSE[ending] if fact == "by_defense_only" else MEANT[fact]
            assert became == meant, (ending, fact)


ENDS_SHORT = set(SHORT_OF_IT.split())
HELD = [
    # where every count is the same the fact still says that the down is not a routine end
    ("flag", 2000, "fourth_down", ENDS_SHORT),
    ("nfhs", 1990, "fourth_down", ENDS_SHORT | {"kick_no_new_series"}),
    ("canadian", 1990, "fourth_down", ENDS_SHORT | {"kick_no_new_series"}),
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
