"""Where a mutant is judged: a private copy of the tree, and a child process for each mutant.

The parent holds pytest and Hypothesis ready and nothing of the project; a child imports the copy.
"""

from __future__ import annotations

import contextlib
import functools
import gc
import json
import os
import resource
import select
import shutil
import signal
import socket
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, Final

import hypothesis
import pytest
from _pytest.main import pytest_runtestloop

from tests.mutation.mutant import ROOT

COPIED: Final = ("controller", "drivers", "hardware", "tests", "DEVELOPERS.md", "pyproject.toml")
PROJECT: Final = ("controller", "drivers", "tests")
MEMORY_BYTES: Final = 2 << 30
"""A mutant that fills a list without end stops here."""
SLACK_S: Final = 3.0
"""CPU time that any file of tests may take besides three times what it takes for the whole code."""
WALL_S: Final = 300.0
"""A child that waits for something that never comes is ended after this."""
TIME_OUT: Final = "time-out"

Finding = dict[str, Any]


class Bench:
    """A private copy of the checkout in ``folder``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._fresh: Server | None = None
        self._collected: Server | None = None
        skipped = shutil.ignore_patterns("__pycache__", "mutation")
        for name in COPIED:
            if (ROOT / name).is_dir():
                shutil.copytree(ROOT / name, folder / name, ignore=skipped)
            else:
                shutil.copy2(ROOT / name, folder / name)

    @contextlib.contextmanager
    def changed(self, file: str, text: str) -> Iterator[None]:
        """The copy with another text in one file."""
        path = self.folder / file
        before = path.read_bytes()
        path.write_text(text, encoding="utf-8")
        for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
            stale.unlink()  # one of the same second and length would be taken for the change
        try:
            yield
        finally:
            path.write_bytes(before)

    def run(self, files: Sequence[tuple[str, float]]) -> str | None:
        """The first test that fails, in a new process; None when all pass.

        ``files`` of tests come with the CPU seconds that each needs when nothing is changed.
        """
        if self._fresh is None:
            self._fresh = Server(self, lambda told: [Collecting(told, self.folder)])
        return self._fresh.ask(files)

    def run_collected(self, files: Sequence[str], first: str) -> str | None:
        """As :meth:`run`, of files whose tests read the data when they run: they are collected
        once, always the same ones. Tests with the word ``first`` in their names come first."""
        if self._collected is None:
            self._collected = Server(self, lambda told: [Serving(told)], files)
        return self._collected.ask([(first, 0.0)])

    def close(self) -> None:
        """End the processes that stand ready."""
        servers = [each for each in (self._fresh, self._collected) if each is not None]
        self._fresh = self._collected = None
        for server in servers:
            server.hang_up()
        for server in servers:  # the later one holds the line to the earlier one as well
            server.wait()

    def timed(self, file: str) -> Finding:
        """CPU seconds of a file of tests, and what fails in it."""
        return self._in_child(lambda: self._timed(file)) or {"failed": TIME_OUT, "cpu_s": 0.0}

    def reached(self, file: str) -> dict[str, list[int]]:
        """The lines of the rules that the tests of a file run, not those run by importing."""
        found = self._in_child(lambda: self._traced(file))
        if found is None:
            raise RuntimeError(f"{file}: no end in sight while its lines are traced")
        return found

    def _timed(self, file: str) -> Finding:
        before_s = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
        failed = self.pytest(file)
        return {
            "failed": failed,
            "cpu_s": round(sum(resource.getrusage(resource.RUSAGE_SELF)[:2]) - before_s, 2),
        }

    def _traced(self, file: str) -> Finding:
        lines = Lines(str(self.folder / "controller" / "rules"))
        self.pytest(file, plugins=[lines])
        return {os.path.relpath(name, self.folder): sorted(e) for name, e in lines.run.items()}

    def pytest(self, *files: str, plugins: Sequence[object] = ()) -> str | None:
        """Run quick tests up to the first failure, and name it."""
        first = First()
        status = pytest.main(
            [
                *("-x", "-q", "--tb=no", "--no-header", "--assert=plain"),
                *("-m", "not full and not long"),
                *("--rootdir", str(self.folder), "-c", str(self.folder / "pyproject.toml")),
                *("--basetemp", str(self.folder / "temporary")),
                *(str(self.folder / file) for file in files),
            ],
            plugins=[first, *plugins],
        )
        if status == pytest.ExitCode.OK:
            return None
        return first.failed or f"{' '.join(files)}: {pytest.ExitCode(status).name}"

    def _in_child(self, work: Callable[[], Finding]) -> Finding | None:
        """What ``work`` finds in a child process; None when it takes too long."""
        reads, writes = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(reads)
            self.become_child()
            found = json.dumps(work())
            with os.fdopen(writes, "w") as pipe:
                pipe.write(found)
            os._exit(0)
        os.close(writes)
        with os.fdopen(reads) as pipe:
            child = os.pidfd_open(pid)
            ready, _, _ = select.select([pipe], [], [], WALL_S)
            if not ready:
                os.killpg(pid, signal.SIGKILL)
            said = pipe.read()
            os.close(child)
        _, status = os.waitpid(pid, 0)
        if said:
            found = json.loads(said)
            assert isinstance(found, dict)
            return found
        if os.WIFSIGNALED(status):
            return None
        raise RuntimeError(f"the judge of {self.folder} ended with status {status}, saying nothing")

    def become_child(self) -> None:
        os.setpgid(0, 0)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in range(3):
            os.dup2(nowhere, stream)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        os.chdir(self.folder)
        for name in [name for name in sys.modules if name.partition(".")[0] in PROJECT]:
            del sys.modules[name]
        sys.path[:] = [
            str(self.folder),
            *(each for each in sys.path if each not in ("", str(ROOT))),
        ]
        hypothesis.settings.register_profile(
            "mutation",
            database=None,
            deadline=None,  # a busy machine kills no mutant
            derandomize=True,
            phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate),
        )
        hypothesis.settings.load_profile("mutation")


class First:
    """A plugin of pytest that keeps the first failure."""

    def __init__(self) -> None:
        self.failed: str | None = None

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """A test, its setup or its teardown."""
        if report.failed and self.failed is None:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """A file that cannot even be imported."""
        if report.failed and self.failed is None:
            self.failed = f"{report.nodeid} (import)"


class Server:
    """A process that has pytest ready and forks for each question."""

    def __init__(
        self,
        bench: Bench,
        plugins: Callable[[socket.socket], Sequence[object]],
        files: Sequence[str] = (),
    ) -> None:
        self._socket, told = socket.socketpair()
        self._pid = os.fork()
        if self._pid == 0:
            self._socket.close()
            try:
                bench.become_child()
                bench.pytest(*files, plugins=plugins(told))
            finally:
                os._exit(0)
        told.close()

    def ask(self, files: Sequence[tuple[str, float]]) -> str | None:
        """The first failure of the tests. Raises RuntimeError when the process has ended."""
        self._socket.sendall(json.dumps(files).encode() + b"\n")
        said = self._socket.recv(10_000)
        if not said:
            raise RuntimeError(f"the server of tests, process {self._pid}, has ended")
        found = json.loads(said)["failed"]
        assert found is None or isinstance(found, str)
        return found

    def hang_up(self) -> None:
        """Ask nothing more: the process ends."""
        self._socket.close()

    def wait(self) -> None:
        """Wait for its end."""
        os.waitpid(self._pid, 0)


class Serving:
    """A plugin of pytest that runs the tests in a fork for each line that it is sent."""

    def __init__(self, told: socket.socket) -> None:
        self._told = told

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """In place of pytest's own loop, with everything collected."""
        self.serve(session)
        return True

    def serve(self, session: pytest.Session) -> None:
        """Answer until the other side closes, and end this process then."""
        gc.freeze()
        for line in self._told.makefile():
            pid = os.fork()
            if pid == 0:
                gc.disable()  # short lives; the memory limit ends a long one
                first = First()
                session.config.pluginmanager.register(first)
                try:
                    with contextlib.suppress(session.Failed, session.Interrupted):
                        self.run(session, json.loads(line))
                    self._told.sendall(json.dumps({"failed": first.failed}).encode())
                finally:
                    os._exit(0)
            if not ended(pid):
                self._told.sendall(json.dumps({"failed": TIME_OUT}).encode())
        os._exit(0)  # the other side is gone, and soon the folder

    def run(self, session: pytest.Session, files: Sequence[tuple[str, float]]) -> None:
        """Run what is collected. Within one fork the data stays as it is and is read once."""
        rule_sets = sys.modules["controller.rulebook.loader"]
        setattr(rule_sets, "load_seasons", functools.cache(rule_sets.load_seasons))  # noqa: B010
        ((word, _),) = files
        session.items.sort(key=lambda item: f"[{word}-" not in item.nodeid)
        limit_cpu(30)
        pytest_runtestloop(session)


