from __future__ import annotations

import pytest

from drivers.base import Answer, CueCode, PhaseCode
from drivers.handset.cues import STATE_FLIGHT_NS, Cue, CueClock, CueKind
from drivers.handset.messages import StateFlag, StateFrame, cue_byte

MS, S = 1_000_000, 1_000_000_000
LIT = StateFlag.BOARDS_LIT
TICK = CueKind.MARK_TICK
LAST_TEN = [(10, CueKind.MARK_10), *((n, TICK) for n in (5, 4, 3, 2, 1)), (0, CueKind.ZERO)]


def state(
    phase: PhaseCode,
    numerals: int | None = None,
    remaining_ms: int = 0,
    *,
    flags: StateFlag = LIT,
    mark: int = 0,
    cue: int = 0,
) -> StateFrame:
    told = phase, numerals, -(-remaining_ms // 10), flags, mark, cue
    return StateFrame(1, *told, 0, 0, Answer.NONE)


class Bench:
    """A cue clock that hears a STATE every second of a count, as the controller sends it."""

    def __init__(self) -> None:
        self.clock = CueClock()
        self.at = 0

    def hear(self, heard: StateFrame, sent_at: int) -> None:
        self.until(sent_at + STATE_FLIGHT_NS)
        self.clock.hear(heard, self.at)

    def until(self, at: int) -> None:
        while self.clock.next_at is not None and self.clock.next_at <= at:
            assert self.clock.next_at >= self.at
            self.at = self.clock.next_at
            self.clock.pass_time(self.at)
        self.at = at

    def count(self, seconds: int, mark: int, from_at: int, until_left: int = 0) -> int:
        """STATE once a second of a count from ``from_at``; gives the instant of its zero."""
        for n in range(seconds - until_left):
            left = seconds - n
            self.hear(state(PhaseCode.RUNNING, left, left * 1000, mark=mark), from_at + n * S)
        return from_at + seconds * S

    def cues(self, zero_at: int) -> list[tuple[float, CueKind]]:
        """The cues in seconds before ``zero_at``."""
        return [((zero_at - cue.at) / S, cue.kind) for cue in self.clock.played]


@pytest.mark.parametrize(("seconds", "mark"), [(40, 25), (40, 20), (35, 11), (99, 98)])
def test_a_count_is_marked_at_its_mark_10_5_to_1_and_0_each_once_and_on_time(
    seconds: int, mark: int
) -> None:
    b = Bench()
    zero_at = b.count(seconds, mark, 0)
    b.until(zero_at + S)
    cues = b.cues(zero_at)
    assert [kind for _, kind in cues] == [CueKind.MARK, *(kind for _, kind in LAST_TEN)]
    wanted = [mark, *(left for left, _ in LAST_TEN)]
    for (left, _), want in zip(cues, wanted, strict=True):
        assert abs(left - want) <= 0.010  # a cue may be 0.1 s off


@pytest.mark.parametrize("seconds", [25, 20, 35])
def test_no_other_second_is_marked_where_the_count_has_no_mark(seconds: int) -> None:
    b = Bench()
    zero_at = b.count(seconds, 0, 0)
    b.until(zero_at + S)
    assert [kind for _, kind in b.cues(zero_at)] == [kind for _, kind in LAST_TEN]


def test_a_count_goes_on_by_itself_until_the_link_is_lost() -> None:
    b = Bench()
    b.hear(state(PhaseCode.RUNNING, 6, 6000), 0)
    b.until(2 * S)
    assert b.clock.numerals(2 * S) == 4
    assert b.clock.linked
    b.until(10 * S)
    assert [kind for _, kind in b.cues(6 * S)] == [TICK, TICK, TICK]
    assert not b.clock.linked
    assert b.clock.numerals(10 * S) is None


def test_cues_come_back_with_the_link_and_what_was_missed_stays_missed() -> None:
    b = Bench()
    b.hear(state(PhaseCode.RUNNING, 12, 12_000), 0)
    b.hear(state(PhaseCode.RUNNING, 5, 4500), 7_500 * MS)
    b.until(8_100 * MS)
    assert b.cues(12 * S) == [(10.0, CueKind.MARK_10), (4.0, TICK)]


def test_marks_that_passed_before_a_state_came_are_played_before_it_is_taken() -> None:
    clock = CueClock()
    clock.hear(state(PhaseCode.RUNNING, 2, 1500), STATE_FLIGHT_NS)
    clock.hear(state(PhaseCode.LIVE, 40), 600 * MS)
    assert clock.played == [Cue(TICK, 500 * MS)]


def test_the_numeral_is_counted_to_zero_and_no_further() -> None:
    b = Bench()
    b.hear(state(PhaseCode.RUNNING, 2, 1500), 0)
    shown = [b.clock.numerals(at * 100 * MS) for at in (1, 5, 6, 14, 15, 16, 29)]
    assert shown == [2, 1, 1, 1, 0, 0, 0]


def test_a_held_numeral_and_no_count_are_shown_as_told() -> None:
    b = Bench()
    assert b.clock.numerals(0) is None
    for phase, numerals in (
        (PhaseCode.SET, 25),
        (PhaseCode.LIVE, 40),
        (PhaseCode.STOPPED, 13),
        (PhaseCode.EXPIRED, 0),
        (PhaseCode.IDLE, None),
    ):
        b.hear(state(phase, numerals), b.at)
        assert b.clock.numerals(b.at + 2 * S) == numerals
    assert b.clock.played == []


def test_a_correction_of_zero_neither_loses_a_mark_nor_plays_it_twice() -> None:
    for moved_ms in (-240, -10, -1, 1, 10, 240):
        b = Bench()
        b.hear(state(PhaseCode.RUNNING, 11, 10_500), 0)
        b.hear(state(PhaseCode.RUNNING, 11, 10_500 - 480 + moved_ms), 480 * MS)
        b.hear(state(PhaseCode.RUNNING, 10, 10_500 - 700 - moved_ms), 700 * MS)
        b.hear(state(PhaseCode.RUNNING, 10, 10_500 - 900 + moved_ms), 900 * MS)
        assert [cue.kind for cue in b.clock.played] == [CueKind.MARK_10], moved_ms


def test_a_mark_that_a_correction_hurried_is_played_at_once() -> None:
    b = Bench()
    b.hear(state(PhaseCode.RUNNING, 11, 10_500), 0)
    b.hear(state(PhaseCode.RUNNING, 10, 9_900), 400 * MS)
    assert b.clock.played == [Cue(CueKind.MARK_10, 400 * MS + STATE_FLIGHT_NS)]


def test_a_mark_that_another_count_jumps_over_is_not_played() -> None:
    b = Bench()
    b.count(40, 25, 0, until_left=27)
    b.hear(state(PhaseCode.RUNNING, 20, 20_000, mark=25), 13 * S)
    b.until(14 * S)
    assert b.clock.played == []


def test_an_undo_replays_no_mark() -> None:
    """10 left is marked, a reset to 25 taken back: the count is again below 10 and stays quiet."""
    b = Bench()
    b.hear(state(PhaseCode.RUNNING, 11, 10_200), 0)
    b.hear(state(PhaseCode.RUNNING, 25, 25_000), 1 * S)
    b.hear(state(PhaseCode.RUNNING, 9, 8_200), 2 * S)
    b.until(3 * S)
    assert [cue.kind for cue in b.clock.played] == [CueKind.MARK_10]


def test_live_and_held_counts_are_never_marked() -> None:
    b = Bench()
    b.hear(state(PhaseCode.RUNNING, 11, 10_200), 0)
    b.hear(state(PhaseCode.LIVE, 40), 100 * MS)
    b.until(2 * S)
    b.hear(state(PhaseCode.STOPPED, 6, 5_100), b.at)
    b.until(b.at + 2 * S)
    assert b.clock.played == []


def test_zero_is_played_once_whoever_is_first() -> None:
    for expired_at in (970 * MS, 1_010 * MS):
        b = Bench()
        b.hear(state(PhaseCode.RUNNING, 1, 990), 0)
        b.hear(state(PhaseCode.EXPIRED, 0), expired_at)
        b.hear(state(PhaseCode.EXPIRED, 0), expired_at + S)
        b.until(3 * S)
        assert [cue.kind for cue in b.clock.played] == [CueKind.ZERO]


def test_a_zero_that_was_never_counted_to_is_quiet() -> None:
    b = Bench()
    b.hear(state(PhaseCode.EXPIRED, 0), 0)
    assert b.clock.played == []


def test_boards_off_flutters_every_five_seconds_until_any_key() -> None:
    b = Bench()
    for n in range(12):
        b.hear(state(PhaseCode.SET, 25, flags=StateFlag.BOARDS_OFF), n * S)
    first_at = STATE_FLIGHT_NS
    assert b.clock.played == [Cue(CueKind.FLUTTER, first_at + n * 5 * S) for n in range(3)]
    b.clock.key()
    b.clock.played.clear()
    for n in range(12, 30):
        b.hear(state(PhaseCode.SET, 25, flags=StateFlag.BOARDS_OFF), n * S)
    assert b.clock.played == []
    b.hear(state(PhaseCode.SET, 25, flags=StateFlag.BOARDS_OFF | StateFlag.FAULT), 30 * S)
    assert b.clock.played == [Cue(CueKind.FLUTTER, 30 * S + STATE_FLIGHT_NS)]
    b.hear(state(PhaseCode.SET, 25), 31 * S)
    b.until(60 * S)
    assert len(b.clock.played) == 1


def test_a_lost_link_stops_the_flutter_and_a_found_one_brings_it_back() -> None:
    b = Bench()
    b.hear(state(PhaseCode.SET, 25, flags=StateFlag.FAULT), 0)
    b.until(20 * S)
    assert len(b.clock.played) == 1
    b.hear(state(PhaseCode.SET, 25, flags=StateFlag.FAULT), 20 * S)
    assert b.clock.played[1:] == [Cue(CueKind.FLUTTER, 20 * S + STATE_FLIGHT_NS)]


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (CueCode.NUDGE, CueKind.NUDGE),
        (CueCode.COURTESY_WARNING, CueKind.COURTESY_WARNING),
        (CueCode.COURTESY_OVER, CueKind.COURTESY_OVER),
    ],
)
def test_a_new_cue_is_played_once_and_the_first_of_a_session_never(
    code: CueCode, kind: CueKind
) -> None:
    b = Bench()
    for n, number in enumerate((7, 7, 8, 8, 9)):
        b.hear(state(PhaseCode.LIVE, 40, cue=cue_byte(code, number)), n * S)
    assert b.clock.played == [Cue(kind, n * S + STATE_FLIGHT_NS) for n in (2, 4)]
    b.clock.welcomed()
    b.hear(state(PhaseCode.LIVE, 40, cue=cue_byte(code, 3)), 5 * S)
    assert len(b.clock.played) == 2


def test_the_first_cue_of_a_session_that_had_none_is_played() -> None:
    b = Bench()
    b.clock.welcomed()
    b.hear(state(PhaseCode.LIVE, 40), 0)
    b.hear(state(PhaseCode.LIVE, 40, cue=cue_byte(CueCode.NUDGE, 16)), S)
    assert b.clock.played == [Cue(CueKind.NUDGE, S + STATE_FLIGHT_NS)]
