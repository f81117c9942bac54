"""Strangers on the air and on the wire: when it is said, and when no longer."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.service.alarms import CAUSES, Alarms
from drivers.base import Rejection

S = 1_000_000_000
AT = 1_000 * S


def refused(reason: str, detail: str = "", settling: bool = False) -> Rejection:
    return Rejection(1, reason, detail, settling)


@pytest.mark.parametrize("reason", ["bad tag", "replayed"])
def test_five_are_noise_and_six_in_10_s_are_told_once_with_the_likeliest_cause_first(
    reason: str,
) -> None:
    alarms = Alarms()
    for second in range(5):
        assert alarms.rejected(refused(reason), AT + second * S) == (False, None)
    assert alarms.words(AT + 5 * S) == []
    assert alarms.rejected(refused(reason), AT + 10 * S - 2) == (True, CAUSES[reason])
    assert alarms.rejected(refused(reason), AT + 10 * S - 2) == (False, None)
    assert alarms.words(AT + 10 * S - 1) == [CAUSES[reason].alarm]
    assert alarms.words(AT + 30 * S) == []


def test_of_wrong_tags_the_harmless_causes_are_named_before_somebody_who_transmits() -> None:
    alarm, detail = CAUSES["bad tag"]
    for words, causes in (
        (alarm, ("second controller", "paired anew", "a stranger")),
        (detail, ("another controller has our keys", "paired anew elsewhere", "transmits")),
    ):
        places = [words.index(each) for each in causes]
        assert places == sorted(places)


def test_an_alarm_fits_on_a_line_of_the_console() -> None:
    before = len(" ALARM      ")
    assert all(before + len(cause.alarm) <= 80 for cause in CAUSES.values())


def test_wrong_tags_while_a_session_settles_alarm_nobody() -> None:
    alarms = Alarms()
    for _ in range(20):
        assert alarms.rejected(refused("bad tag", settling=True), AT)[1] is None
    assert alarms.words(AT) == []


@given(st.lists(st.integers(0, 20 * S), min_size=5, max_size=15), st.integers(0, 25 * S))
def test_the_alarm_stands_exactly_while_more_than_five_came_in_the_last_10_s(
    instants: list[int], asked_at: int
) -> None:
    alarms = Alarms()
    heard = sorted(at for at in instants if at <= asked_at)
    for at in heard:
        alarms.rejected(refused("bad tag"), at)
    recent = [at for at in heard if asked_at - at < 10 * S]
    assert bool(alarms.words(asked_at)) is (len(recent) > 5)


def test_an_alarm_is_news_when_it_begins_to_stand() -> None:
    alarms = Alarms()
    news = [alarms.rejected(refused("bad tag"), AT)[0] for _ in range(8)]
    assert news == [False] * 5 + [True] + [False] * 2
    assert alarms.rejected(refused("too late"), AT)[0]


def test_other_rejections_are_not_bad_tags() -> None:
    alarms = Alarms()
    for _ in range(20):
        alarms.rejected(refused("unknown handset"), AT)
        alarms.rejected(refused("hello too soon"), AT)
    assert alarms.words(AT) == []


def test_a_frame_of_another_version_is_named_for_10_s() -> None:
    alarms, said = Alarms(), "a frame of protocol version 3"
    alarms.rejected(refused("another version", said), AT)
    assert alarms.words(AT + 10 * S - 1) == [f"on the handsets' air: {said}"]
    assert alarms.words(AT + 10 * S) == []


def test_late_presses_speak_of_a_disturbed_radio_for_10_s() -> None:
    for reason in ("beat too old", "too late"):
        alarms = Alarms()
        alarms.rejected(refused(reason), AT)
        assert any("radio" in word for word in alarms.words(AT + 10 * S - 1))
        assert alarms.words(AT + 10 * S) == []


def test_another_version_is_named_with_the_controller_that_speaks_it() -> None:
    alarms = Alarms()
    assert alarms.foreign(AT, "a frame of protocol version 3")
    assert alarms.words(AT) == [
        "another controller is on the boards' pair: a frame of protocol version 3"
    ]
    assert not alarms.foreign(AT + S)
    assert alarms.words(AT + S) == ["another controller is on the boards' pair"]


def test_a_second_controller_is_said_for_10_s_and_stands_beside_the_others() -> None:
    alarms = Alarms()
    alarms.foreign(AT)
    assert any("controller" in word for word in alarms.words(AT + 10 * S - 1))
    assert alarms.words(AT + 10 * S) == []
    alarms.foreign(AT)
    alarms.rejected(refused("too late"), AT)
    for _ in range(6):
        alarms.rejected(refused("bad tag"), AT)
    assert len(alarms.words(AT)) == 3
