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
    # 2024: the Two-Minute Timeout is a stop with 25; 2025 changes what a fact makes of an injury
    ("ncaa", 2024): (
        40,
        25,
        f"{PLAYS} {ABA} {STATES} pile_unpile touchdown",
        f"{HURT} defense_only",
        f"boards_disagree {LOW}",
    ),
    ("ncaa", 2025): (
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
    ("nfhs_flag", 2025): (25, 25, "", "", "boards_disagree"),
}
FOLLOWERS = {
    "texas_six_man": "ncaa",
    "nfhs_reduced": "nfhs",
    "canadian_amateur": "canadian",
    "nfhs_flag": "flag",
}

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
    if code == "ncaa":  # 3-2-2-e, 3-2-4-b-2: both palms, at once
        wanted["other_interruption"] = (routine_s, StartsOn.SIGNAL)
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
INJURIES = "injury_offense injury_defense injury_both injury_or_helmet_any"
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
    # 2025 (inference): charged once the ball is spotted, and as any injury before
    ("ncaa", 2025, "after_spot", INJURIES, 25, R),
    ("ncaa", 2024, "after_spot", "injury_defense injury_both", 40, R),
    ("ncaa", 2018, "after_spot", "injury_defense injury_both", 40, R),
    ("ncaa", 2016, "after_spot", "injury_offense injury_or_helmet_any", 25, R),
    # 2022 (memory): the exception names the foul, not the penalty
    ("nfhs", 2022, "declined", "foul_defense", 40, R),
    ("nfhs", 2021, "declined", "foul_defense", 25, R),
    ("nfhs", 2019, "declined", "foul_defense", 25, R),
    ("nfhs", 2022, "declined", "foul foul_offense foul_both foul_before_snap", 25, R),
    # (memory) no foul after all: 25 as a crew in doubt
    ("nfhs", 2022, "waved_off", FOULS, 25, R),
    ("nfhs", 2019, "waved_off", FOULS, 25, R),
    *[("ncaa", season, "waved_off", FOULS, 25, R) for season in (2016, 2025)],
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
    (["nfhs", "ncaa"], "equipment_offense injury_defense", "injury_both"),
    (["nfhs", "ncaa"], "injury_offense equipment_defense", "injury_both"),
    (["nfhs", "ncaa"], "equipment_offense equipment_defense", "injury_both"),
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
    "after_spot": "charged_timeout",
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
            # `became == ending`: an earlier season, before the fact said anything
            assert became == meant or (became == ending and fact == "after_spot"), (ending, fact)


ENDS_SHORT = set(SHORT_OF_IT.split())
HELD = [
    # where every count is the same the fact still says that the down is not a routine end
    ("flag", 2000, "fourth_down", ENDS_SHORT),
    ("nfhs", 1990, "fourth_down", ENDS_SHORT | {"kick_no_new_series"}),
    ("canadian", 1990, "fourth_down", ENDS_SHORT | {"kick_no_new_series"}),
    *[("nfhs", season, "by_defense_only", set(BY_DEFENSE)) for season in (2019, 2020, 2022)],
    *[("ncaa", season, "by_defense_only", set(BY_DEFENSE)) for season in (2016, 2018, 2024, 2025)],
    ("nfl", 2010, "by_defense_only", {"foul", "foul_before_snap", "delay_of_game"}),
    *[
        ("ncaa", season, "new_series", {"kick_no_new_series"})
        for season in (2016, 2018, 2024, 2025)
    ],
]


@pytest.mark.parametrize(("code", "season", "fact", "endings"), HELD)
def test_a_fact_is_held_also_where_it_changes_no_number(
    code: str, season: int, fact: str, endings: set[str]
) -> None:
    with_fact = load_rule_set(code, season).with_fact
    assert {ending for ending, each in with_fact if each == fact} == endings


