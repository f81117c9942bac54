"""Builds what the firmware's tests run: images with ``make``, C for the PC with gcc or clang.

All of it goes to ``.check/firmware`` and is made again when a source has changed.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "hardware" / "firmware"
HERE = Path(__file__).resolve().parent
STORE = ROOT / ".check" / "firmware"

PC_FLAGS = ("-std=c11", "-g", "-O1", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror")
SANITIZERS = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all")


@contextlib.contextmanager
def _one_at_a_time(name: str) -> Iterator[None]:
    """Hold what is built under this name: test processes share it."""
    STORE.mkdir(parents=True, exist_ok=True)
    with (STORE / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _done(command: Sequence[str | Path]) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}"
    return done


def run(*command: str | Path) -> str:
    """Run a command and give what it printed; one that fails is an :class:`AssertionError`."""
    return _done(command).stdout


def report(*command: str | Path) -> str:
    """The same, giving what the command wrote to standard error."""
    return _done(command).stderr


def image(part: str, *settings: str) -> Path:
    """The firmware ``part`` ("board", "handset") as an ELF file, built by its own Makefile.

    ``settings`` are variables for make; what is built with some has a folder of its own.
    """
    folder = STORE / "-".join(
        [part, *(hashlib.sha256(s.encode()).hexdigest()[:8] for s in settings)]
    )
    with _one_at_a_time(folder.name):
        run("make", "--quiet", "-C", FIRMWARE / part, f"BUILD={folder}", *settings)
    return folder / f"{part}.elf"


def program(
    name: str, sources: Sequence[Path], flags: Sequence[str], compiler: str = "gcc"
) -> Path:
    """Sources of C compiled and linked for the PC; ``flags`` may hold libraries as well."""
    key = hashlib.sha256(repr((compiler, flags, [str(source) for source in sources])).encode())
    headers = [path for top in (FIRMWARE, HERE) for path in sorted(top.rglob("*.h"))]
    for path in [*sources, *headers]:
        key.update(path.read_bytes())
    made = STORE / f"{name}-{key.hexdigest()[:12]}"
    with _one_at_a_time(made.name):
        if not made.exists():
            found = shutil.which(compiler)
            assert found, f"no {compiler}"
            half = made.with_suffix(".half")
            run(found, *sources, "-o", half, *flags)
            half.rename(made)
    return made
