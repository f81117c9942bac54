"""``python -m tests.mirror_coverage``: how much of each module its own file of tests covers.

Reads what a run of ``tests/controller`` and ``tests/drivers`` with ``--cov-context=test`` left in
the file that ``COVERAGE_FILE`` names. A line counts for a module when a test of its mirror ran it,
or when the import did. A module that has too little by this is looked at again, with nothing but
its mirror and a plain tracer: what a test of another file ran first may be cached, and in
CPython 3.11 the quick tracer loses what follows an await through which an exception came.

1 when a module has less than LEAST of its lines covered. Files of ``controller/commands`` only hand
arguments on and are tested as programs, so they are exempt.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import coverage
import pytest

from tests.mirrors import ROOT, mirror_of, modules

LEAST = 0.90
EXEMPT = ("controller/commands/", "controller/cli.py")


def statements(module: Path) -> set[int]:
    """The lines of a module on which a statement begins."""
    return set(coverage.Coverage(data_file=None).analysis2(str(module))[1])


def share(module: Path, data: coverage.CoverageData) -> float:
    """The share of a module's statements that its own tests ran; 1.0 for one without any."""
    mirror = mirror_of(module).relative_to(ROOT).as_posix()
    ran = {
        line
        for line, contexts in data.contexts_by_lineno(str(module)).items()
        if any(not each or each.startswith(f"{mirror}::") for each in contexts)
    }
    return _share(module, ran)


def _share(module: Path, ran: set[int]) -> float:
    wanted = statements(module)
    return len(wanted & ran) / len(wanted) if wanted else 1.0


class PlainTracer:
    """A pytest plugin: the lines of ``module`` that run within tests or at import."""

    def __init__(self, module: Path) -> None:
        self.ran: set[int] = set()
        self._file = str(module)
        threading.settrace(self._called)
        sys.settrace(self._called)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self) -> Iterator[None]:
        """Trace again: a test may have taken the tracer away."""
        sys.settrace(self._called)
        return (yield)

    def _called(self, frame: FrameType, event: str, argument: Any) -> Any:
        return self._line if frame.f_code.co_filename == self._file else None

    def _line(self, frame: FrameType, event: str, argument: Any) -> Any:
        if event == "line":
            self.ran.add(frame.f_lineno)
        return self._line


def look_again(module: Path) -> None:
    """Run the module's mirror alone in this process; print the share and exit with the tests'."""
    tracer = PlainTracer(module)
    code = pytest.main(["-q", "-m", "not long", str(mirror_of(module))], plugins=[tracer])
    sys.settrace(None)
    print(f"\n{_share(module, tracer.ran)}")
    sys.exit(code)


def share_alone(module: Path) -> float:
    """The same share, from a process of its own. 0.0 when the tests fail in it."""
    command = [sys.executable, "-m", "tests.mirror_coverage", str(module)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    return float(done.stdout.split()[-1]) if done.returncode == 0 else 0.0


def main() -> int:
    """Print the modules that are covered too little; 1 when there is one."""
    data = coverage.CoverageData(os.environ.get("COVERAGE_FILE", ".coverage"))
    data.read()
    low = []
    for module in modules():
        name = module.relative_to(ROOT).as_posix()
        if name.startswith(EXEMPT) or share(module, data) >= LEAST:
            continue
        alone = share_alone(module)
        if alone < LEAST:
            low.append(f"{name}: {alone:.0%} by {mirror_of(module).relative_to(ROOT)} alone")
    print("\n".join([*low, f"{len(low)} modules below {LEAST:.0%} by their own tests alone"]))
    return 1 if low else 0


if __name__ == "__main__":
    if len(sys.argv) > 1:
        look_again(Path(sys.argv[1]).resolve())
    sys.exit(main())
