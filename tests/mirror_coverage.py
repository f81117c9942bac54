"""``python -m tests.mirror_coverage``: how much of each module its own file of tests covers.

Reads what a run of ``tests/controller`` and ``tests/drivers`` with ``--cov-context=test`` left in
the file that ``COVERAGE_FILE`` names. A line counts for a module when a test of its mirror ran it,
or when the import did. 1 when a module has less than LEAST of its lines covered. Files of
``controller/commands`` only hand arguments on and are tested as programs, so they are exempt.
"""

from __future__ import annotations

import ast
import os
import sys
from pathlib import Path

import coverage

from tests.mirrors import ROOT, mirror_of, modules

LEAST = 0.90
EXEMPT = ("controller/commands", "controller/cli.py", "controller/__main__.py")


def shares(data: coverage.CoverageData) -> dict[Path, float]:
    """The share of each module's statements that its own tests run; 1.0 for one without any."""
    whole = coverage.Coverage(data_file=None)
    found = {}
    for module in modules():
        statements = set(whole.analysis2(str(module))[1])
        mirror = mirror_of(module).relative_to(ROOT).as_posix()
        ran = {
            line
            for line, contexts in data.contexts_by_lineno(str(module)).items()
            if any(not each or each.startswith(f"{mirror}::") for each in contexts)
        }
        found[module] = len(statements & ran) / len(statements) if statements else 1.0
    return found


def is_exempt(module: Path) -> bool:
    """Whether it is a command, or nothing but declarations."""
    name = module.relative_to(ROOT).as_posix()
    return name.startswith(EXEMPT) or not any(
        isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(ast.parse(module.read_text("utf-8")))
    )


def main() -> int:
    """Print the modules that are covered too little; 1 when there is one."""
    data = coverage.CoverageData(os.environ.get("COVERAGE_FILE", ".coverage"))
    data.read()
    low = {
        module: share
        for module, share in shares(data).items()
        if share < LEAST and not is_exempt(module)
    }
    for module, share in sorted(low.items()):
        mirror = mirror_of(module).relative_to(ROOT)
        print(f"{module.relative_to(ROOT)}: {share:.0%} by {mirror} alone, least {LEAST:.0%}")
    print(f"{len(low)} modules below {LEAST:.0%} by their own tests alone")
    return 1 if low else 0


if __name__ == "__main__":
    sys.exit(main())
