"""What is refused on the air: counted whole, told at once the first time, then once a minute."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.service.refusals import MINUTE_NS, NOISE, OF_A_THUMB, ROWS_OF_A_THUMB, Refusals
from controller.status.document import Refused

S = 1_000_000_000
AT = 1_000 * S
CREW = (0, 1, 2)
REASONS = ("bad tag", "unknown handset", "counter not above the last", "too late")


class Told:
    """The rows that a service would write, looking every second."""

    def __init__(self) -> None:
        self.refusals = Refusals(CREW, AT)
        self.rows: list[tuple[int, str]] = []
        self._looked_at = AT

    def until(self, at: int) -> None:
        while self._looked_at + S <= at:
            self._looked_at += S
            if self.refusals.pass_time(self._looked_at):
                told = self.refusals.told
                assert told is not None
                self.rows.append((self._looked_at, ": ".join(told[:2])))

    def refused(self, reason: str, at: int, handset: int | None = 1) -> None:
        self.until(at)
        if self.refusals.refused(reason, handset, at):
            self.rows.append((at, reason))

    def rows_within(self, from_at: int, to_at: int) -> list[str]:
        return [words for at, words in self.rows if from_at <= at < to_at]


@pytest.mark.parametrize(
    "every_ns", [S // 400, S * 10 // 19, 59 * S], ids=["fast", "1.9/s", "slow"]
)
def test_a_flood_of_any_pace_has_its_first_frame_told_and_then_a_row_a_minute(
    every_ns: int,
) -> None:
    told = Told()
    minutes = 1 if every_ns < S // 100 else 5
    frames = minutes * MINUTE_NS // every_ns + 1
    for number in range(frames):
        told.refused("bad tag", AT + number * every_ns)
    told.until(AT + (minutes + 2) * MINUTE_NS)
    assert told.rows[0] == (AT, "bad tag")
    for minute in range(minutes + 2):
        assert (
            len(told.rows_within(AT + 1 + minute * MINUTE_NS, AT + 1 + (minute + 1) * MINUTE_NS))
            <= 1
        )
    counted = [int(words.split()[0]) for _, words in told.rows[1:]]
    assert 1 + sum(counted) == frames
    assert told.refusals.told is None


def test_the_row_of_a_minute_says_how_many_why_and_whose_and_how_many_since_the_start() -> None:
    told = Told()
    for _ in range(4):
        told.refused("bad tag", AT, handset=1)
        told.refused("unknown handset", AT, handset=77)
    told.refused("bad tag", AT, handset=2)
    told.until(AT + MINUTE_NS)
    assert [words for _, words in told.rows] == [
        *("bad tag", "unknown handset"),
        "7 frames refused in 60 s: bad tag 3 (handset 1), unknown handset 3, bad tag 1 (handset 2)",
    ]
    assert told.refusals.told is not None and told.refusals.told.total == 9


def test_a_frame_after_a_quiet_minute_has_a_row_of_its_own_again() -> None:
    told = Told()
    for second in (0, 60, 100, 161):
        told.refused("bad tag", AT + second * S)
    assert [at - AT for at, words in told.rows if words == "bad tag"] == [0, 60 * S, 161 * S]


@pytest.mark.parametrize("reason", sorted(OF_A_THUMB))
def test_the_first_presses_of_ours_that_are_refused_have_a_row_each(reason: str) -> None:
    told = Told()
    for second in range(ROWS_OF_A_THUMB + 3):
        told.refused(reason, AT + second * S)
    told.until(AT + 2 * MINUTE_NS)
    words = [words for _, words in told.rows]
    assert words == [reason] * ROWS_OF_A_THUMB + [
        f"3 frames refused in 60 s: {reason} 3 (handset 1)"
    ]


@settings(max_examples=20, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 200 * S), st.sampled_from(REASONS), st.integers(0, 255)),
        max_size=40,
    )
)
def test_every_frame_is_told_once_by_its_own_row_or_in_a_count(
    frames: list[tuple[int, str, int]],
) -> None:
    told = Told()
    for after, reason, handset in sorted(frames):
        told.refused(reason, AT + after, handset)
    told.until(AT + 300 * S)
    counted = [int(words.split()[0]) for _, words in told.rows if "refused in" in words]
    assert len(told.rows) - len(counted) + sum(counted) == len(frames)
    counts = told.refusals.counts()
    assert Counter(reason for _, reason, _ in frames) == sum(
        (Counter({each.reason: each.since_start}) for each in counts), Counter()
    )


def test_at_the_end_what_there_is_of_a_minute_is_told() -> None:
    refusals = Refusals(CREW, AT)
    for _ in range(3):
        refusals.refused("bad tag", 1, AT)
    assert not refusals.pass_time(AT + 20 * S)
    assert refusals.pass_time(AT + 20 * S, at_the_end=True)
    assert refusals.told is not None
    assert refusals.told.event == "2 frames refused in 20 s"
    assert not refusals.pass_time(AT + 21 * S, at_the_end=True)


def test_damaged_frames_are_news_only_beyond_noise_or_beside_refused_ones() -> None:
    told = Told()
    told.refusals.damaged("/dev/receiver", NOISE, AT)
    told.until(AT + MINUTE_NS)
    assert told.rows == []
    told.refusals.damaged("/dev/receiver", 2 * NOISE + 1, AT + 61 * S)
    told.until(AT + 125 * S)
    assert [words for _, words in told.rows] == [
        f"{NOISE + 1} frames refused in 60 s: damaged {NOISE + 1} (receiver)"
    ]
    for _ in range(2):
        told.refused("bad tag", AT + 130 * S)
    told.refusals.damaged("/dev/receiver", 2 * NOISE + 2, AT + 131 * S)
    told.until(AT + 200 * S)
    assert told.rows[-1][1].endswith("damaged 1 (receiver)")


def test_the_counts_are_those_since_the_start_and_of_the_last_minute() -> None:
    told = Told()
    for second in range(100):
        told.refused("bad tag", AT + second * S)
    told.refusals.damaged("/dev/receiver", 3, AT + 99 * S)
    forged, damaged = told.refusals.counts()
    assert (forged.reason, forged.whose, forged.since_start) == ("bad tag", "handset 1", 100)
    assert 60 <= forged.last_minute <= 70
    assert damaged == Refused("damaged", "receiver", 3, 3)
    told.until(AT + 300 * S)
    assert [each.last_minute for each in told.refusals.counts()] == [0, 0]


def test_numbers_made_up_by_a_stranger_take_no_room() -> None:
    refusals = Refusals(CREW, AT)
    for number in (0, *range(3, 256)):
        refusals.refused("unknown handset", number, AT)
    assert refusals.counts() == (Refused("unknown handset", "", 254, 254),)


def test_two_receivers_are_counted_apart_whatever_their_ports_are_called() -> None:
    refusals = Refusals(CREW, AT)
    for heard in (3, 5):
        for port in ("/dev/north/receiver", "/dev/south/receiver"):
            refusals.damaged(port, heard, AT)
    assert refusals.counts() == (Refused("damaged", "receiver", 10, 10),)
