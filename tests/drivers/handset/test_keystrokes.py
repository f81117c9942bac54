from __future__ import annotations

import pytest

from drivers.handset.keystrokes import EscapeFilter, RepeatFilter

MS = 1_000_000


def taps(*typed: tuple[str, int]) -> list[tuple[str, int]]:
    """What comes of characters typed at these milliseconds: the taps, in ms."""
    filter_ = RepeatFilter()
    out = []
    for char, at_ms in typed:
        while filter_.next_at is not None and filter_.next_at <= at_ms * MS:
            out += filter_.due(filter_.next_at)
        out += filter_.take(char, at_ms * MS)
    if filter_.next_at is not None:
        out += filter_.due(filter_.next_at)
    assert filter_.next_at is None
    return [(char, at // MS) for char, at in out]


def held(char: str, from_ms: int, delay_ms: int, gap_ms: int, for_ms: int) -> list[tuple[str, int]]:
    return [(char, from_ms)] + [(char, from_ms + at) for at in range(delay_ms, for_ms + 1, gap_ms)]


@pytest.mark.parametrize("gap_ms", range(150, 601, 10))
def test_a_double_tap_of_a_thumb_is_two_taps(gap_ms: int) -> None:
    assert taps(("2", 0), ("2", gap_ms)) == [("2", 0), ("2", gap_ms)]


@pytest.mark.parametrize("gap_ms", [30, 60, 119])
def test_a_double_too_fast_for_a_held_key_acts_at_once_and_a_third_does_not(gap_ms: int) -> None:
    filter_ = RepeatFilter()
    assert filter_.take("2", 0) == [("2", 0)]
    assert filter_.take("2", gap_ms * MS) == [("2", gap_ms * MS)]
    assert filter_.take("2", 2 * gap_ms * MS) == []


@pytest.mark.parametrize("gap_ms", [150, 200, 250, 400, 600])
def test_three_taps_of_a_thumb_are_three(gap_ms: int) -> None:
    typed = [("o", 0), ("o", gap_ms), ("o", 2 * gap_ms)]
    assert taps(*typed) == typed


# Delay and rate: Linux console, desktops, the fastest and slowest common settings.
@pytest.mark.parametrize(
    ("delay_ms", "gap_ms"),
    [(250, 92), (500, 33), (660, 40), (250, 33), (225, 30), (200, 20), (1000, 33), (500, 25)],
)
@pytest.mark.parametrize("for_ms", [1500, 5000])
def test_leaning_on_a_key_is_one_tap(delay_ms: int, gap_ms: int, for_ms: int) -> None:
    assert taps(*held("d", 0, delay_ms, gap_ms, for_ms)) == [("d", 0)]


def test_a_key_pressed_again_after_leaning_on_it_is_a_tap() -> None:
    assert taps(*held("d", 0, 500, 33, 2000), ("d", 2400)) == [("d", 0), ("d", 2400)]


def test_another_key_ends_the_wait_and_keeps_the_order() -> None:
    typed = [("2", 0), ("2", 300), ("r", 310)]
    assert taps(*typed) == typed


def test_only_the_second_of_a_pair_waits() -> None:
    filter_ = RepeatFilter()
    assert filter_.take("2", 0) == [("2", 0)]
    assert filter_.take("2", 300 * MS) == []
    assert filter_.next_at == 420 * MS
    assert filter_.due(420 * MS - 1) == []
    assert filter_.due(420 * MS) == [("2", 300 * MS)]


def test_a_bounce_is_no_tap() -> None:
    assert taps(("x", 0), ("x", 12)) == [("x", 0)]
    assert taps(("x", 0), ("x", 29), ("x", 300)) == [("x", 0), ("x", 300)]
    assert taps(("x", 0), ("x", 300), ("x", 310)) == [("x", 0), ("x", 300)]


def test_different_keys_close_together_all_count() -> None:
    typed = [("d", 0), ("2", 5), ("r", 10), ("d", 15)]
    assert taps(*typed) == typed


def test_a_paste_of_one_character_is_not_a_storm() -> None:
    assert len(taps(*[("d", 40 * n) for n in range(200)])) <= 2
    assert taps(*[("d", 0)] * 200) == [("d", 0)]


@pytest.mark.parametrize(
    "sequence",
    [
        "\x1b[A",
        "\x1b[1;5D",
        "\x1b[@",
        "\x1b[200~",
        "\x1b[15~",
        "\x1b[?1;2c",
        "\x1bOP",
        "\x1b[[D",  # F4 of the Linux console: not a held DEAD BALL
        "\x1bd",  # Alt and a key
    ],
)
def test_a_sequence_is_swallowed_whole_and_nothing_else_is(sequence: str) -> None:
    filter_ = EscapeFilter()
    typed = "r" + sequence + "s" + sequence + "x"
    assert [char for char in typed if filter_.take(char)] == ["r", "s", "x"]
    assert not filter_.open


def test_an_escape_alone_is_the_escape_key() -> None:
    filter_ = EscapeFilter()
    assert filter_.take("\x1b") is None
    assert filter_.open
    assert filter_.silence()
    assert filter_.take("d") == "d"


def test_a_sequence_cut_short_is_forgotten() -> None:
    filter_ = EscapeFilter()
    for char in "\x1b[1;":
        assert filter_.take(char) is None
    assert not filter_.silence()
    assert filter_.take("d") == "d"


def test_a_sequence_without_end_does_not_swallow_the_night() -> None:
    filter_ = EscapeFilter()
    typed = "\x1b[" + "1" * 30 + "d"
    assert [char for char in typed if filter_.take(char)] == ["d"]
