"""Lines of a rule file: every key and every table is found where it stands."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.rulebook.loader import FOLDER, codes
from controller.rulebook.places import located
from controller.rulebook.toml_fields import Located, line_of

TEXT = """\
# a comment with = and [brackets]
code = "a # no comment [x]"   # one

"quoted key" = 'literal \\'
many = [  # a list
    "one", # with ] in a comment
    { deep = 1, two.parts = "}" },
]
long = \"\"\"
[not.a.table]
key = \\"\"\" still
\"\"\"
plain = '''
[[neither]]
'''
when = 1979-05-27T07:32:00Z

[sources]
a = { citation = "A, [1]", read_as = "text" }

[sources.b]
citation = "B"

[[seasons]]
from = 2020
rulings.foul.seconds = 25
  [seasons.rulings.snap]
  seconds = 40
  [[seasons.facts]]
  fact = "one"
  [[seasons.facts]]
  fact = "two"

[[seasons]]
from = 2024
[[seasons.facts]]
fact = "three"
[ spaced . "out" ]
x = 1
"""


def lines() -> Located:
    return located(tomllib.loads(TEXT), TEXT)


def at(*path: str | int) -> tuple[int, Any]:
    """The line of the last key, and its value."""
    table: Any = lines()
    for part in path[:-1]:
        table = table[part]
    key = path[-1]
    assert isinstance(key, str)
    return line_of(table, key), table[key]


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (["code"], 2),
        (["quoted key"], 4),
        (["many"], 5),
        (["many", 1, "deep"], 7),
        (["many", 1, "two", "parts"], 7),
        (["long"], 9),
        (["plain"], 13),
        (["when"], 16),
        (["sources"], 18),
        (["sources", "a", "citation"], 19),
        (["sources", "b"], 21),
        (["sources", "b", "citation"], 22),
        (["seasons", 0, "from"], 25),
        (["seasons", 0, "rulings", "foul", "seconds"], 26),
        (["seasons", 0, "rulings", "snap"], 27),
        (["seasons", 0, "rulings", "snap", "seconds"], 28),
        (["seasons", 0, "facts", 0, "fact"], 30),
        (["seasons", 0, "facts", 1, "fact"], 32),
        (["seasons", 1, "from"], 35),
        (["seasons", 1, "facts", 0, "fact"], 37),
        (["spaced", "out", "x"], 39),
    ],
)
def test_the_line_of_a_key(path: list[str | int], line: int) -> None:
    assert at(*path)[0] == line


def test_the_line_of_a_table_is_that_of_its_head() -> None:
    table = lines()
    assert line_of(table) == 1
    assert [line_of(each) for each in table["seasons"]] == [24, 34]
    assert [line_of(each) for each in table["seasons"][0]["facts"]] == [29, 31]
    assert line_of(table["seasons"][0], "nowhere") == 24
    assert line_of({"plain": 1}, "plain") == 0


def test_nothing_of_the_file_changes() -> None:
    assert lines() == tomllib.loads(TEXT)


@pytest.mark.parametrize("code", codes())
def test_every_key_of_a_shipped_file_stands_in_its_line(code: str) -> None:
    words = (Path(FOLDER) / f"{code}.toml").read_text("utf-8")
    rows = words.splitlines()

    def look(value: object) -> None:
        if isinstance(value, Located):
            for key, each in value.items():
                assert key in rows[line_of(value, key) - 1]
                look(each)
        elif isinstance(value, list):
            for each in value:
                look(each)

    look(located(tomllib.loads(words), words))