@pytest.mark.parametrize(
    ("code", "season", "fact", "endings", "said"),
    [
        ("nfhs", 2022, "declined", "foul_defense", "penalty declined"),
        ("nfhs", 2022, "waved_off", FOULS, "flag waved off after a conference"),
        ("nfhs", 2019, "waved_off", FOULS, "flag waved off after a conference"),
        ("ncaa", 2025, "after_spot", INJURIES, "injured once the ball is spotted"),
    ],
)
def test_a_fact_has_a_source_of_its_own(
    code: str, season: int, fact: str, endings: str, said: str
) -> None:
    """All from memory or by inference, and marked so, also where the number stays."""
    for ending in endings.split():
        ruling = load_rule_set(code, season).ruling(ending, (fact,))
        assert said in ruling.citation, ending
        assert ruling.read_as == "memory" and ruling.unsettled


@pytest.mark.parametrize("season", [2016, 2018, 2024])
def test_before_2025_it_did_not_matter_whether_the_ball_was_spotted(season: int) -> None:
    rules = load_rule_set("ncaa", season)
    for ending in INJURIES.split():
        assert rules.ruling(ending, ("after_spot",)) == rules.rulings[ending]


KEEPER = "routine stoppage defense_only field_goal_or_safety"
BREAKS = "foul foul_offense foul_defense foul_both foul_before_snap delay_of_game"
GOES_ON = "runner_down_inbounds line_to_gain_reached out_of_bounds incomplete_pass"
VIDEO, CFL = "NFL 4-6 (Video Rulebook): ", "CFL rule changes 2026: "
# What a season names itself, where something else would answer for it if it did not: `rest`, or the
# season it is like. How its citation begins, how that was read (`?`: not settled), the endings.
SAID_BY_ITSELF: dict[tuple[str, int], list[tuple[str, str, str]]] = {
    ("nfl", 2010): [
        ("set by the keeper", "text", KEEPER),
        (f"{VIDEO}40 from the end", "text", GOES_ON),
        (
            "NFL 4-6: end of the play",
            "memory?",
            f"{ABA} {STATES} pile_unpile kick_no_new_series",
        ),
        (f"{VIDEO}change of possession", "text", "change_of_possession"),
        (f"{VIDEO}punt", "text", "kick_new_series"),
        (f"{VIDEO}before a try", "text", "touchdown"),
        (f"{VIDEO}penalty", "text", BREAKS),
        (
            f"{VIDEO}charged time-out",
            "text",
            "charged_timeout charged_timeout_after_injury_defense",
        ),
        (f"{VIDEO}two-minute warning", "text", "two_minute_timeout"),
        (f"{VIDEO}end of a quarter", "text", "start_of_period"),
        (f"{VIDEO}the referee pumps one hand", "text", "referee_pump"),
        ("NFL 4-6-3: injury", "memory?", INJURIES),
        ("NFL 4-6: replay", "memory", "replay_review"),
        ("NFL 4-6: reset to 40", "memory?", "premature_start_reset40"),
        ("NFL 4-6: game clock has less time", "memory", LOW),
        ("NFL 4-6: boards disagree", "memory?", "boards_disagree"),
    ],
    ("canadian", 2026): [
        ("set by the keeper", "text", KEEPER),
        (f"{CFL}35 automatic from the whistle", "text", GOES_ON),
        (
            f"{CFL}35 automatic",
            "memory?",
            f"{ABA} {STATES} {LOW} pile_unpile kick_no_new_series",
        ),
        (f"{CFL}natural break such as a penalty", "text", BREAKS),
        (
            f"{CFL}natural break such as a scoring play",
            "text",
            "touchdown try_over field_goal safety",
        ),
        (f"{CFL}natural break such as a coach's challenge", "text", "replay_review"),
        (f"{CFL}last three minutes", "text", "two_minute_timeout"),
        ("Canadian football: reset", "memory?", "premature_start_reset40 referee_pump"),
        ("Canadian football: boards disagree", "memory?", "boards_disagree"),
    ],
    ("canadian", 1990): [
        ("set by the keeper", "text", KEEPER),
        ("Canadian football: reset", "memory?", "premature_start_reset40 referee_pump"),
        ("Canadian football: boards disagree", "memory?", "boards_disagree"),
    ],
    ("nfhs", 1990): [
        ("set by the keeper", "text", KEEPER),
        ("NFHS 3-6-1 (before 2019): reset", "memory?", "premature_start_reset40 referee_pump"),
        ("Back judge mechanics (before 2019)", "text", "boards_disagree"),
    ],
    ("flag", 2000): [
        ("set by the keeper", "text", KEEPER),
        ("Flag football: reset", "memory?", "premature_start_reset40 referee_pump"),
        ("Flag football: boards disagree", "memory?", "boards_disagree"),
    ],
    ("nfhs", 2020): [
        ("NFHS 3-6-1a(1)e (2019): penalty administration", "text", "foul_defense foul_both"),
    ],
    ("nfhs", 2019): [
        ("NFHS event table (2019)", "table", "kick_new_series kick_no_new_series"),
        (
            "NFHS 3-6-1a(1)d (2019): charged time-out",
            "text",
            "charged_timeout_after_injury_defense",
        ),
        (
            "NFHS 3-6-1a(1)e (2019): injury, 3-5-10",
            "text",
            "injury_defense injury_both media_timeout_after_injury_defense",
        ),
        ("PIAA play clock mechanics 2019, NJFOA", "text", "injury_or_helmet_any"),
        ("NFHS 3-6-1a(1)e (2019): official's", "text", "equipment_defense equipment_any"),
    ],
    ("ncaa", 2024): [],
    ("ncaa", 2018): [
        ("NCAA 3-2-4-c-2 (2016)", "text", "charged_timeout_after_injury_defense"),
        ("NCAA 3-2-4-c-4 (2016)", "text", "injury_offense"),
        ("NCAA 3-3-8-b (2016)", "text", "two_minute_timeout"),
    ],
    ("ncaa", 2016): [("NCAA 3-2-4-c-8 (2016)", "text", "touchdown")],
    ("ifaf", 2021): [
        ("IFAF 3-3-7-a (2021)", "text", "charged_timeout"),
        ("IFAF 3-2-4-c-4 (2021)", "text", "injury_offense injury_defense"),
        ("IFAF 3-3-2-e (2021)", "text", "other_interruption"),
    ],
}
LIKE = {
    ("nfhs", 2020): ("nfhs", 2022),
    ("nfhs", 2019): ("nfhs", 2020),
    ("ncaa", 2024): ("ncaa", 2025),
    ("ncaa", 2018): ("ncaa", 2024),
    ("ncaa", 2016): ("ncaa", 2018),
    ("ifaf", 2021): ("ncaa", 2018),
}
REST = {
    ("nfl", 2010): "NFL 4-6: other stoppage",
    ("canadian", 2026): "CFL rule changes 2026: 20 whistled in for natural breaks",
    ("canadian", 1990): "CFL time count summary (through 2025): 20 from",
    ("nfhs", 1990): "NFHS 3-6-1, 3-6-2 (before 2019",
    ("flag", 2000): "Youth flag league book",
}


@pytest.mark.parametrize(("code", "season"), SAID_BY_ITSELF)
def test_what_a_season_says_itself_and_what_answers_for_the_rest(code: str, season: int) -> None:
    rules = load_rule_set(code, season)
    named = set()
    for begins, how, endings in SAID_BY_ITSELF[code, season]:
        for ending in endings.split():
            ruling = rules.rulings[ending]
            assert ruling.citation.startswith(begins), ending
            assert ruling.read_as + ("?" if ruling.unsettled else "") == how, ending
            named.add(ending)
    if (code, season) in LIKE:
        theirs = load_rule_set(*LIKE[code, season])
        cited = {name: each.citation for name, each in theirs.rulings.items()}
    else:
        cited = dict.fromkeys(ENDINGS, REST[code, season])
    for ending, ruling in rules.rulings.items():
        assert ruling.citation.startswith(cited[ending]) != (ending in named), ending
