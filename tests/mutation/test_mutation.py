"""The mutation run itself: what it changes, that its list is true, and that it kills."""

from __future__ import annotations

import ast
import contextlib
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.mutation.bench import TIME_OUT, Bench
from tests.mutation.mutant import ROOT, RULES
from tests.mutation.python_mutants import mutants_of, python_mutants
from tests.mutation.survivors import SURVIVORS
from tests.mutation.toml_mutants import toml_mutants, written

SMALL = '''\
"""A docstring stays."""
from x import E
TABLE = {E.A: f, E.B: g}
def late(at: int, names: set[str]) -> bool:
    """So does this."""
    assert names
    if at < 3 and "word" in names:
        names.add("two words")
    return not names
'''
OF_SMALL = """\
m.py TABLE: without E.A
m.py TABLE: E.A: g
m.py TABLE: without E.B
m.py TABLE: E.B: f
m.py late: if at < 3 and 'word' in names:... deleted
m.py late: if at < 3 and 'word' in names -> if not
m.py late: at < 3 and 'word' in names -> at < 3 or 'word' in names
m.py late: at < 3 and 'word' in names -> 'word' in names
m.py late: at < 3 and 'word' in names -> at < 3
m.py late: at < 3 -> at <= 3
m.py late: at < 3 -> at >= 3
m.py late: 3 -> 4 in at < 3
m.py late: 3 -> 2 in at < 3
m.py late: 'word' in names -> 'word' not in names
m.py late: 'word' -> 'word_x' in 'word' in names
m.py late: names.add('two words') deleted
m.py late: 'two words' -> '' in names.add('two words')
m.py late: return not names -> return names
"""


def test_what_is_changed_in_a_small_module() -> None:
    mutants = list(mutants_of("m.py", ast.parse(SMALL), {"E": ["A", "B"]}))
    assert [mutant.name for mutant in mutants] == OF_SMALL.splitlines()
    texts = {mutant.text() for mutant in mutants}
    assert len(texts) == len(mutants)
    assert ast.unparse(ast.parse(SMALL)) + "\n" not in texts
    assert mutants[0].lines is None and mutants[-1].lines == range(9, 10)


def test_tables_written_again_are_the_same_tables() -> None:
    for path in RULES.rglob("*.toml"):
        document = tomllib.loads(path.read_text("utf-8"))
        assert tomllib.loads(written(document)) == document


@pytest.mark.full
def test_every_listed_survivor_is_a_mutant_of_the_present_rules() -> None:
    names = [mutant.name for mutant in (*python_mutants(), *toml_mutants())]
    assert len(set(names)) == len(names)
    assert not SURVIVORS.keys() - set(names)
    for survivor in SURVIVORS.values():
        assert survivor.kind in ("equivalent", "accepted") and survivor.reason


@pytest.mark.full
def test_a_sample_is_killed_by_the_tests_nearest_to_it() -> None:
    command = [sys.executable, "-m", "tests.mutation", "--by", "near", "--sample", "25"]
    said = subprocess.run(
        [*command, "--seed", "1"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    found = re.search(r"^all: 25 mutants, (\d+) killed", said.stdout, re.MULTILINE)
    assert found, said.stdout + said.stderr
    assert int(found[1]) >= 15, said.stdout


@pytest.mark.full
def test_a_passing_a_failing_and_an_endless_test(tmp_path: Path) -> None:
    passes, fails, endless = (f"tests/test_{name}.py" for name in ("passes", "fails", "endless"))
    with contextlib.closing(Bench(tmp_path)) as bench:
        (tmp_path / passes).write_text("def test_it():\n    pass\n")
        (tmp_path / fails).write_text("def test_it():\n    assert False\n")
        (tmp_path / endless).write_text("def test_it():\n    while True:\n        pass\n")
        assert bench.run([(passes, 0.0)]) is None
        assert bench.run([(passes, 0.0), (fails, 0.0)]) == f"{fails}::test_it"
        assert bench.run([(endless, 0.0)]) == TIME_OUT
