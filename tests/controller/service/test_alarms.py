"""Strangers on the air and on the wire: when it is said, and when no longer."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from controller.service.alarms import Alarms

S = 1_000_000_000
AT = 1_000 * S


def test_five_bad_tags_are_noise_and_six_in_10_s_are_someone() -> None:
    alarms = Alarms()
    for second in range(5):
        alarms.rejected("bad tag", AT + second * S)
    assert alarms.words(AT + 5 * S) == []
    alarms.rejected("bad tag", AT + 10 * S - 1)
    assert any("forged" in word for word in alarms.words(AT + 10 * S - 1))
    assert alarms.words(AT + 10 * S) == []


@given(st.lists(st.integers(0, 20 * S), min_size=5, max_size=15), st.integers(0, 25 * S))
def test_the_alarm_stands_exactly_while_more_than_five_came_in_the_last_10_s(
    instants: list[int], asked_at: int
) -> None:
    alarms = Alarms()
    heard = sorted(at for at in instants if at <= asked_at)
    for at in heard:
        alarms.rejected("bad tag", at)
    recent = [at for at in heard if asked_at - at < 10 * S]
    assert bool(alarms.words(asked_at)) is (len(recent) > 5)


def test_an_alarm_is_news_when_it_begins_to_stand() -> None:
    alarms = Alarms()
    assert [alarms.rejected("bad tag", AT) for _ in range(8)] == [False] * 5 + [True] + [False] * 2
    assert alarms.rejected("too late", AT)


def test_other_rejections_are_not_bad_tags() -> None:
    alarms = Alarms()
    for _ in range(20):
        alarms.rejected("unknown handset", AT)
        alarms.rejected("counter not above the last", AT)
    assert alarms.words(AT) == []


def test_late_presses_speak_of_a_disturbed_radio_for_10_s() -> None:
    for reason in ("beat too old", "too late"):
        alarms = Alarms()
        alarms.rejected(reason, AT)
        assert any("radio" in word for word in alarms.words(AT + 10 * S - 1))
        assert alarms.words(AT + 10 * S) == []


def test_a_second_controller_is_said_for_10_s_and_stands_beside_the_others() -> None:
    alarms = Alarms()
    alarms.foreign(AT)
    assert any("controller" in word for word in alarms.words(AT + 10 * S - 1))
    assert alarms.words(AT + 10 * S) == []
    alarms.foreign(AT)
    alarms.rejected("too late", AT)
    for _ in range(6):
        alarms.rejected("bad tag", AT)
    assert len(alarms.words(AT)) == 3
