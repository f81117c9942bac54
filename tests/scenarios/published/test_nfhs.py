"""Published situations of the high school code, 2022 on: seconds, and what starts them.

Each row: ending and facts, seconds, start, the situation in our own words, source, how it was
read (text, table, memory). The season is the newest; no play clock change was found after 2022.
Rows of older seasons are not here.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest

from controller.rules.events import SetCount, Snap
from controller.rules.phases import Live, Running, Set
from controller.rules.rulings import NOT_ENDINGS
from tests.controller.rules.crew import SCHOOL, S, in_phase
from tests.controller.rules.orders import READY, ending

RULE = "NFHS 3-6-1 a-b, 2019 wording quoted at fridaynightstripes.com/33"
SLIDES = "2019 NFHS rule change slides, list of 3-5-7 official's time-outs"
CHANGES_2020 = "NFHS 2020 rules changes, 3-6-1a(1)e EXC and a(1)f (hutchpost.com)"
SUMMARY_2022 = "NFHS 2022 rules changes, one-line summary (ckfoa.org, coachad.com)"
IEFOA = "Inland Empire FOA 40/25 play clock procedures, 2021"
MAGAZINE = "officials' magazine column on the 2020 NFHS changes (unofficial)"
EXPLAINER = "officials' explainer page on the play clock, theofficialtimeout.com"
TYPICAL = "40-Second Play Clock: a typical scenario (NFHS), docslib.org"
OPERATOR = "NFHS play clock operator instructions 2019"
NJ = "NJFOA/NJSIAA play clock operations, instr. 1-3"

FHSAA = "FHSAA/NFHS rule changes 2019, 40-second play clock, table (docslib.org)"

DEAD, READY_, SIGNAL = "dead_ball", "ready_for_play", "referee_signal"


class Row(NamedTuple):
    named: str
    seconds: int
    starts_on: str
    situation: str
    source: str
    read: str


PUBLISHED = [
    (
        "runner_down_inbounds",
        40,
        DEAD,
        "first to third down, down inbounds",
        f"{RULE} a(2)",
        "text",
    ),
    ("line_to_gain_reached", 40, DEAD, "first down inbounds", f"{RULE} a(1)e, 3-5-7b", "text"),
    ("incomplete_pass", 40, DEAD, "first to third down, pass falls", f"{RULE} a(2)", "text"),
    ("touchdown", 25, READY_, "a try follows", f"{RULE} a(1)a", "text"),
    ("try_over", 25, READY_, "a kickoff follows", IEFOA, "text"),
    ("field_goal", 25, READY_, "a kickoff follows", IEFOA, "text"),
    ("safety", 25, READY_, "a free kick follows", IEFOA, "text"),
    ("kick_new_series", 25, READY_, "kickoff returned", CHANGES_2020, "text"),
    ("kick_new_series", 25, READY_, "kickoff into the end zone", CHANGES_2020, "text"),
    ("kick_new_series", 25, READY_, "field goal missed", CHANGES_2020, "text"),
    ("kick_no_new_series", 40, DEAD, "third-down kick blocked and kept", CHANGES_2020, "memory"),
    ("change_of_possession", 25, READY_, "pass intercepted", IEFOA, "text"),
    ("change_of_possession", 25, READY_, "fumble lost", IEFOA, "text"),
    ("foul_offense", 25, READY_, "accepted, on the offense", f"{RULE} a(1)e; {SLIDES}", "text"),
    ("foul_defense", 40, READY_, "defense only, game clock to run", EXPLAINER, "text"),
    ("foul_defense", 40, READY_, "defense only", SUMMARY_2022, "memory"),
    ("foul_both", 25, READY_, "both teams foul on one down", SUMMARY_2022, "memory"),
    ("charged_timeout", 25, READY_, "either team", f"{RULE} a(1)d", "text"),
    (
        "charged_timeout_after_injury_defense",
        25,
        READY_,
        "time-out taken while a defender is looked after",
        "no document found",
        "memory",
    ),
    ("injury_offense", 25, READY_, "offensive player down", f"{CHANGES_2020}; {MAGAZINE}", "text"),
    ("injury_defense", 40, READY_, "defensive player down", CHANGES_2020, "text"),
    ("equipment_offense", 25, READY_, "offensive helmet off", f"{MAGAZINE}; {EXPLAINER}", "text"),
    ("equipment_defense", 40, READY_, "defensive helmet off", f"{CHANGES_2020}; {IEFOA}", "text"),
    ("measurement", 25, READY_, "for the first down", f"{SLIDES} (3-5-7a)", "text"),
    ("start_of_period", 25, READY_, "first play of a period", f"{RULE} a(1)b", "text"),
    ("overtime_series", 25, READY_, "first play of a series", f"{RULE} a(1)b", "text"),
    ("administrative", 25, READY_, "stopped for any other reason", f"{RULE} a(1)g", "text"),
    ("spotting_delay_reset25", 25, READY_, "ball not spotted in time", f"{RULE} a(1)g", "text"),
    ("snap", 40, DEAD, "board to 40 at once, held to the dead ball", f"{OPERATOR} J", "text"),
    ("before_free_kick", 25, READY_, "kickoff of a half or after a score", TYPICAL, "text"),
    ("untimed_down", 25, READY_, "after time ran out in the period", FHSAA, "table"),
    ("foul_defense declined", 40, READY_, "the result of the play stands", SUMMARY_2022, "memory"),
    ("foul_offense declined", 25, READY_, "the result of the play stands", f"{RULE} a(1)e", "text"),
    ("foul waved_off", 25, READY_, "after a conference", f"{RULE} a(1)g", "memory"),
    ("delay_of_game", 25, READY_, "zero up until the penalty is over", f"{RULE}; {NJ} 3A", "text"),
    ("foul_before_snap", 25, READY_, "false start", f"{RULE} a(1)e", "text"),
    ("foul_before_snap by_defense_only", 40, READY_, "encroachment", SUMMARY_2022, "memory"),
    ("inadvertent_whistle", 25, READY_, "administered", f"{RULE} a(1)c", "text"),
    ("coach_conference", 25, READY_, "a ruling is changed", SLIDES, "text"),
    ("official_timeout", 25, READY_, "ball dried or changed", SLIDES, "text"),
    ("out_of_bounds", 40, DEAD, "every other down", f"{RULE} a(2)", "text"),
    ("premature_start_reset40", 40, SIGNAL, "both palms pumped", IEFOA, "text"),
    ("referee_pump", 25, SIGNAL, "one palm pumped", IEFOA, "text"),
]


ROWS = [Row(*each) for each in PUBLISHED]


@pytest.mark.parametrize("row", ROWS)
def test_published_ruling(row: Row) -> None:
    name, *facts = row.named.split()
    ruling = SCHOOL.ruling(name, facts)
    assert (ruling.seconds, ruling.starts_on.value) == (row.seconds, row.starts_on)
    assert ruling.read_as == "memory" or row.read != "memory"


@pytest.mark.parametrize("row", [row for row in ROWS if row.named not in NOT_ENDINGS])
def test_published_number_on_the_boards(row: Row) -> None:
    """The same rows through the clock: held or running, and what the ready then runs."""
    name, *facts = row.named.split()
    crew = in_phase("LIVE")
    crew(ending(name, *facts), 100)
    if row.starts_on == READY_:
        assert crew.phase == Set(row.seconds)
        crew(READY, 112)
        assert crew.clock.expires_at == (112 + row.seconds) * S
    else:
        assert isinstance(crew.phase, Running)
        assert crew.clock.expires_at == (100 + row.seconds) * S


def test_every_row_says_how_it_was_read() -> None:
    assert {row.read for row in ROWS} <= {"text", "table", "memory"}
    assert all(row.situation and row.source for row in ROWS)


def test_the_snap_puts_forty_up_at_once_and_holds_it() -> None:
    """NFHS play clock operator instructions 2019, item J (text, seen in part)."""
    crew = in_phase("RUNNING")
    crew(Snap(), 100)
    assert isinstance(crew.phase, Live) and crew.phase.seconds == 40
    assert crew.shows(160) == 40


def test_zero_stays_until_the_penalty_is_completed() -> None:
    """NJFOA/NJSIAA play clock operations, 3A (text)."""
    crew = in_phase("EXPIRED")
    crew(ending("delay_of_game"), 100)
    assert crew.shows(130) == 0
    crew(READY, 130)
    assert crew.clock.expires_at == 155 * S


def test_zero_without_a_foul_is_forty_after_the_snap() -> None:
    """NJFOA/NJSIAA play clock operations, 3B (text)."""
    crew = in_phase("EXPIRED")
    crew(Snap(), 100)
    assert isinstance(crew.phase, Live) and crew.phase.seconds == 40


def test_the_referee_may_correct_the_count() -> None:
    """Rule text of the college code 3-2-2-d (text); for the school code from memory."""
    crew = in_phase("RUNNING")
    crew(SetCount(31), 100)
    assert crew.shows(100) == 31


def test_a_series_as_published() -> None:
    """NFHS, a typical scenario: kickoff, run inbounds, incomplete, first down, foul (text)."""
    crew = in_phase("IDLE")
    crew(ending("before_free_kick"), 100)
    crew(READY, 120)
    crew(Snap(), 130)
    crew(ending("kick_new_series"), 138)
    assert crew.phase == Set(25)
    crew(READY, 160)
    crew(Snap(), 175)
    crew(ending("runner_down_inbounds"), 181)
    assert crew.clock.expires_at == 221 * S
    crew(Snap(), 210)
    crew(ending("incomplete_pass"), 216)
    assert crew.clock.expires_at == 256 * S
    crew(Snap(), 240)
    crew(ending("line_to_gain_reached"), 247)
    crew(ending("foul_offense"), 249)
    assert crew.phase == Set(25)
    crew(READY, 270)
    assert crew.clock.expires_at == 295 * S
