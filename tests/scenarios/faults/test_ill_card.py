"""However the card is ill and whenever it falls ill: the clock runs, the boards are right or dark.

From the README: a full or broken disk never stops the clock. Each case is one cell of a table; run
with ``-s`` it prints its row: what the boards did, whether the service is up, what it said.
"""

from __future__ import annotations

import asyncio
import enum
import os
import re
import subprocess
from pathlib import Path

import pytest

from tests.scenarios.faults.desk import Desk, Ill, desk, shim, started_at, untrue
from tests.shared.program import boottime

pytestmark = pytest.mark.waits

JOURNAL = "JOURNAL "
TROUBLE = "TROUBLE a power cut would go unnoticed"
SAID = r"(?:JOURNAL|TROUBLE|BOARDS OFF: (?!oo))[^|\n]*"


class When(enum.Enum):
    """When the card falls ill."""

    START = "at the first start"
    RUNNING = "while running"
    KILLED = "before a start after kill -9"
    POWER = "before a start after a power cut"


FEW = {
    (Ill.FULL, When.START),
    (Ill.READ_ONLY, When.KILLED),
    (Ill.GONE, When.POWER),
    (Ill.IO_ERRORS, When.RUNNING),
}
"""Of the shorter check."""
CELLS = [
    pytest.param(
        ill,
        when,
        id=f"{ill.value}, {when.value}",
        marks=pytest.mark.full if (ill, when) in FEW else pytest.mark.long,
    )
    for ill in Ill
    for when in When
]
UNKNOWN = {Ill.SLOW, Ill.IO_ERRORS}
"""Then nobody knows whether the last game was closed."""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shim(tmp_path_factory.mktemp("card"))


@pytest.mark.parametrize(("ill", "when"), CELLS)
async def test_the_clock_runs_and_says_what_is_wrong(library: Path, ill: Ill, when: When) -> None:
    async with desk(library) as at:
        if when is not When.START:
            await counting(at)
        at.becomes(ill)
        if when in (When.KILLED, When.POWER):
            at.dies(power=when is When.POWER)
        if when is When.RUNNING:
            at.types("m")  # something to write
        else:
            at.launch()
            await at.told()
        boards = await boards_are_right(at, ill, when)
        if not (ill is Ill.LOCKED and when is When.START):  # it was over before there was a journal
            await at.says(JOURNAL)
        if when in (When.START, When.POWER) and ill is not Ill.LOCKED:
            await at.says(TROUBLE)
        assert at.up
        said = at.said.replace(f"{at.site.folder}/", "")
        heard = sorted({words.strip() for words in re.findall(SAID, said)})
        at.heals()
        assert await at.stops() == 0
        assert at.ends.read == ["  ", "  "]
        rows = at.site.rows()
    print(f"\n| {ill.value} | {when.value} | {boards} | up | {'; '.join(heard)} |")
    told = [row.event for row in rows if row.kind in ("fault", "healed")]
    if JOURNAL in " ".join(heard):
        assert "journal written again" in told
    if TROUBLE in " ".join(heard):
        assert "a power cut would go unnoticed" in told
    assert [row.result for row in rows if row.event == "routine end of play"][-1] == "running"


@pytest.mark.full
@pytest.mark.parametrize(
    ("options", "fill", "said"),
    [
        ("size=4k", "dd if=/dev/zero of={}/file bs=4096 count=1 status=none", "No space left"),
        ("ro", "true", "Read-only file system"),
    ],
)
async def test_of_a_file_system_of_the_kernel_too(
    library: Path, options: str, fill: str, said: str
) -> None:
    """Mounted in a namespace of its own, and gone with it."""
    async with desk(library) as at:
        at.state.mkdir()
        mount = f"mount -t tmpfs -o {options} card {at.state} && {fill.format(at.state)}"
        rights = [] if os.geteuid() == 0 else ["--user", "--map-root-user"]
        unshared = ["unshare", *rights, "--mount", "sh", "-c"]
        command = [*unshared, mount]
        tried = await asyncio.to_thread(subprocess.run, command, capture_output=True, text=True)
        if tried.returncode:  # in a plain chroot not even root may
            pytest.skip(f"the kernel lets this user mount nothing here: {tried.stderr.strip()}")
        at.launch(*unshared, f'{mount} && exec "$@"', "sh")
        await at.told()
        await boards_are_right(at, Ill.FULL, When.START)
        await at.says(JOURNAL)
        assert TROUBLE in at.said and said in at.said
        assert await at.stops() == 0


async def counting(at: Desk) -> None:
    """A service whose boards count."""
    at.launch()
    await at.told()
    at.types("d")
    await at.reads("39")


async def boards_are_right(at: Desk, ill: Ill, when: When) -> str:
    """Right or dark, and lit by a press at most; gives what they did, in words."""
    if when in (When.RUNNING, When.KILLED):
        began = [started_at(node) for node in at.ends.nodes]
        await two_changes(at)
        assert all(each.strip() for each in at.ends.read)
        assert [untrue(*each) for each in zip(at.ends.nodes, began, strict=True)] == [[], []]
        dark = any("  " in node.faces[node.faces.index("40") :] for node in at.ends.nodes)
        return "dark for a moment, then the true count" if dark else "the true count all the time"
    off = ill in UNKNOWN if when is When.START else ill is not Ill.GONE
    if off:
        await at.until(lambda: "| BOARDS OFF" in at.said)
    typed_at = boottime()
    at.types("d")
    await at.says("40 running")
    if off:
        await at.told(3)
        assert at.ends.read == ["  ", "  "]
        await at.relights()
    await two_changes(at)
    for node in at.ends.nodes:
        assert untrue(node, typed_at) == []
    return "dark and off until relit, then the true count" if off else "dark until the first number"


async def two_changes(at: Desk) -> None:
    """Wait until both boards have changed to two more numerals."""
    before = [len(node.faces) for node in at.ends.nodes]
    counts = list(zip(at.ends.nodes, before, strict=True))
    await at.until(lambda: all(len(node.faces) > count + 2 for node, count in counts))