class Collecting(Serving):
    """The same before anything is collected: a file is imported only for the question."""

    def __init__(self, told: socket.socket, folder: Path) -> None:
        super().__init__(told)
        self._folder = folder

    def pytest_collection(self, session: pytest.Session) -> bool:
        """In place of pytest's own collection."""
        self.serve(session)
        return True

    def run(self, session: pytest.Session, files: Sequence[tuple[str, float]]) -> None:
        """Collect and run one file after another, each within its time."""
        for file, cpu_s in files:
            limit_cpu(3 * cpu_s + SLACK_S)
            session.perform_collect([str(self._folder / file)])
            pytest_runtestloop(session)


def limit_cpu(seconds: float) -> None:
    """End this process when it has run for ``seconds`` more."""
    used_s = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
    resource.setrlimit(resource.RLIMIT_CPU, (int(used_s + seconds) + 1, resource.RLIM_INFINITY))


def ended(pid: int) -> bool:
    """Wait for a fork; False when it had to be ended or was ended by a limit."""
    child = os.pidfd_open(pid)
    try:
        if not select.select([child], [], [], WALL_S)[0]:
            os.kill(pid, signal.SIGKILL)
    finally:
        os.close(child)
    return os.waitpid(pid, 0)[1] == 0


class Lines:
    """A plugin of pytest that keeps the lines that tests run below ``folder``."""

    def __init__(self, folder: str) -> None:
        self.run: dict[str, set[int]] = {}
        self._folder = folder
        self._left: dict[CodeType, set[int]] = {}

    def pytest_runtest_setup(self) -> None:
        """Before each test: one that runs out of stack ends the tracing with it."""
        sys.settrace(self._called)

    def pytest_sessionfinish(self) -> None:
        """The tests are over."""
        sys.settrace(None)

    def _called(self, frame: FrameType, _event: str, _arg: object) -> Any:
        code = frame.f_code
        if code not in self._left:
            here = code.co_filename.startswith(self._folder)
            self._left[code] = {n for _, _, n in code.co_lines() if n} if here else set()
        left = self._left[code]
        if not left:
            return None  # of another folder, or every line was seen
        run = self.run.setdefault(code.co_filename, set())

        def line(frame: FrameType, _event: str, _arg: object) -> Any:
            run.add(frame.f_lineno)
            left.discard(frame.f_lineno)
            return line

        return line(frame, "", None)
