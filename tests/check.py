"""The one check command: ``python3 tests/check.py [--full | --long] [-k EXPR] [-- PYTEST ARGS]``.

It needs Python 3.11 or later and nothing else. The tools of the check are installed, by their
hashes, into an environment of their own under ``.check/``, made again only when Python or a pin
changes. System tools come through apt when the check runs as root; otherwise the one apt line is
printed, and the tests that need a missing tool are reported as not run, or with ``CI=true`` the
check fails. Nothing else is written outside the checkout but temporary files; ``.check/`` may go at
any time.

Every step runs even when an earlier one failed. Exit codes: 0 all passed, 1 a step failed,
2 the check could not start.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import hashlib
import importlib.util
import os
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
STORE = ROOT / ".check"
PINS = ROOT / "tests" / "requirements.txt"
"""The tools of the check, by version and hash."""

MIRRORS = ("tests/controller", "tests/drivers")
"""The folders of tests that mirror the packages file by file."""


@dataclass(frozen=True)
class Tier:
    """How much is checked: the tests deselected, the most seconds one test may take, and the
    seconds the whole tier should take; half as much again is a failure."""

    name: str
    deselect: tuple[str, ...]
    test_limit_s: int
    budget_s: int | None

    @property
    def has_tests_alone(self) -> bool:
        """Whether it runs those that live in real time and want the machine for themselves."""
        return "full" not in self.deselect


TOO_SLOW = 1.5
"""A tier that takes longer than its time by this factor fails: a busy machine costs less."""
QUICK = Tier("quick", ("full", "long"), test_limit_s=30, budget_s=60)
FULL = Tier("full", ("long",), test_limit_s=600, budget_s=780)
LONG = Tier("long", (), test_limit_s=0, budget_s=None)  # pytest-timeout: 0 sets no limit


@dataclass(frozen=True)
class Tool:
    """A system tool; tests that run it are marked ``needs_<name>``."""

    name: str
    packages: tuple[str, ...]
    present: Callable[[], bool]


class CannotStartError(Exception):
    """The check cannot begin; the message says why and what to do about it."""


def gcc_compiles() -> bool:
    """Whether gcc and the C library's headers are both there."""
    probe = ["gcc", "-xc", "-fsyntax-only", "-include", "stdio.h", os.devnull]
    return (
        shutil.which("gcc") is not None
        and subprocess.call(probe, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) == 0
    )


def faketime_is_there() -> bool:
    """Whether the library that steps a process's wall clock is where Debian puts it."""
    return any(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))


def simavr_is_there() -> bool:
    """Whether firmware can be built, and run on a simulated chip."""
    headers = (Path("/usr/include/simavr/sim_avr.h"), Path("/usr/include/libelf.h"))
    return (
        all(shutil.which(name) for name in ("avr-gcc", "make"))
        and Path("/usr/lib/avr/include/avr/io.h").exists()
        and all(header.exists() for header in headers)
    )


def fuzzer_links() -> bool:
    """Whether clang is there with its fuzzer and sanitizers."""
    return shutil.which("clang") is not None and any(
        Path("/usr/lib").glob("llvm-*/lib/clang/*/lib/linux/libclang_rt.fuzzer-*.a")
    )


TOOLS = (
    Tool(
        "avr",
        ("gcc-avr", "avr-libc", "libsimavr-dev", "libelf-dev", "make", "gcc", "libc6-dev"),
        simavr_is_there,
    ),
    Tool("clang", ("clang", "libclang-rt-14-dev"), fuzzer_links),
    Tool("gcc", ("gcc", "libc6-dev"), gcc_compiles),
    Tool("git", ("git",), lambda: shutil.which("git") is not None),
    Tool("libfaketime", ("libfaketime",), faketime_is_there),
    Tool("poppler", ("poppler-utils",), lambda: shutil.which("pdftotext") is not None),
    Tool("ssh", ("openssh-client",), lambda: shutil.which("ssh-keygen") is not None),
    Tool("systemd", ("systemd",), lambda: shutil.which("systemd-analyze") is not None),
    Tool("tmux", ("tmux",), lambda: shutil.which("tmux") is not None),
)


def tools_of_the_tests() -> list[Tool]:
    """The system tools that some test is marked for."""
    text = "".join(
        path.read_text("utf-8")
        for path in sorted((ROOT / "tests").rglob("*.py"))
        if path != Path(__file__).resolve()
    )
    return [tool for tool in TOOLS if f"mark.needs_{tool.name}" in text]


def can_make_environment() -> bool:
    """Whether pip can be put into a new environment (Debian ships ``ensurepip`` apart)."""
    return importlib.util.find_spec("ensurepip") is not None or (
        importlib.util.find_spec("pip") is not None
    )


