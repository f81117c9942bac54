"""One table read field by field: what is right comes out, what is wrong is named with its place."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.config.toml_table import (
    ConfigError,
    Problems,
    Table,
    check_agree,
    check_unique,
    nearest,
    shown,
)

PATH = "must be an absolute path without '..'"


def table(**raw: object) -> Table:
    return Table(Problems("f.toml", {"rules"}), "boards[0]", raw)


def problems(table: Table) -> list[str]:
    try:
        table._problems.raise_any()
    except ConfigError as error:
        return list(error.problems)
    return []


RIGHT: list[tuple[object, Callable[[Table], object], object]] = [
    (True, lambda t: t.boolean("a", False), True),
    (7, lambda t: t.integer("a", 1, 7), 7),
    (1, lambda t: t.number("a", 0, 2, "s", 2), 1.0),
    ("x", lambda t: t.choice("a", ("x", "y")), "x"),
    ("a b", lambda t: t.text("a", 3), "a b"),
    ("\r", lambda t: t.raw_text("a", 1), "\r"),
    ([1, 2], lambda t: t.numbers("a", 0, 2), (1, 2)),
    ("//srv//x/", lambda t: t.path("a"), Path("/srv/x")),
]


@pytest.mark.parametrize(("raw", "read", "value"), RIGHT)
def test_a_right_field_comes_out_and_is_kept(
    raw: object, read: Callable[[Table], object], value: object
) -> None:
    each = table(a=raw)
    assert read(each) == value == each.good["a"]
    each.finish()
    assert problems(each) == []


WRONG: list[tuple[object, Callable[[Table], object], str]] = [
    (1, lambda t: t.boolean("a", False), "a = 1: must be true or false"),
    (True, lambda t: t.integer("a", 0, 7), "a = true: must be a whole number from 0 to 7"),
    (8, lambda t: t.integer("a", 0, 7), "a = 8: must be a whole number from 0 to 7"),
    ("1", lambda t: t.number("a", 0, 2, "s", 1), 'a = "1": must be a number from 0 to 2 s'),
    (1.0, lambda t: t.choice("a", (1, 2)), "a = 1.0: must be one of 1, 2"),
    (" x", lambda t: t.text("a", 3), 'a = " x": must be text of 1 to 3 printable characters'),
    ("X", lambda t: t.text("a", 3, None, "[a-z]+", "small letters"), "1 to 3 small letters"),
    ("", lambda t: t.raw_text("a", 3), 'a = "": must be text of 1 to 3 characters'),
    ([1.0], lambda t: t.numbers("a", 0, 2), "a = […]: must be a list of whole numbers from 0 to 2"),
    ([3], lambda t: t.numbers("a", 0, 2), "a = […]: must be a list of whole numbers from 0 to 2"),
    ("x", lambda t: t.path("a"), f'a = "x": {PATH}'),
    ("/a/../b", lambda t: t.path("a"), f'a = "/a/../b": {PATH}'),
    (1, lambda t: t.table("a"), "a = 1: must be a table: write [a]"),
    ([1], lambda t: t.tables("a"), "a = […]: must be tables: write [[a]] above each"),
]


@pytest.mark.parametrize(("raw", "read", "said"), WRONG)
def test_a_wrong_field_is_one_line_and_is_not_kept(
    raw: object, read: Callable[[Table], object], said: str
) -> None:
    each = table(a=raw)
    read(each)
    [line] = problems(each)
    assert line.startswith("boards[0].a = ") and said in line
    assert "a" not in each.good


def test_a_missing_field_has_its_default_or_is_named() -> None:
    each = table()
    assert each.integer("a", 1, 9, 5) == 5
    each.integer("b", 1, 9)
    assert problems(each) == ["boards[0].b: missing; must be a whole number from 1 to 9"]


def test_tables_inside_have_their_place() -> None:
    each = table(one={"x": 1}, many=[{}, {"y": 2}])
    assert each.table("one").name("x") == "boards[0].one.x"
    assert [inner.name("y") for inner in each.tables("many")] == [
        "boards[0].many[0].y",
        "boards[0].many[1].y",
    ]
    assert each.table("none").keys() == () and each.tables("nothing") == []
    assert each.name("a b") == 'boards[0]."a b"'


def test_what_nobody_asked_for_is_named_with_the_nearest() -> None:
    each = table(colour=1, nmae=2, rules=3)
    each.has("name")
    each.finish()
    assert problems(each) == [
        "boards[0].colour = 1: unknown key; known here: name",
        "boards[0].nmae = 2: unknown key; the nearest known key is boards[0].name",
        "boards[0].rules = 3: unknown key here; it belongs above the first [table] of the file",
    ]


def test_a_complaint_of_what_is_made_is_one_of_its_field() -> None:
    def refuse() -> int:
        raise ValueError("unit: 9 is taken")

    each = table(unit=9)
    assert each.made(lambda: 5) == 5
    assert each.made(refuse) is None
    assert problems(each) == ["boards[0].unit = 9: 9 is taken"]


def test_values_are_shown_as_toml_spells_them_and_shortened() -> None:
    values = [{"a": 1}, [1], [], True, 1.5, "a\tb", "x" * 100, 1 << 100]
    assert [shown(each) for each in values] == [
        *("{…}", "[…]", "[]", "true", "1.5", '"a\\tb"'),
        '"' + "x" * 58 + "…",
        "(an integer of 101 bits)",
    ]


def test_the_nearest_word_is_near() -> None:
    assert nearest("SEASN", ["season", "rules"]) == "season"
    assert nearest("colour", ["season", "rules"]) is None


def test_tables_of_a_port_differ_and_agree() -> None:
    held = Problems("f.toml", ())
    tables = [Table(held, f"b[{n}]", {}) for n in range(3)]
    for each, (node, port, baud) in zip(
        tables, [(1, "/p", 96), (1, "/p", 38), (1, "/q", 38)], strict=True
    ):
        each.good |= {"node": node, "port": port, "baud": baud}
    check_unique(tables, "node", within="port")
    check_agree(tables, "baud", within="port")
    check_unique(tables, "nothing")
    with pytest.raises(ConfigError) as caught:
        held.raise_any()
    assert caught.value.problems == (
        'b[1].node = 1: must differ from b[0].node on "/p"',
        "b[1].baud = 38: must be 96 as b[0].baud on the same port",
    )
