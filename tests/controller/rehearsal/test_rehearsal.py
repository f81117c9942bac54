"""Presses played in virtual time: instants, numerals, and what happens between presses."""

from __future__ import annotations

import pytest

from controller.rehearsal.notation import parse_sequence
from controller.rehearsal.rehearsal import HOLD_NS, HOLD_OTHERS_NS, STATES, Played, play
from controller.rules.effects import ReachedZero
from controller.rules.events import Event, SetCount
from controller.rules.gestures import MS_NS, TWELVE
from controller.rules.phases import PHASES
from drivers.handset.layouts import HOLD_MS
from tests.controller.rules.crew import SCHOOL, S
from tests.controller.rules.orders import DEAD_BALL


def played(text: str, words: Event = DEAD_BALL) -> list[Played]:
    return list(play(parse_sequence(text, lambda _: words), SCHOOL))


def last(text: str) -> tuple[int | None, str]:
    found = played(text)[-1]
    return found.seconds, found.state


@pytest.mark.parametrize(
    ("text", "seconds", "state"),
    [
        ("n@0", None, "none"),
        ("d@0", 40, "running"),
        ("d@0;r@0.001", 40, "running"),
        ("d@0;r@1", 39, "running"),
        ("d@0;r@1.5", 39, "running"),
        ("2@0", 25, "held"),
        ("22@0", 25, "running"),
        ("s@0", 40, "live"),
        ("d@0;x@10.5", 30, "stopped"),
        ("d@0;x@40", 0, "zero"),
        ("s@0;x@5", 40, "live"),  # refused: nothing changes
    ],
)
def test_the_numeral_and_the_state_after_the_last_press(
    text: str, seconds: int | None, state: str
) -> None:
    assert last(text) == (seconds, state)


def test_every_phase_has_its_word() -> None:
    assert set(STATES) == {phase.__name__.upper() for phase in PHASES}


def test_the_holds_are_as_long_as_the_handset_s() -> None:
    held = {key for key, meaning in TWELVE.items() if meaning.held is not None}
    for key, milliseconds in HOLD_MS["twelve"].items():
        assert key.name in held
        assert HOLD_NS.get(key.name, HOLD_OTHERS_NS) == milliseconds * MS_NS


def test_a_double_tap_acts_at_its_second_tap_and_amends_the_first() -> None:
    (found,) = played("44@3")
    assert found.at == 3 * S + S // 5
    first, second = found.decisions
    assert (first.order.at, second.order.at) == (3 * S, found.at)
    assert second.order.amends and second.order.gesture_at == 3 * S
    assert found.decision is second
    assert (found.seconds, found.state) == (40, "running")


def test_a_hold_acts_when_it_has_lasted() -> None:
    *_, found = played("d@0;N@5")
    assert found.at == 6 * S
    assert (found.seconds, found.state) == (None, "none")
    assert [each.order.amends for each in found.decisions] == [False, True]


def test_a_press_begins_when_the_one_before_has_ended() -> None:
    first, second, third = played("ff@3;d@3;d@9")
    assert (first.at, second.at, third.at) == (3 * S + S // 5, 3 * S + S // 5, 9 * S)


def test_two_number_keys_at_once_say_which_was_taken() -> None:
    *_, found = played("2@0;4@0.1")
    assert found.decision is None and "25 stands" in found.reason
    assert (found.seconds, found.state) == (25, "held")


def test_what_passes_by_itself_belongs_to_the_press_after_it() -> None:
    first, second = played("d@0;s@50")
    assert not first.passed
    zero = [each for each in second.passed if isinstance(each, ReachedZero)]
    assert [each.at for each in zero] == [40 * S]


def test_words_are_an_order_of_the_console() -> None:
    found = played("d@0;:count@10", SetCount(17))[-1]
    assert found.decision is not None and found.decision.order.handset == 0
    assert (found.seconds, found.state) == (17, "running")
