"""What keeps the tree readable: its fixed top level, docstrings, no stray words."""

from __future__ import annotations

import ast
import re
import subprocess
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
SOURCES = sorted(path for top in ("controller", "drivers") for path in (ROOT / top).rglob("*.py"))

# Written in pieces so that this file does not match itself.
FORBIDDEN = {
    "a path of one machine": r"(?<![\w.\-}])/(?:" + "|".join(["tm" + "p", "wo" + "rk"]) + r")\b",
    "a home folder": r"(?<![\w.\-}])/(?:" + "ho" + r"me/\w|" + "ro" + r"ot/)",
    "a text that readers do not have": "se" + r"ed[ -]document",
    "a ticket number": r"\b(?:iss" + r"ue|tick" + r"et)s? #?\d",
}


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


@pytest.mark.needs_git
def test_no_file_holds_words_that_mean_nothing_to_its_reader() -> None:
    found = []
    for path in files():
        data = path.read_bytes()
        if b"\0" in data:  # not text
            continue
        for number, line in enumerate(data.decode("utf-8").splitlines(), 1):
            for what, pattern in FORBIDDEN.items():
                if re.search(pattern, line, re.IGNORECASE):
                    found.append(f"{path.relative_to(ROOT)}:{number}: {what}: {line.strip()}")
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("line", "forbidden"),
    [
        ("see /tm" + "p/notes", True),
        ("cd '/wo" + "rk/main'", True),
        ("/ho" + "me/someone/x", True),
        ("as the iss" + "ue 7 says", True),
        ("https://example.org/wo" + "rk", False),
        ("the issue of a stale number", False),
        ("/run/playclock/state", False),
    ],
)
def test_the_forbidden_words(line: str, forbidden: bool) -> None:
    assert any(re.search(pattern, line) for pattern in FORBIDDEN.values()) is forbidden


def test_tests_that_run_a_system_tool_are_marked_so() -> None:
    unmarked = []
    for path in (ROOT / "tests").rglob("test_*.py"):
        text = path.read_text("utf-8")
        words = {node.value for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Constant)}
        unmarked += [
            f"{path.relative_to(ROOT)} runs {tool} without the mark needs_{tool}"
            for tool in ("gcc", "git", "tmux")
            if tool in words and f"mark.needs_{tool}" not in text and path != Path(__file__)
        ]
    assert not unmarked, "\n".join(unmarked)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_a_source_file_says_what_it_is(path: Path) -> None:
    source = path.read_text("utf-8")
    tree = ast.parse(source)
    assert ast.get_docstring(tree), "the module has no docstring"
    silent = [
        f"line {node.lineno}: {node.name}"
        for node in tree.body
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]
    assert not silent, f"without a docstring: {silent}"
