"""The crew's check of a whole installation: real ports, two boards, two handsets, people."""

from __future__ import annotations

import asyncio
from datetime import datetime
from functools import partial
from pathlib import Path

import pytest

from controller.assembly.assembler import Assembly, rules_of
from controller.check.handsets import CheckedHandset
from controller.check.operators import Hands
from controller.check.session import CrewCheckSession
from controller.config.load import load_config
from drivers.base import Edge, Key
from tests.controller.answering_crew import Crew, checks
from tests.shared.far_ends import FarEnds
from tests.shared.installation import Site
from tests.shared.pty_time import AwakeLoop, Lanes, PatientClock, PtyPort

KEEPER, FIELD = CheckedHandset(1, "keeper", "twelve"), CheckedHandset(2, "field", "four")


def answers() -> dict[str, str]:
    """What the crew says to each question."""
    return {
        "(y or n": "y",
        "boards dark?": "y",
        "10 is held": "",
        "Type a time": datetime.now().strftime("%H:%M:%S"),
    }


class Folk(Hands):
    """People at the far ends of the ptys."""

    far: FarEnds

    def __init__(self, assembly: Assembly, simulated: list[CheckedHandset]) -> None:
        super().__init__(assembly, simulated)
        self._presence: dict[int, asyncio.Task[None]] = {}
        self._doing: set[asyncio.Task[None]] = set()

    def switch_on(self) -> None:
        for number in self.far.handsets:
            self.battery(number, inside=True)

    def switch_off(self) -> None:
        for number in self.far.handsets:
            self.battery(number, inside=False)

    def battery(self, handset: int, *, inside: bool) -> None:
        if inside:
            self._presence[handset] = asyncio.create_task(self.far.handsets[handset].presence())
        else:
            self._presence[handset].cancel()

    def pull(self) -> None:
        self.far.nodes[1].plugged = False

    def plug(self) -> None:
        self.far.nodes[1].plugged = True

    def press(self, handset: int, key: Key, edge: Edge, times: int) -> None:
        async def thumb() -> None:
            await asyncio.sleep(2)
            for _ in range(times):
                await self.far.handsets[handset].press(key.name, held=edge is Edge.HELD)

        task = asyncio.create_task(thumb())
        self._doing.add(task)
        task.add_done_callback(self._doing.discard)


@pytest.mark.full
@pytest.mark.parametrize("handsets", [(KEEPER, FIELD), (FIELD, KEEPER)], ids=["twelve", "four"])
def test_every_step_is_right_on_real_ports(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, handsets: tuple[CheckedHandset, ...]
) -> None:
    lanes = Lanes()
    clock = PatientClock(lanes)
    monkeypatch.setattr("drivers.port.serial_port.SerialPort", partial(PtyPort, lanes))

    async def rehearse(site: Site) -> None:
        config = load_config(site.config)
        far = FarEnds(clock, site, lanes)
        folk = type("FolkHere", (Folk,), {"far": far})
        with Crew(answers(), later={"Press Enter again": 10.1}) as crew:
            await CrewCheckSession(
                config,
                rules_of(config),
                config.journal,
                boards=True,
                handsets=handsets,
                clock=clock,
                report=crew.report,
                fd=crew.fd,
                hands=folk,
            ).run()
            await asyncio.sleep(0.05)
            assert not crew.report.wrong, "\n".join(crew.lines)
        assert far.read == ["  ", "  "]
        far.stop()

    with (
        Site(tmp_path) as site,
        asyncio.Runner(loop_factory=lambda: AwakeLoop(clock)) as runner,
    ):
        runner.run(rehearse(site))
        rows = {row.event: row.detail for row in checks(site.journal)}
    assert rows["crew check, numerals read aloud: right"] == "on north and south"
    assert rows["crew check, second handset takes over: right"] == (
        f"handset {handsets[1].number} took over: 25, held"
    )
    by = f"25 and 40, held and running, by handset {handsets[0].number}"
    assert rows["crew check, both resets, held and running: right"] == by
    assert "told after 30 s" in rows["crew check, handset battery out is noticed: right"]
    assert "south does not answer" in rows["crew check, cable out goes dark: right"]
    assert "crew check, total: right" in rows
