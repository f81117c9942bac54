"""The truth itself, on presses whose numerals anybody can work out."""

from __future__ import annotations

import pytest

from controller.rules.events import Order, PlayEnded
from tests.shared.frames import MS_NS, S_NS
from tests.shared.installation import FIELD
from tests.shared.published import BOOKS
from tests.shared.truth import UNDEFINED, Face, Reading, Spell, Step, Truth, spells


def test_the_whole_first_second_reads_the_full_number_and_zero_stays() -> None:
    truth = Truth()
    truth.press("NUMBER_25", 1 * S_NS)
    truth.press("READY", 3 * S_NS)
    readings = truth.readings(40 * S_NS)
    assert readings[:2] == [Reading(0, 1 * S_NS, "  "), Reading(1 * S_NS, 4 * S_NS, "25")]
    falls = [
        Reading((28 - left) * S_NS, (29 - left) * S_NS, f"{left:2d}") for left in range(24, 0, -1)
    ]
    assert readings[2:] == [*falls, Reading(28 * S_NS, 40 * S_NS, " 0")]
    assert (truth.reads(28 * S_NS - 1), truth.reads(28 * S_NS)) == (" 1", " 0")


@pytest.mark.parametrize(
    ("presses", "face"),
    [
        (["FLAG 0"], Face(25)),
        (["FLAG 0", "FLAG 300"], Face(40)),
        (["FLAG 0", "DEAD_BALL 4000"], Face(25)),
        (["NUMBER_40 0", "NUMBER_40 600"], Face(40, 40_600 * MS_NS)),
        (["NUMBER_25 0", "NUMBER_40 100"], Face(25)),
        (["DEAD_BALL 0", "DEAD_BALL 5999"], Face(40, 40 * S_NS)),
        (["DEAD_BALL 0", "DEAD_BALL 6000"], Face(40, 46 * S_NS)),
        (["DEAD_BALL 0", "STOP 7500"], Face(33)),
        (["DEAD_BALL 0", "SNAP 9000", "UNDO 10000"], Face(40, 40 * S_NS)),
        (["DEAD_BALL 0", "NO_COUNT 2000"], Face(None)),
    ],
)
def test_what_becomes_of_presses(presses: list[str], face: Face) -> None:
    truth = Truth()
    for press in presses:
        key, at_ms = press.split()
        truth.press(key, int(at_ms) * MS_NS)
    assert truth.face(truth.steps[-1].at) == face


def test_a_hold_of_the_back_judge_holds_40() -> None:
    truth = Truth()
    assert truth.press("NUMBER_40", 0, handset=FIELD) == "running"
    assert truth.press("NUMBER_40", 800 * MS_NS, held=True, handset=FIELD) == "held"
    assert truth.face(S_NS) == Face(40)


def test_a_late_order_is_shown_when_it_is_decided_and_counts_from_its_own_instant() -> None:
    truth = Truth()
    truth.press("DEAD_BALL", 1 * S_NS, now=1_900 * MS_NS)
    assert truth.readings(3 * S_NS)[1:] == [
        Reading(1_900 * MS_NS, 2 * S_NS, "40"),
        Reading(2 * S_NS, 3 * S_NS, "39"),
    ]


def test_where_no_rule_says_what_to_show() -> None:
    truth = Truth()
    truth.press("DEAD_BALL", 0)
    truth.undefine(900 * MS_NS, 1_100 * MS_NS)
    truth.order(Order(PlayEnded("touchdown"), 1_100 * MS_NS))
    assert truth.steps[1:] == [
        Step(0, 40),
        Step(900 * MS_NS, UNDEFINED),
        Step(1_100 * MS_NS, 25),
    ]


@pytest.mark.parametrize(("code", "face"), [("nfhs", Face(25)), ("ncaa", Face(40, 40 * S_NS))])
def test_each_code_has_its_own_book(code: str, face: Face) -> None:
    truth = Truth(BOOKS[code])
    truth.order(Order(PlayEnded("touchdown"), 0))
    assert truth.face(0) == face


def test_spells_over_which_two_sequences_differ() -> None:
    ones = [Step(0, 40), Step(10, 39), Step(20, 38)]
    others = [Step(0, 40), Step(12, 39), Step(20, 38), Step(25, 37)]
    found = spells(ones, others, lambda one, other: one.numeral != other.numeral, 30)
    assert list(found) == [Spell(10, 12), Spell(25, 30)]
