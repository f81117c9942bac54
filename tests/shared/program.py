"""The program itself in real time: a process of its own on an installation's ptys.

The tolerances are for a busy machine, where either process may be kept waiting.
"""

from __future__ import annotations

import asyncio
import contextlib
import statistics
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path

from tests.shared.far_ends import FarEnds
from tests.shared.frames import MS_NS, S_NS
from tests.shared.installation import Site

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = (sys.executable, "-m", "controller")

LATEST_NS = 250 * MS_NS
"""No change of numerals may be later than this after its instant, on a busy machine too."""
USUAL_NS = 40 * MS_NS
"""Half of them must be sooner: 4 ms of line, at most 20 ms for an answer, the rest the system's."""
LOOK_S = 0.003


def boottime() -> int:
    """Nanoseconds of CLOCK_BOOTTIME."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


async def until(holds: Callable[[], bool], within_s: float, told: Callable[[], str]) -> None:
    """Look again and again until something holds; ``told`` is what is known when it does not."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(within_s):
            while not holds():  # noqa: ASYNC110 - what is waited for has no event
                await asyncio.sleep(LOOK_S)
    assert holds(), f"not within {within_s} s; {told()}"


class Running:
    """The program on a site, with the counterparts in this process."""

    def __init__(self, site: Site, process: asyncio.subprocess.Process, ends: FarEnds) -> None:
        self.site, self.process, self.ends = site, process, ends

    async def until(self, holds: Callable[[], bool], within_s: float) -> None:
        """Wait until something holds."""
        await until(holds, within_s, lambda: f"boards read {self.ends.read}")

    async def heard(self) -> None:
        """Boards and handsets have heard it."""
        await self.until(lambda: bool(self.ends.boards.log and self.ends.keeper.state), 10)

    async def reads(self, text: str, within_s: float = LATEST_NS / S_NS) -> None:
        """Both boards come to read ``text``."""
        await self.until(lambda: self.ends.read == [text, text], within_s)


async def start(
    site: Site, *options: str, program: Sequence[str] = PROGRAM
) -> asyncio.subprocess.Process:
    """Start the program on a site."""
    return await asyncio.create_subprocess_exec(
        *program,
        "run",
        "--config",
        str(site.config),
        *options,
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )


async def kill(process: asyncio.subprocess.Process) -> None:
    """End it at once, if it still runs."""
    if process.returncode is None:
        process.kill()
    await process.communicate()


@contextlib.asynccontextmanager
async def running(folder: Path, program: Sequence[str] = PROGRAM) -> AsyncIterator[Running]:
    """The program, up and heard by boards and handsets."""
    with Site(folder) as site:
        ends = FarEnds(boottime, site)
        process = await start(site, program=program)
        try:
            made = Running(site, process, ends)
            await made.heard()
            yield made
        finally:
            await kill(process)
            ends.stop()


def playclock(*arguments: str) -> subprocess.CompletedProcess[str]:
    """One command, to its end."""
    return subprocess.run(
        [*PROGRAM, *arguments], cwd=ROOT, capture_output=True, text=True, timeout=20, check=False
    )


def check_count(program: Running, seconds: int, started_at: int) -> None:
    """Every numeral of a whole count, on both boards, at its instant."""
    for node in program.ends.nodes:
        late_ns = []
        for number in range(seconds - 1, -1, -1):
            due_at = started_at + (seconds - number) * S_NS
            text = f"{number:2d}"
            assert node.read_at(due_at - MS_NS) == f"{number + 1:2d}", (node.number, text)
            assert node.read_at(due_at + LATEST_NS) == text, (node.number, text)
            late_ns.append(node.instants[node.faces.index(text)] - due_at)
        assert all(0 < late <= LATEST_NS for late in late_ns), late_ns
        assert statistics.median(late_ns) <= USUAL_NS, late_ns