UPDATE = "apt-get update"


def apt_line(packages: Sequence[str]) -> str:
    """The one line that installs all that is missing, given package lists."""
    return shlex.join(["apt-get", "install", "-y", "--no-install-recommends", *packages])


def apt_install(packages: Sequence[str]) -> bool:
    """Install ``packages`` as root, reading the package lists first where there are none."""
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}

    def run(line: str) -> bool:
        say(f"$ {line}")
        command = [*shlex.split(line), "-qq", "-o", "Dpkg::Use-Pty=0"]
        return subprocess.call(command, env=environment, stdout=subprocess.DEVNULL) == 0

    have_lists = any(Path("/var/lib/apt/lists").glob("*Packages*"))
    if have_lists and run(apt_line(packages)):
        return True
    return run(UPDATE) and run(apt_line(packages))


def provide_system_tools(ready: Path) -> list[Tool]:
    """Install the system tools that are missing, or say how; return the tools still missing.

    Raises CannotStartError where the check cannot do without them.
    """

    def missing() -> tuple[list[str], list[Tool]]:
        tools = [tool for tool in tools_of_the_tests() if not tool.present()]
        packages = [package for tool in tools for package in tool.packages]
        if not ready.exists() and not can_make_environment():
            packages.insert(0, "python3-venv")
        return packages, tools

    packages, tools = missing()
    if packages and os.geteuid() == 0 and shutil.which("apt-get") and apt_install(packages):
        importlib.invalidate_caches()
        packages, tools = missing()
    if packages:
        say(f"Missing system tools. As root, run:\n\n    {UPDATE} && {apt_line(packages)}\n")
        if "python3-venv" in packages:
            raise CannotStartError("this Python can make no environment without python3-venv")
        if os.environ.get("CI", "").lower() in {"1", "true"}:
            raise CannotStartError("with CI=true a missing tool is a failure")
    return tools


def environment_path() -> Path:
    """Where the environment for this Python and these pins lives."""
    key = "\n".join([sys.version, sys.base_prefix, PINS.read_text("utf-8")])
    digest = hashlib.sha256(key.encode()).hexdigest()[:12]
    return STORE / f"python{sys.version_info.major}.{sys.version_info.minor}-{digest}"


def make_environment(path: Path) -> None:
    """Make the environment and install the pinned tools into it from the configured index."""
    shutil.rmtree(path, ignore_errors=True)
    python = str(path / "bin" / "python")
    if importlib.util.find_spec("ensurepip") is not None:
        venv, pip = ["venv"], [python, "-m", "pip"]
    else:
        venv, pip = ["venv", "--without-pip"], [sys.executable, "-m", "pip", "--python", python]
    # pip's cache stays in the checkout as well.
    environment = os.environ | {"PIP_CACHE_DIR": str(STORE / "pip")}
    for command in (
        [sys.executable, "-m", *venv, str(path)],
        [*pip, "install", "--quiet", "--disable-pip-version-check", "--requirement", str(PINS)],
    ):
        if subprocess.call(command, env=environment) != 0:
            raise CannotStartError(f"failed: {shlex.join(command)}")
    (path / "ready").touch()


