"""Somebody must be there: silence of 30 s, 60 s alone, and what shows a sign of life."""

from __future__ import annotations

import pytest

from controller.service.handset_presence import Presence

S = 1_000_000_000
AT = 1_000 * S
HELD = ("SET", "LIVE", "STOPPED")


def test_a_handset_is_missed_after_30_s_from_its_last_frame_or_from_the_start() -> None:
    presence = Presence([1, 2], AT)
    assert not presence.silent(1, AT + 30 * S - 1)
    assert presence.silent(1, AT + 30 * S)
    presence.heard(1, AT + 30 * S)
    assert not presence.silent(1, AT + 59 * S)
    assert presence.silent(2, AT + 59 * S)
    assert presence.silent(1, AT + 60 * S)


def test_seconds_since_heard_are_whole_and_none_before_the_first() -> None:
    presence = Presence([1], AT)
    assert presence.heard_s(1, AT + 5 * S) is None
    presence.heard(1, AT + 5 * S)
    assert presence.heard_s(1, AT + 7 * S - 1) == 1
    assert presence.heard_s(1, AT + 4 * S) == 0


@pytest.mark.parametrize("phase", HELD)
def test_boards_go_off_60_s_after_the_last_sign_while_a_number_is_held(phase: str) -> None:
    presence = Presence([1, 2], AT)
    presence.heard(2, AT + 10 * S)
    assert presence.alone(phase, AT + 70 * S - 1) is None
    reason = presence.alone(phase, AT + 70 * S)
    assert reason == "no handset heard for 60 s"
    assert presence.alone(phase, AT + 200 * S) is None, "once for each loss"


def test_a_running_count_finishes_and_zero_then_goes_off_after_30_s_of_silence() -> None:
    presence = Presence([1], AT)
    assert presence.alone("RUNNING", AT + 100 * S) is None
    assert presence.alone("EXPIRED", AT + 30 * S - 1) is None
    assert presence.alone("EXPIRED", AT + 30 * S) is not None


def test_without_a_count_there_is_nothing_to_take_off() -> None:
    assert Presence([1], AT).alone("IDLE", AT + 1_000 * S) is None


def test_a_handset_heard_again_makes_the_next_loss_a_new_one() -> None:
    presence = Presence([1], AT)
    assert presence.alone("LIVE", AT + 60 * S) is not None
    presence.heard(1, AT + 70 * S)
    assert presence.alone("LIVE", AT + 129 * S) is None
    assert presence.alone("LIVE", AT + 130 * S) is not None


@pytest.mark.parametrize(("used_s", "asked_s"), [(29, 61), (45, 100)])
def test_a_key_on_the_console_before_or_after_the_silence_shows_that_somebody_is_there(
    used_s: int, asked_s: int
) -> None:
    presence = Presence([1], AT)
    presence.console_used(AT + used_s * S)
    assert presence.alone("LIVE", AT + asked_s * S) is None


@pytest.mark.parametrize("phase", [*HELD, "EXPIRED"])
def test_where_no_handset_reports_by_itself_nobody_is_missed(phase: str) -> None:
    assert Presence([], AT).alone(phase, AT + 1_000 * S) is None
