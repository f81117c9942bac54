"""The service dies at any system call of a press and of a change of the numeral (kill -9).

A first run records the calls of the window, in the event loop's thread and in the journal's; then
the service is killed once before each of them, and once in the midst of each change of a file. The
next service goes on exactly before or after the event, never behind what anybody has seen; the
count is exact, Undo reaches across, and the event is in the journal once. A start that makes up for
a death, and the end of a game, are killed in the same way, at each call that touches a file of the
service or a port.
"""

from __future__ import annotations

import asyncio
import statistics
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.scenarios.crash.killer import JOURNAL, Point, Seen
from tests.scenarios.crash.scenes import AFTER, EXACT_NS, RESET, SCENES, SHOWN, Death, Press, Scene

AT_ONCE = 3
"""As many services die at a time: they mostly wait."""
FEWER = dict.fromkeys(SCENES, 5) | {"the start after a death": 40}
"""The shorter check takes one point in so many of a scene; the start touches much."""
WHOLE = 2
"""So often the window is recorded: rows that come close together are committed one by one or
together, with their head, and only what is in the shorter record is in every run."""
ATTEMPTS = 6
"""So often is a point tried that was not met."""
WAITING = {"futex", "epoll_wait", "epoll_pwait", "getpid", "sched_yield"}
"""Calls that a thread makes more or less often, as the other one goes."""

pytestmark = pytest.mark.usefixtures("tracing_is_permitted")


def window(seen: list[Seen]) -> list[Seen]:
    """The calls until the journal's thread waits, its rows synced; all, if none is journalled."""
    end, synced = len(seen), False
    for number, each in enumerate(seen, 1):
        if each.point.thread == JOURNAL:
            end = number
            if synced and each.point.name in WAITING:
                break
            synced = synced or each.point.name == "fdatasync"
    return seen[:end]


def points(seen: Iterable[Seen]) -> list[Point]:
    """Where to kill: before each call, and within each change of a file."""
    found = []
    for each in seen:
        if each.tears:
            found.append(replace(each.point, torn=True))
        found.append(each.point)
    return found


async def die_at(scene: Scene, folder: Path, places: list[Point]) -> list[Death]:
    """A death at each of the points; tells of all that went wrong together."""
    turns = asyncio.Semaphore(AT_ONCE)
    wrong = []

    async def die(number: int, point: Point) -> Death | None:
        death = None
        async with turns:
            for attempt in range(ATTEMPTS):
                try:
                    death = await scene.die(folder / f"{number}-{attempt}", point)
                except AssertionError as error:
                    wrong.append(f"killed at {point}: {error}")
                    break
                if death.met:
                    break
        return death

    deaths = await asyncio.gather(*(die(*each) for each in enumerate(places)))
    assert not wrong, f"{len(wrong)} of {len(places)}:\n" + "\n".join(wrong)
    return [death for death in deaths if death is not None]


def middle_ns(deaths: list[Death]) -> float:
    """How late the running counts were told in the middle; 0 where none was."""
    return statistics.median([each for death in deaths for each in death.off_ns] or [0])


def report(name: str, calls: list[Seen], deaths: list[Death]) -> None:
    """The numbers, for whoever runs it with -s."""
    threads = Counter(each.point.thread for each in calls)
    torn = sum(death.point is not None and death.point.torn for death in deaths)
    found = Counter(death.found for death in deaths)
    print(f"\n{name}: {len(calls)} calls ({dict(threads)}), killed {len(deaths)} times, of which")
    print(f"  {torn} within a change of a file; went on {dict(found)};")
    print(f"  counts told {middle_ns(deaths) / 1e6:.0f} ms late in the middle;")
    print(f"  not met: {[str(death.point) for death in deaths if not death.met]}")


@pytest.mark.waits
@pytest.mark.full
@pytest.mark.parametrize("name", SCENES)
async def test_killed_at_calls_here_and_there(tmp_path: Path, name: str) -> None:
    await killed_at_every_call(tmp_path, name, FEWER[name])


@pytest.mark.long
@pytest.mark.parametrize("name", SCENES)
async def test_killed_at_every_call(tmp_path: Path, name: str) -> None:
    await killed_at_every_call(tmp_path, name, 1)


async def killed_at_every_call(folder: Path, name: str, stride: int) -> None:
    scene = SCENES[name]
    wholes = [await scene.die(folder / f"whole {n}", None) for n in range(WHOLE)]
    assert {whole.found for whole in wholes} == {AFTER}
    calls = min((window(whole.seen) for whole in wholes), key=len)
    deaths = await die_at(scene, folder, points(calls)[::stride])
    report(name, calls, deaths)
    missed = [death.point for death in deaths if death.point is not None and not death.met]
    assert [str(point) for point in missed if point.name not in WAITING] == []
    assert middle_ns(deaths) < EXACT_NS


@pytest.mark.waits
@pytest.mark.full
async def test_a_snapshot_after_the_frame_would_be_caught(tmp_path: Path) -> None:
    careless = Press(*RESET, program="tests.scenarios.crash.careless")
    with pytest.raises(AssertionError, match="behind what was sent"):
        await careless.die(tmp_path / "shown", SHOWN)
