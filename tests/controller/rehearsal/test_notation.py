"""The notation: what it reads, and one clear error for each way of getting it wrong."""

from __future__ import annotations

import string
from dataclasses import replace

import pytest

from controller.rehearsal.notation import (
    KEYS,
    KeyPress,
    NotationError,
    ScriptedPress,
    WordsPress,
    key_label,
    parse_sequence,
)
from controller.rules.events import Event, PlayEnded
from controller.rules.gestures import TWELVE
from drivers.handset import terminal
from tests.controller.rules.crew import S


def no_words(words: str) -> Event:
    raise ValueError(f"no ending {words!r}")


def read(text: str) -> list[ScriptedPress]:
    return parse_sequence(text, no_words)


def test_the_letters_are_those_of_the_console() -> None:
    assert {letter: key.name for letter, key in terminal.KEYS.items()}.items() <= KEYS.items()
    assert set(KEYS.values()) == set(TWELVE)


def test_a_tap_a_double_tap_and_both_forms_of_a_hold() -> None:
    assert read(" d@0; ff@2.5 ;N@60;n~@61.125") == [
        KeyPress("d@0", 0, "DEAD_BALL"),
        KeyPress("ff@2.5", 5 * S // 2, "FLAG", 2),
        KeyPress("N@60", 60 * S, "NO_COUNT", 1, held=True),
        KeyPress("n~@61.125", 61 * S + S // 8, "NO_COUNT", 1, held=True),
    ]


def test_points_are_the_25_key_held_down() -> None:
    (points,), (held,) = read("p@6"), read("2~@6")
    assert isinstance(points, KeyPress) and isinstance(held, KeyPress)
    assert replace(points, written=held.written) == held


def test_a_line_of_words_is_read_by_the_console_s_reader() -> None:
    heard: list[str] = []

    def reader(words: str) -> Event:
        heard.append(words)
        return PlayEnded("foul_defense")

    assert parse_sequence(": foul defense @20", reader) == [
        WordsPress(": foul defense @20", 20 * S, PlayEnded("foul_defense"))
    ]
    assert heard == ["foul defense"]


def test_equal_instants_are_allowed() -> None:
    assert [press.at for press in read("d@3;f@3")] == [3 * S, 3 * S]


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("", ["empty", "KEY@SECONDS"]),
        (" \n", ["empty"]),
        (";", ["press 1 (character 1)", "missing"]),
        ("d@0;", ["press 2 (character 5)", "missing"]),
        ("d@0; ;f@1", ["press 2 (character 6)", "missing"]),
        ("d@0; f", ["press 2 (character 6)", "'f'", "no '@'"]),
        ("q@1", ["press 1", "no key 'q'", "d DEAD BALL", "o BOARDS OFF"]),
        ("é@1", ["no key 'é'"]),
        ("@1", ["no key before the seconds"]),
        ("~@1", ["no key before the seconds"]),
        ("d@", ["seconds ''", "0 to 86400"]),
        ("d@x", ["seconds 'x'"]),
        ("d@-1", ["seconds '-1'"]),
        ("d@1e3", ["seconds '1e3'"]),
        ("d@nan", ["seconds 'nan'"]),
        ("d@0x1", ["seconds '0x1'"]),
        ("d@1.2345", ["seconds '1.2345'", "three decimals"]),
        ("d@\u0663", ["seconds '\u0663'"]),
        ("d@86401", ["seconds '86401'", "86400"]),
        ("d@99999999999", ["seconds '99999999999'"]),
        ("d@5; f@2", ["press 2 (character 6)", "'f@2'", "'d@5'", "never run back"]),
        ("fd@3", ["'fd'", "more than one key"]),
        ("Nn@3", ["'Nn'", "more than one key"]),
        ("NN@3", ["pressed once"]),
        ("D@1", ["holding DEAD BALL"]),
        ("4~@1", ["holding 40"]),
        ("ddddd@1", ["5 taps", "1 to 4"]),
        ("d@0; :foo@3", ["press 2", "':foo@3'", "no ending 'foo'"]),
    ],
)
def test_what_cannot_be_read_is_one_line_that_says_what_and_where(
    text: str, named: list[str]
) -> None:
    with pytest.raises(NotationError) as caught:
        read(text)
    assert "\n" not in str(caught.value)
    for words in named:
        assert words in str(caught.value)


def test_a_key_is_named_as_its_cap_is() -> None:
    labels = {key_label(key) for key in TWELVE}
    assert {"DEAD BALL", "25", "40", "TIME-OUT", "NO COUNT", "BOARDS OFF"} <= labels
    assert all(set(label) <= set(string.ascii_uppercase + string.digits + " -") for label in labels)
