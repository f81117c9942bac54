"""Every mutant against the tests that can see it, nearest and quickest first."""

from __future__ import annotations

import ast
import hashlib
import json
import multiprocessing
import tempfile
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from tests.mutation.bench import Bench
from tests.mutation.mutant import ROOT, RULES, Mutant
from tests.mutation.toml_mutants import written

STORE: Final = ROOT / ".check" / "mutation"
JUDGES: Final = sorted(
    path.relative_to(ROOT).as_posix()
    for path in [
        *(ROOT / "tests" / "controller" / "rules").rglob("test_*.py"),
        *(ROOT / "tests" / "controller" / "rulebook").glob("test_*.py"),
        ROOT / "tests" / "controller" / "recovery" / "test_snapshot_codec.py",
        *(ROOT / "tests" / "exploration").glob("test_*.py"),
        *(ROOT / "tests" / "scenarios" / "published").glob("test_*.py"),
        ROOT / "tests" / "test_state_diagram.py",
    ]
)
"""The quick tests of the rules and of what reads and writes them. Tests of the whole service would
kill some more by chance, where the rules' own should."""
ALSO_OF: Final = {"actions": "transitions"}
"""Modules whose nearest tests are another's too: the table is typed in there, cell by cell."""
READ_WHEN_RUN: Final = tuple(
    f"tests/scenarios/published/{name}.py" for name in ("test_seasons", "test_published")
)
"""Those that read the shipped data when they run, not when they are imported."""
ALL, QUICK, NEAR = "all", "quick", "near"
"""Which tests judge: all; the files that take less than a second; those of the module alone."""
QUICK_S: Final = 0.6
SLOW_S: Final = 2.8
"""CPU time of a file of tests that is taken to reach every line: they are long walks."""

Verdict = dict[str, Any]
Reach = dict[str, Any]
_mutants: Sequence[Mutant] = ()
_reach: Reach = {}
_by = ALL
_bench: Bench | None = None


def digest() -> str:
    """Of all that a verdict rests on: code and data of the controller, the tests, this package."""
    found = hashlib.sha256()
    for top in (
        "controller",
        "drivers",
        "tests/controller",
        "tests/exploration",
        "tests/scenarios/published",
        "tests/mutation",
    ):
        for path in sorted((ROOT / top).rglob("*")):
            if path.suffix in (".py", ".csv", ".toml") and path.name != "survivors.toml":
                found.update(path.relative_to(ROOT).as_posix().encode() + path.read_bytes())
    return found.hexdigest()[:12]


def judged(mutants: Sequence[Mutant], jobs: int, by: str = ALL) -> Iterator[Verdict]:
    """The verdict on each mutant, as it comes. Raises RuntimeError when the tests fail already for
    the tree that is only written again, without a change. ``by`` says which tests judge."""
    global _mutants, _reach, _by  # noqa: PLW0603 - the workers are forks and find them here
    _mutants, _by = mutants, by
    _reach = {}
    context = multiprocessing.get_context("fork")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        arguments = (folder,)
        if by != NEAR and not (STORE / f"{digest()}.reach.json").exists():
            with context.Pool(jobs, _set_up, arguments) as pool:
                _keep_reach(pool.imap_unordered(_measure, JUDGES))
                pool.close()
                pool.join()
        if by != NEAR:
            _reach = json.loads((STORE / f"{digest()}.reach.json").read_text("utf-8"))
        with context.Pool(jobs, _set_up, arguments) as pool:
            yield from pool.imap_unordered(_judge, range(len(mutants)))


def _keep_reach(measured: Iterable[tuple[str, Verdict]]) -> None:
    reach = dict(measured)
    failed = [each["failed"] for each in reach.values() if each["failed"]]
    if failed:
        raise RuntimeError(f"fails with nothing changed: {', '.join(failed)}")
    STORE.mkdir(parents=True, exist_ok=True)
    (STORE / f"{digest()}.reach.json").write_text(json.dumps(reach), encoding="utf-8")


def _set_up(folder: str) -> None:
    global _bench  # noqa: PLW0603 - one bench for each worker
    _bench = Bench(Path(tempfile.mkdtemp(dir=folder)))


def _measure(file: str) -> tuple[str, Verdict]:
    """Time and reach of a file of tests; it must pass for sources that are written again."""
    assert _bench is not None
    before = {path: path.read_bytes() for path in _sources(_bench.folder)}
    for path, data in before.items():
        tree = data.decode("utf-8")
        again = (
            ast.unparse(ast.parse(tree)) if path.suffix == ".py" else written(tomllib.loads(tree))
        )
        path.write_text(again, encoding="utf-8")
    found = _bench.timed(file)
    for path, data in before.items():
        path.write_bytes(data)
    slow = found["failed"] is not None or found["cpu_s"] > SLOW_S
    return file, {**found, "lines": None if slow else _bench.reached(file)}


def _sources(folder: Path) -> list[Path]:
    rules = folder / RULES.relative_to(ROOT)
    return [*rules.glob("*.py"), *rules.rglob("*.toml")]


def _judge(index: int) -> Verdict:
    assert _bench is not None
    mutant = _mutants[index]
    files, stem = judges_of(mutant, _reach), Path(mutant.file).stem
    with _bench.changed(mutant.file, mutant.text()):
        by = _bench.run_collected(READ_WHEN_RUN, stem) if mutant.file.endswith(".toml") else None
        by = by or _bench.run([(file, _reach[file]["cpu_s"] if _reach else 1.0) for file in files])
    return {"mutant": mutant.name, "by": by}


def judges_of(mutant: Mutant, reach: Reach) -> list[str]:
    """The files of tests that run what is changed: that of the module first, then by time."""
    stem = Path(mutant.file).stem
    stems = dict.fromkeys((stem, ALSO_OF.get(stem, stem)))
    near = [f"tests/controller/rules/test_{each}.py" for each in stems]
    data = mutant.file.endswith(".toml")
    if not reach:
        return [file for file in near if file in JUDGES]

    def sees(file: str) -> bool:
        if file in near:  # however long it took on a busy machine
            return True
        if _by == QUICK and reach[file]["cpu_s"] > QUICK_S:
            return False
        lines = reach[file]["lines"]
        if data:  # the slow ones compare two readers of the same data
            return lines is not None and file not in READ_WHEN_RUN
        if mutant.lines is None or lines is None:
            return True
        return not set(mutant.lines).isdisjoint(lines.get(mutant.file, ()))

    return sorted(filter(sees, reach), key=lambda file: (file not in near, reach[file]["cpu_s"]))
