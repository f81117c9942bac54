"""The published worked examples with numbers, as far as they are the play clock's.

College examples are of the NCAA 2016-17 interpretations unless marked. What an example says of the
game clock is told beside it; this clock never touches it.
"""

from __future__ import annotations

import pytest

from controller.rulebook.loader import load_rule_set
from controller.rules.phases import Running, Set
from controller.rules.rulings import RuleSet, StartsOn
from controller.rules.settings import Settings
from tests.controller.rules import orders
from tests.controller.rules.crew import Crew, S

NCAA_2016 = load_rule_set("ncaa", 2016)
NCAA = load_rule_set("ncaa")


def after_a_snap(rules: RuleSet, settings: Settings | None = None) -> Crew:
    crew = Crew(rules, settings)
    crew(orders.SNAP, 90)
    return crew


def test_ball_not_ready_when_the_board_falls_to_25() -> None:
    """A.R. 3-2-4 I (text): dead at 0 s; at 15 s the board reads 25: stop, 25 held; ready: runs."""
    crew = after_a_snap(NCAA_2016)
    crew(orders.ending("out_of_bounds"), 100)
    assert (crew.shows(100), crew.shows(115)) == (40, 25)
    crew(orders.ending("spotting_delay_reset25"), 115)
    assert crew.phase == Set(25)
    crew(orders.READY, 130)
    assert crew.clock.expires_at == 155 * S


def test_umpire_leaves_the_ball_late() -> None:
    """A.R. 3-2-4 II (text): board at about 23, one palm pumped: 25 and running."""
    crew = after_a_snap(NCAA_2016)
    crew(orders.DEAD_BALL, 100)
    assert crew.shows(117) == 23
    crew(orders.RUN_25, 117)
    assert crew.shows(117) == 25 and crew.clock.expires_at == 142 * S


def test_umpire_leaves_the_ball_late_and_the_operator_is_slow() -> None:
    """A.R. 3-2-4 II (text): stopped, 25 set, both clocks on the signal."""
    crew = after_a_snap(NCAA_2016)
    crew(orders.DEAD_BALL, 100)
    crew(orders.STOP, 121)
    crew(orders.HOLD_25, 124)
    assert crew.phase == Set(25)
    crew(orders.READY, 130)
    assert crew.clock.expires_at == 155 * S


def test_a_defenders_helmet_then_the_defenses_timeout() -> None:
    """A.R. 3-3-10 V (text), 3-3-9 V before: 40; after a timeout of the defense 25 on the signal."""
    for rules in (NCAA_2016, NCAA):
        crew = after_a_snap(rules)
        crew(orders.ending("equipment_defense"), 100)
        assert crew.phase == Set(40)
        crew(orders.ending("charged_timeout"), 110)
        assert crew.phase == Set(25)


@pytest.mark.parametrize(
    ("example", "endings", "seconds"),
    [
        ("A.R. 3-3-9 III (text)", ("equipment_offense", "injury_defense"), 40),
        ("A.R. 3-4-4 VI (text)", ("equipment_offense", "foul_offense"), 25),
        ("A.R. 3-3-5 VII(a) (text)", ("injury_defense",), 40),
        ("A.R. 3-3-5 VII(b) (text)", ("injury_defense", "injury_offense"), 40),
        ("A.R. 3-3-5 VII(c) (text)", ("injury_defense", "media_timeout"), 40),
        ("A.R. 3-3-5 VIII (text): runoff or not", ("injury_defense",), 40),
        ("A.R. 3-3-2 VIII (memory): illegal pass, runoff", ("incomplete_pass", "foul_offense"), 25),
        ("A.R. 3-3-2 IX (memory): grounding, safety", ("foul_offense", "safety"), 25),
        ("10-second sheet, play 1 (text): false start", ("foul_before_snap",), 25),
        ("10-second sheet, play 2 (text): offside", ("foul_before_snap", "foul_defense"), 25),
        ("10-second sheet, play 3 (text): illegal shift", ("foul_before_snap",), 25),
    ],
)
@pytest.mark.parametrize("rules", [NCAA_2016, NCAA], ids=["2016", "2024"])
def test_a_stoppage_is_held_for_the_ready(
    example: str, endings: tuple[str, ...], seconds: int, rules: RuleSet
) -> None:
    for order in (endings, endings[::-1]):
        crew = after_a_snap(rules)
        for k, each in enumerate(order):
            crew(orders.ending(each), 100 + k)
        assert crew.phase == Set(seconds), example
        crew(orders.READY, 120)
        assert crew.clock.expires_at == (120 + seconds) * S


