"""Fuzz targets: the files that people write, in TOML, and the file that holds the keys.

The contract of each: one type of error, whose message names the file and what is wrong, or a value
that needs no further checking.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from unittest import mock

from controller.config import load as config
from controller.config import toml_table as config_fields
from controller.config.toml_table import ConfigError
from controller.rulebook import loader as rule_sets
from controller.rules.rulings import RulesError
from drivers.board.kinds import NODE_BAUDS
from drivers.handset import keys
from drivers.handset.keys import KeyFileError
from drivers.handset.kinds import RECEIVER_BAUDS
from tests.controller.rulebook.test_loader import SMALL
from tests.fuzz.guided import Target
from tests.shared.key_files import write_keys

NO_SYNC = mock.patch.object(os, "fsync", lambda descriptor: None)
"""A disk would be most of the time; what is fuzzed is the reading."""

EXAMPLE = Path(__file__).parents[2] / "systemd" / "playclock.example.toml"
TOML_WORDS = (
    *(b"[", b"]", b"[[", b"]]", b"{", b"}", b'"', b"'", b'"""', b" = ", b"\n", b"#", b",", b"."),
    *(b"true", b"false", b"inf", b"nan", b"1979-05-27T07:32:00Z", b"07:32:00", b"2026-13-45"),
    *(b"\\u0000", b"\\uD800", b"\\U0010FFFF", b"\xef\xbb\xbf", b"\r\n", b"9" * 4301, b"[" * 999),
)


def check_config(data: bytes, folder: Path) -> None:
    """A configuration is whole, or an error with a line for each problem."""
    file = folder / "installation.toml"
    file.write_bytes(data)
    try:
        got = config.load_config(file)
    except ConfigError as error:
        lines = str(error).splitlines()
        assert lines, "no line"
        assert len(lines) == len(error.problems)
        for line in lines:
            assert line.startswith(f"{file}: "), line
            assert line.isprintable(), repr(line)
            assert len(line) < 1_000, line
        return
    assert all(1 <= board.node <= 8 and board.baud in NODE_BAUDS for board in got.boards)
    assert len({(board.port, board.node) for board in got.boards}) == len(got.boards)
    assert all(1 <= each.id <= 254 and each.baud in RECEIVER_BAUDS for each in got.handsets)
    assert len({each.id for each in got.handsets}) == len(got.handsets)
    assert 1 <= got.brightness <= 15
    paths = [got.state_folder, got.journal, *([got.key_file] if got.key_file else [])]
    assert all(path.is_absolute() and ".." not in path.parts for path in paths)
    assert len(set(paths)) == len(paths)


RULES = SMALL.replace('"small"', '"made_up"').encode()
PLAYS = RULES.replace(
    b'mean = "foul"\n', b'mean = "foul"\nfirst = { foul = "offense_first" }\n'
) + (
    b"""
[seasons.plays.free_kick]
after = ["try_over"]
again = "free_kick_again"
before = "before_free_kick"
ends = "kick_new_series"
ended_by = ["touchdown"]
facts = ["free_kick"]
not_after = "overtime_series"
opens_half = true
"""
)
OTHER_NUMBERS = b"""code = "made_up"
title = "Other numbers"
follows = "made_up"
routine_s = 30
administrative_s = 20
"""


def check_rule_set(data: bytes, folder: Path) -> None:
    """A rule set answers every question about its own words, or is refused by name."""
    (folder / "made_up.toml").write_bytes(data)
    try:
        with mock.patch.object(rule_sets, "FOLDER", folder):
            rules = rule_sets.load_rule_set("made_up")
    except RulesError as error:
        assert re.match(r"made_up\.toml: .", str(error)), error
        assert len(str(error)) < 1_000, error
        return
    assert isinstance(rules.code, str)
    assert isinstance(rules.title, str)
    assert all(isinstance(fact, str) for fact in rules.facts)
    assert re.fullmatch("[0-9a-f]{16}", rule_sets.fingerprint(rules))
    assert rules.in_force(frozenset()) is None
    for ending in rules.rulings:
        for fact in [(), *([fact] for fact in sorted(rules.facts))]:
            ruling = rules.ruling(ending, fact)
            assert isinstance(ruling.citation, str)
            assert ruling.seconds is None or 1 <= ruling.seconds <= 99
            rules.is_routine_end(ending, fact)
            rules.in_force(frozenset([ending, *fact, "routine"]))


KEY_FILE = b"""broadcast_key = "f0f1f2f3f4f5f6f7f8f9fafbfcfdfeff"

[handset.1]
handset_key = "000102030405060708090a0b0c0d0e0f"

[handset.254]
handset_key = "101112131415161718191A1B1C1D1E1F"
"""


MISPLACED = KEY_FILE.replace(b"handset.1]", b"handset.202122232425262728292a2b2c2d2e2f]")
"""A key where a handset's number belongs."""


def check_key_file(data: bytes, folder: Path) -> None:
    """Keys come back as written; an error names the file and never holds what may be a key."""
    file = folder / "handsets.key"
    file.touch(0o600)
    file.write_bytes(data)
    try:
        got = keys.load_keys(file)
    except KeyFileError as error:
        text = str(error)
        assert text.startswith(f"{file}: "), text
        assert not re.search("[0-9A-Fa-f]{24}", text.removeprefix(str(file))), text
        return
    assert all(1 <= number <= 254 for number in got.handset)
    every = [got.broadcast, *got.handset.values()]
    assert len(set(every)) == len(every)
    assert all(len(key) == 16 and any(key) for key in every)
    assert not re.search("[0-9A-Fa-f]{24}", repr(got))
    write_keys(file, got)
    assert keys.load_keys(file) == got


def _bare(text: str) -> bytes:
    """The example without its comments, and short enough to be changed well."""
    return "\n".join(line for line in text.splitlines() if line and line[0] != "#").encode()


def _with_all_keys(text: str) -> bytes:
    """The example with the keys that it shows switched off."""
    return _bare(re.sub(r"^#(?=[a-z_]+ = |\[)", "", text, flags=re.M))


_EXAMPLE = EXAMPLE.read_text("utf-8")
_REHEARSAL = b"""[console]
enabled = false
role = "shadow"
[[boards]]
name = "A"
driver = "simulated"
port = "/dev/a"
node = 1
[[handsets]]
driver = "simulated"
id = 1
role = "field"
layout = "four"
[[overrides]]
ending = "foul"
seconds = 20
starts_on = "ready_for_play"
citation = "Made-up League"
"""

TARGETS = (
    Target(
        "config",
        check_config,
        (config, config_fields),
        (_bare(_EXAMPLE), _with_all_keys(_EXAMPLE), _REHEARSAL, b"boards = 1\nconsole = 1"),
        TOML_WORDS,
    ),
    Target("rule-set", check_rule_set, (rule_sets,), (RULES, PLAYS, OTHER_NUMBERS), TOML_WORDS),
    Target("key-file", check_key_file, (keys,), (KEY_FILE, MISPLACED), TOML_WORDS),
)
