"""Text from outside is made harmless and is cut to size."""

from __future__ import annotations

import os
import re
import termios

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.console.style import (
    STYLES,
    Look,
    beyond_ascii,
    clean,
    cut,
    in_ascii,
    line,
    look_for,
    screen_size,
    wrap,
)

SGR = re.compile(r"\x1b\[[0-9;]*m")


@pytest.mark.parametrize(
    ("text", "harmless"),
    [
        ("back judge", "back judge"),
        ("a\x1b[2Jb", "a [2Jb"),
        ("one\ntwo\r\tthree", "one two  three"),
        ("\x9b31m\x07\x00\x7f", " 31m   "),
        ("right\u202eleft\u200b", "right left "),
        ("時e\u0301\N{AMERICAN FOOTBALL}", "?e??"),
        ("Müller · 25 V", "Müller · 25 V"),
        ("\ud800", " "),
    ],
)
def test_control_and_wide_characters_are_replaced_one_for_one(text: str, harmless: str) -> None:
    assert clean(text) == harmless
    assert len(harmless) == len(text)


@settings(max_examples=50)
@given(st.text(), st.integers(1, 60), st.integers(1, 4))
def test_wrapped_text_fits_and_loses_nothing_unsaid(text: str, columns: int, most: int) -> None:
    lines = wrap(text, columns, most)
    assert len(lines) <= most
    assert all(0 < len(each) <= columns for each in lines)
    whole = "".join(clean(text).split())
    shown = "".join("".join(lines).split())
    assert shown == whole or (lines[-1].endswith("…") and whole.startswith(shown[:-1]))


def test_text_breaks_between_words_and_a_long_word_anywhere() -> None:
    assert wrap("south: no answer three times", 12, 3) == ("south: no", "answer three", "times")
    assert wrap("abcdefgh ij", 3, 5) == ("abc", "def", "gh", "ij")
    assert wrap("south: no answer", 9, 1) == ("south: n…",)
    assert wrap("word", 0, 3) == wrap("word", 5, 0) == ()


def test_a_megabyte_costs_no_more_than_what_is_shown() -> None:
    assert wrap("x" * 1_000_000, 10, 2) == ("x" * 10, "x" * 9 + "…")


def test_cut_says_that_it_cut() -> None:
    assert [cut("abcd", columns) for columns in (4, 3, 1, 0)] == ["abcd", "ab…", "…", ""]


@settings(max_examples=50)
@given(st.lists(st.tuples(st.sampled_from(sorted(STYLES)), st.text())), st.integers(0, 100))
def test_a_line_is_as_wide_as_asked_and_holds_only_known_sequences(
    pieces: list[tuple[str, str]], columns: int
) -> None:
    for look in (Look(), Look(blocks=False, colour=False)):
        bare = SGR.sub("", line(pieces, columns, look))
        assert len(bare) == columns
        assert bare.isprintable()
        assert look.blocks or bare.isascii()


def test_without_colour_what_stands_out_is_reversed() -> None:
    plain = Look(colour=False)
    assert line([("loud", "x")], 2, plain) == "\x1b[1;7mx\x1b[0m "
    assert line([("plain", "x")], 2, plain) == "x "
    assert line([("loud", "x")], 1, Look()) == "\x1b[1;37;41mx\x1b[0m"


def test_the_look_follows_encoding_and_environment() -> None:
    xterm = {"TERM": "xterm-256color", "LANG": "en_US.UTF-8"}
    assert look_for("UTF-8", xterm) == Look()
    assert look_for("utf8", {**xterm, "NO_COLOR": "1"}) == Look(colour=False)
    assert look_for("utf8", {**xterm, "NO_COLOR": ""}) == Look()
    assert look_for("ANSI_X3.4-1968", xterm) == Look(blocks=False)
    assert look_for("no such encoding", xterm) == Look(blocks=False)
    assert look_for("utf-8", {"TERM": "vt220", "LANG": "C.UTF-8"}) == Look(colour=False)
    assert look_for("utf-8", {"TERM": "dumb"}) is None
    assert look_for("utf-8", {}) is None


@pytest.mark.parametrize(
    ("encoding", "said", "beyond"),
    [
        ("utf-8", {"LANG": "C.UTF-8"}, True),
        ("utf-8", {"LANG": "de_DE.UTF-8", "LC_CTYPE": "C.UTF-8"}, True),
        ("utf-8", {"LANG": "C", "LC_CTYPE": "en_US.UTF-8"}, True),
        ("utf-8", {"LANG": "C", "LC_CTYPE": "C.UTF-8"}, False),  # as the interpreter leaves it
        ("utf-8", {"LANG": "C"}, False),
        ("utf-8", {"LANG": "en_US.UTF-8", "LC_ALL": "POSIX"}, False),
        ("utf-8", {}, False),
        ("iso8859-1", {"LANG": "de_DE"}, False),
        ("no such encoding", {"LANG": "C.UTF-8"}, False),
    ],
)
def test_more_than_ascii_is_written_where_the_locale_says_so(
    encoding: str, said: dict[str, str], beyond: bool
) -> None:
    assert beyond_ascii(encoding, said) is beyond


def test_what_is_not_ascii_is_replaced_one_for_one() -> None:
    assert in_ascii("█▓▒ M…ü") == "#%: M~?"


@pytest.mark.parametrize(
    ("size", "said", "wanted"),
    [
        ((100, 30), {"COLUMNS": "60", "LINES": "20"}, (100, 30)),
        ((0, 0), {}, (80, 24)),
        ((80, 0), {}, (80, 24)),
        ((0, 0), {"COLUMNS": "132", "LINES": "43"}, (132, 43)),
        ((0, 50), {"COLUMNS": "132", "LINES": "43"}, (132, 50)),
        ((0, 0), {"COLUMNS": "wide", "LINES": "-3"}, (80, 24)),
        ((0, 0), {"COLUMNS": "0", "LINES": "\N{SUPERSCRIPT TWO}"}, (80, 24)),
    ],
)
def test_a_terminal_without_a_size_is_80_by_24_unless_the_environment_says_more(
    size: tuple[int, int], said: dict[str, str], wanted: tuple[int, int]
) -> None:
    master, slave = os.openpty()
    termios.tcsetwinsize(slave, (size[1], size[0]))
    assert screen_size(slave, said) == wanted
    for fd in (master, slave):
        os.close(fd)