@pytest.mark.parametrize(
    ("game_clock_s", "named", "starts"),
    [(39, "routine", False), (40, "routine", True), (24, "foul", False), (25, "foul", True)],
)
def test_a_running_game_clock_with_fewer_seconds_than_the_count(
    game_clock_s: int, named: str, starts: bool
) -> None:
    """NCAA 3-2-2-f (text), "fewer than": 39 not, 40 yes; with a 25 count 24 not, 25 yes."""
    count = NCAA.ruling(named).seconds
    assert count is not None
    facts = ("game_clock_low",) if game_clock_s < count else ()
    ruling = NCAA.ruling(named, facts)
    assert (ruling.seconds is not None) == starts
    if not starts:
        assert ruling.starts_on is StartsOn.DEAD_BALL
    crew = after_a_snap(NCAA)
    crew(orders.ending(named), 100, game_clock_s=game_clock_s)
    if isinstance(crew.phase, Set):
        crew(orders.READY, 110, game_clock_s=game_clock_s)
    assert isinstance(crew.phase, Running) == starts
    assert crew.shows(110) == (None if not starts else 30 if named == "routine" else 25)


@pytest.mark.parametrize(("timeout_s", "latest_s"), [(60, 90), (30, 60)])
def test_the_latest_snap_after_a_charged_timeout(timeout_s: int, latest_s: int) -> None:
    """NCAA 3-3-7 (text): 1:00 (or 0:30), five seconds' notice, then 25."""
    crew = after_a_snap(NCAA)
    crew(orders.ending("charged_timeout"), 100)
    crew(orders.READY, 100 + timeout_s + 5)
    assert crew.clock.expires_at == (100 + latest_s) * S


def test_a_timer_that_knows_25_alone_run_twice_is_a_40() -> None:
    """TSSAA mechanics (text): first to 10 left, 15 s gone, then the full 25."""
    crew = Crew(load_rule_set("nfhs", 2018))
    crew(orders.RUN_25, 100)
    assert crew.shows(115) == 10
    crew(orders.RUN_25, 115)
    assert crew.clock.expires_at == 140 * S


@pytest.mark.parametrize(("lag_s", "zero_s"), [(0, 40), (1, 41), (2, 42)])
def test_the_start_lag_moves_the_zero(lag_s: int, zero_s: int) -> None:
    """NFHS rule text 0; NJFOA and TSSAA 1 s; Inland Empire FOA 2 s (all text)."""
    crew = after_a_snap(load_rule_set("nfhs", 2019), Settings(start_lag_s=lag_s))
    crew(orders.DEAD_BALL, 100)
    assert isinstance(crew.phase, Running)
    assert crew.shows(100 + lag_s) == 40
    assert crew.clock.expires_at == (100 + zero_s) * S


@pytest.mark.parametrize(
    ("season", "game_clock_s", "snap_needed"),
    [(2020, 39, False), (2019, 39, True), (2020, 24, False), (2019, 24, False)],
)
def test_the_reason_of_2020_a_defender_hurt_late(
    season: int, game_clock_s: int, snap_needed: bool
) -> None:
    """NFHS 2020 rationale (memory): with 40 up and less on a running clock nobody must snap."""
    seconds = load_rule_set("nfhs", season).ruling("injury_defense").seconds
    assert seconds is not None
    assert (seconds < game_clock_s) == snap_needed
