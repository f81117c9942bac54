"""``hardware/FMEA.md``: every row is whole, every test it names exists, and nothing that may end in
a wrong numeral goes without a proof."""

from __future__ import annotations

import ast
import functools
import re
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.shared.markdown_tables import HARDWARE, rows

ROOT = HARDWARE.parent
HEADER = (
    "id",
    "failure",
    "cause",
    "players see",
    "who is told, how fast",
    "what to do",
    "severity",
    "proof",
)
SEVERITIES = {"wrong numeral", "dark", "nuisance"}
PARTS = {
    "Boards": "B",
    "The pair": "P",
    "Handset": "H",
    "Radio": "R",
    "Receiver": "V",
    "Computer": "C",
    "Pairing": "K",
    "Power": "W",
    "People": "M",
}
BENCH, UNPROVEN = "bench check: ", "not proven: "


class Row(NamedTuple):
    """A failure; the cells as they stand."""

    id: str
    failure: str
    cause: str
    seen: str
    told: str
    do: str
    severity: str
    proof: str


PAGE = (HARDWARE / "FMEA.md").read_text("utf-8")
CELLS = rows(PAGE, *HEADER)
ROWS = [Row(*cells) for cells in CELLS if len(cells) == len(HEADER)]


@functools.cache
def collected(path: Path) -> frozenset[str]:
    """The tests of a file that pytest would collect: ``function`` or ``Class::function``."""
    found = set()
    for node in ast.parse(path.read_text("utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            found.add(node.name)
        elif isinstance(node, ast.ClassDef) and node.name.startswith("Test"):
            found |= {
                f"{node.name}::{each.name}"
                for each in node.body
                if isinstance(each, ast.FunctionDef | ast.AsyncFunctionDef)
            }
    return frozenset(name for name in found if name.split("::")[-1].startswith("test_"))


def exists(named: str) -> bool:
    """Whether ``tests/path.py::test`` is a test of this checkout."""
    path, _, name = named.partition("::")
    file = ROOT / path
    return (
        path.startswith("tests/")
        and Path(path).name.startswith("test_")
        and file.is_file()
        and name in collected(file)
    )


def proofs(row: Row) -> tuple[list[str], list[str]]:
    """The tests of a row's proof, and what else stands there."""
    parts = re.split(r"; (?=`tests/|bench check: |not proven: )", row.proof)
    named = [part.strip("`") for part in parts if part.startswith("`tests/")]
    return named, [part for part in parts if not part.startswith("`tests/")]


def test_every_row_has_all_its_cells() -> None:
    for cells in CELLS:
        assert len(cells) == len(HEADER), cells
        assert all(cells), cells


def test_every_part_has_its_rows_in_order() -> None:
    for part, letter in PARTS.items():
        section = PAGE.split(f"\n## {part}\n")[1].split("\n## ")[0]
        ids = [cells[0] for cells in rows(section, *HEADER)]
        assert ids == [f"{letter}{number}" for number in range(1, len(ids) + 1)]
    assert {row.id[0] for row in ROWS} == set(PARTS.values())
    assert len({row.id for row in ROWS}) == len(ROWS)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.id)
def test_a_row_holds_what_the_page_promises(row: Row) -> None:
    assert row.severity in SEVERITIES
    named, other = proofs(row)
    missing = [name for name in named if not exists(name)]
    assert not missing, f"no such test: {missing}"
    for text in other:
        kind = next((kind for kind in (BENCH, UNPROVEN) if text.startswith(kind)), None)
        assert kind, f"neither a test nor a bench check nor said to be unproven: {text!r}"
        assert len(text.removeprefix(kind).split()) >= 3, f"says too little: {text!r}"
    if row.severity == "wrong numeral":
        assert named or any(text.startswith(BENCH) for text in other), "without a proof"


@pytest.mark.parametrize(
    ("named", "there"),
    [
        ("tests/test_fmea_page.py::test_every_row_has_all_its_cells", True),
        ("tests/test_fmea_page.py::test_that_nobody_wrote", False),
        ("tests/test_fmea_page.py::exists", False),
        ("tests/test_fmea_page.py", False),
        ("tests/test_of_nothing.py::test_every_row_has_all_its_cells", False),
        ("tests/page_tables.py::rows", False),
    ],
)
def test_a_test_that_is_not_there_is_found_out(named: str, there: bool) -> None:
    assert exists(named) is there


def test_rows_named_elsewhere_on_the_page_exist() -> None:
    known = {row.id for row in ROWS}
    mentioned = set(re.findall(r"\b[BPHRVCKWM]\d{1,2}\b", PAGE))
    assert mentioned <= known, mentioned - known