@contextlib.contextmanager
def one_at_a_time() -> Iterator[None]:
    """Hold ``.check/`` while its environment is made: two checks may start at once."""
    try:
        STORE.mkdir(exist_ok=True)
        with (STORE / "lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield
    except PermissionError as error:
        raise CannotStartError(f"{error.filename}: this user cannot write here") from error


def provide_environment() -> tuple[str, list[Tool]]:
    """The environment's Python, made if need be, and the system tools still missing."""
    path = environment_path()
    with one_at_a_time():
        missing = provide_system_tools(path / "ready")
        if not (path / "ready").exists():
            began = time.monotonic()
            say(f"== environment: {path.relative_to(ROOT)}")
            make_environment(path)
            say(f"-- environment: {time.monotonic() - began:.1f} s")
    return str(path / "bin" / "python"), missing


def steps(
    tier: Tier, python: str, missing: Sequence[Tool], extra: Sequence[str]
) -> dict[str, list[str]]:
    """Name and command of each step, in order."""
    wanted = [f"not {mark}" for mark in tier.deselect]
    wanted += [f"not needs_{tool.name}" for tool in missing]
    slow = ["--durations=5", "--durations-min=0.25"]
    limit = f"--timeout={tier.test_limit_s}"

    def pytest(*more: str) -> list[str]:
        marks = ["-m", " and ".join([*wanted, *more])] if wanted or more else []
        return [python, "-m", "pytest", *marks, limit, *slow, *extra]

    found = {
        "ruff format": [python, "-m", "ruff", "format", "--check", "."],
        "ruff check": [python, "-m", "ruff", "check", "."],
        "mypy": [python, "-m", "mypy", "--strict", "controller", "drivers", "tests"],
    }
    if extra:  # chosen by hand: in one process, so that output and a debugger come through
        return {**found, "pytest": pytest()}
    spread = [f"--numprocesses={os.cpu_count() or 1}", "--dist=loadfile", "--no-loadscope-reorder"]
    if not tier.has_tests_alone:
        return {**found, "pytest": [*pytest(), *spread]}
    covered = [f"--cov={package}" for package in ("controller", "drivers")]
    covered += ["--cov-context=test", "--cov-report="]
    busy = ("not alone", "not waits")
    ignored = [f"--ignore={folder}" for folder in MIRRORS]
    return {
        **found,
        "pytest, module by module": [*pytest(*busy), *MIRRORS, *spread, *covered],
        "coverage of each module": [python, "-m", "tests.mirror_coverage"],
        "pytest, all else": [*pytest(*busy), *ignored, *spread],
        "pytest, two at a time": [*pytest("waits"), "--numprocesses=2", "--dist=loadfile"],
        "pytest, one at a time": pytest("alone"),
    }


def run_step(name: str, command: Sequence[str]) -> bool:
    """Run one step from the top of the checkout, its output going straight through."""
    say(f"== {name}")
    began = time.monotonic()
    environment = os.environ | {
        "HYPOTHESIS_STORAGE_DIRECTORY": str(STORE / "hypothesis"),
        "COVERAGE_FILE": str(STORE / "coverage"),
        # Every process that a test starts would compile the program again without these.
        "PYTHONPYCACHEPREFIX": str(STORE / "bytecode"),
        "PYTHONDONTWRITEBYTECODE": "",
    }
    passed = subprocess.call(command, cwd=ROOT, env=environment) == 0
    say(f"-- {name}: {'ok' if passed else 'FAILED'}, {time.monotonic() - began:.1f} s")
    return passed


def say(line: str) -> None:
    """Print at once, in order with the output of the tools."""
    print(line, flush=True)


def arguments(argv: Sequence[str]) -> tuple[Tier, list[str]]:
    """The tier asked for and the arguments for pytest."""
    own, extra = list(argv), []
    if "--" in own:
        cut = own.index("--")
        own, extra = own[:cut], own[cut + 1 :]
    parser = argparse.ArgumentParser(
        prog="tests/check.py",
        description="Check the whole project. Arguments after -- go to pytest.",
    )
    tiers = parser.add_mutually_exclusive_group()
    tiers.add_argument(
        "--full", action="store_const", const=FULL, dest="tier", help="about 13 minutes, as CI does"
    )
    tiers.add_argument(
        "--long",
        action="store_const",
        const=LONG,
        dest="tier",
        help="all there is: minutes to hours",
    )
    parser.add_argument("-k", metavar="EXPR", help="only the tests that match, as in pytest")
    options = parser.parse_args(own)
    chosen = ["-k", options.k] if options.k else []
    return options.tier or QUICK, [*chosen, *extra]


def main(argv: Sequence[str]) -> int:
    """Run the check and print its one line of summary."""
    tier, extra = arguments(argv)
    try:
        python, missing = provide_environment()
    except CannotStartError as error:
        say(f"check {tier.name}: CANNOT START: {error}")
        return 2
    began = time.monotonic()
    results = {
        name: run_step(name, command)
        for name, command in steps(tier, python, missing, extra).items()
    }
    took_s = time.monotonic() - began
    if tier.budget_s is not None and took_s > tier.budget_s:
        say(f"Slower than this tier's {tier.budget_s} s: mark slow tests 'full' or 'long'.")
        if not extra:
            results["time"] = took_s <= TOO_SLOW * tier.budget_s
    parts = [f"{name} {'ok' if passed else 'FAILED'}" for name, passed in results.items()]
    parts += [f"tests marked needs_{tool.name} NOT RUN" for tool in missing]
    verdict = "ok" if all(results.values()) else "FAILED"
    say(f"check {tier.name}: {verdict} in {took_s:.0f} s ({', '.join(parts)})")
    return 0 if all(results.values()) else 1


if __name__ == "__main__":
    if sys.version_info < (3, 11):  # noqa: UP036 (an older Python can still start this file)
        sys.exit("tests/check.py needs Python 3.11 or later")
    sys.exit(main(sys.argv[1:]))
