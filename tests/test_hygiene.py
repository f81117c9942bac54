"""What keeps the tree readable: its fixed top level, docstrings, short functions, one name each."""

from __future__ import annotations

import ast
import functools
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "controller",
    "drivers",
    "tests",
    "hardware",
    "systemd",
}
LONGEST_FUNCTION = 50  # lines
SOURCES = sorted(path for top in ("controller", "drivers") for path in (ROOT / top).rglob("*.py"))


@functools.cache
def tree_of(path: Path) -> ast.Module:
    """The syntax tree of a source file, parsed once."""
    return ast.parse(path.read_text("utf-8"))


def definitions(node: ast.AST) -> Iterator[ast.stmt]:
    """The functions and classes in ``node``, at any depth: they stand among statements only."""
    for each in ast.iter_child_nodes(node):
        if isinstance(each, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield each
        if isinstance(each, ast.stmt | ast.ExceptHandler | ast.match_case):
            yield from definitions(each)


def files() -> list[Path]:
    """The files under version control, and those about to be: all that is not ignored."""
    # safe.directory: the check may run as another user than the owner of the checkout.
    command = ["git", "-c", "safe.directory=*", "ls-files", "-z"]
    listed = subprocess.run(
        [*command, "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    found = [ROOT / name for name in sorted(set(listed.split("\0"))) if name]
    assert Path(__file__).resolve() in found
    return [path for path in found if path.is_file()]


@pytest.mark.needs_git
def test_the_top_level_is_fixed() -> None:
    top = {path.relative_to(ROOT).parts[0] for path in files()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_tests_that_run_a_system_tool_are_marked_so() -> None:
    unmarked = []
    for path in (ROOT / "tests").rglob("test_*.py"):
        text = path.read_text("utf-8")
        unmarked += [
            f"{path.relative_to(ROOT)} runs {tool} without the mark needs_{tool}"
            for tool in ("gcc", "git", "tmux")
            if f'"{tool}"' in text and f"mark.needs_{tool}" not in text and path != Path(__file__)
        ]
    assert not unmarked, "\n".join(unmarked)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_a_source_file_says_what_it_is(path: Path) -> None:
    tree = tree_of(path)
    assert ast.get_docstring(tree), "the module has no docstring"
    silent = [
        f"line {node.lineno}: {node.name}"
        for node in tree.body
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]
    assert not silent, f"without a docstring: {silent}"


@pytest.mark.full
def test_no_function_is_longer_than_a_screen() -> None:
    long = [
        f"{path.relative_to(ROOT)}:{node.lineno} {node.name}"
        for top in ("controller", "drivers", "hardware", "systemd", "tests")
        for path in sorted((ROOT / top).rglob("*.py"))
        for node in definitions(tree_of(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (node.end_lineno or 0) - node.lineno >= LONGEST_FUNCTION
    ]
    assert not long, "\n".join(long)


def test_no_two_classes_share_a_name() -> None:
    places: dict[str, list[str]] = {}
    for path in SOURCES:
        for node in definitions(tree_of(path)):
            if isinstance(node, ast.ClassDef):
                places.setdefault(node.name, []).append(str(path.relative_to(ROOT)))
    shared = {name: found for name, found in places.items() if len(found) > 1}
    assert not shared
