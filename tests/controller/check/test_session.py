"""The crew's check as a whole: every step on the simulator, the record, and every way out."""

from __future__ import annotations

import asyncio
from datetime import datetime
from pathlib import Path

import pytest

from controller.assembly.assembler import Assembly
from controller.check.crew import CrewCheckContext, Outcome, Step
from controller.check.handsets import CheckedHandset
from controller.check.operators import Hands
from controller.check.report import wrong
from controller.cli import main
from controller.config.load import parse_config
from controller.journal.file import JournalFile, Origin
from controller.journal.row import Dated, Row
from controller.outcome import DONE
from controller.rules.events import SetCount
from drivers.board.simulated import SimulatedNode
from tests.controller.answering_crew import Crew, checks, pregame
from tests.shared.virtual_time import VirtualClock, virtual

ANSWERS = {"(y or n": "y", "boards dark?": "y", "10 is held": "", "Enter goes on": "s"}
NODES: list[SimulatedNode] = []


class Watched(Hands):
    """Lets the test see the boards."""

    def __init__(self, assembly: Assembly, simulated: list[CheckedHandset]) -> None:
        super().__init__(assembly, simulated)
        NODES[:] = assembly.nodes


def dark(clock: VirtualClock) -> bool:
    return all(node.shown(clock()).numerals is None for node in NODES)


async def fine(field: CrewCheckContext) -> Outcome:
    return Outcome("right")


ONE = [Step("one", fine)]


@virtual
async def test_all_steps_on_the_simulator_are_right_and_recorded(
    clock: VirtualClock, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal = tmp_path / "journal"
    watch = datetime.now().strftime("%H:%M:%S")
    with Crew({**ANSWERS, "Type a time": watch}, later={"Press Enter again": 10.1}) as crew:
        await pregame(clock, crew, journal, hands=Watched).run()
    assert not crew.report.wrong and dark(clock)
    rows = checks(journal)
    assert [row.result for row in rows[:-1]] == [*["right"] * 5, "skipped", rows[6].result]
    assert rows[6].result in ("right", "noted") and "referee's watch" in rows[6].detail
    assert (rows[-1].event, len(rows)) == ("crew check, total: right", 8)
    assert crew.lines[-1].strip().startswith("total    ")
    assert main(["journal", str(journal)]) == DONE
    printed = capsys.readouterr().out
    assert "crew check, numerals read aloud: right" in printed
    assert "crew check, cable out goes dark: right" in printed


@virtual
async def test_the_check_is_in_the_record_of_the_coming_game(
    clock: VirtualClock, tmp_path: Path
) -> None:
    path = tmp_path / "journal"
    file = JournalFile(path, Origin("boot", "test", "rules"))
    before = Row(kind="press", game=6, play=3, event_number=8, received_at=1, event="ready")
    file.add([Dated(before, 1)], True)
    with Crew({}) as crew:
        await pregame(clock, crew, path).run(ONE)
    assert {row.game for row in checks(path)} == {7}
    assert (file.opening().game, file.opening().event_number) == (6, 8)
    file.close()


@pytest.mark.parametrize("after_s", [0.0, 0.3, 2.0, 30.0])
@virtual
async def test_interrupted_at_any_moment_the_boards_are_dark(
    clock: VirtualClock, tmp_path: Path, after_s: float
) -> None:
    lit = asyncio.Event()

    async def show_88(field: CrewCheckContext) -> Outcome:
        field.order(SetCount(88))
        lit.set()
        await asyncio.sleep(50)
        return Outcome("right")

    with Crew({}) as crew:
        check = pregame(clock, crew, tmp_path / "journal", hands=Watched)
        running = asyncio.create_task(check.run([Step("lit", show_88)]))
        await lit.wait()
        await asyncio.sleep(after_s)
        shown = [node.shown(clock()).numerals for node in NODES]
        assert shown == ([88, 88] if after_s else [None, None])  # its frame is on the line
        running.cancel()
        await asyncio.wait({running})
        assert running.cancelled()
        await asyncio.sleep(0.02)
        assert dark(clock)
    assert [row.event for row in checks(tmp_path / "journal")] == ["crew check, total: interrupted"]


@virtual
async def test_interrupted_before_anything_is_open_nothing_hangs(
    clock: VirtualClock, tmp_path: Path
) -> None:
    with Crew({}) as crew:
        running = asyncio.create_task(pregame(clock, crew, tmp_path / "journal").run())
        await asyncio.sleep(0)
        running.cancel()
        await asyncio.wait({running})
    assert running.cancelled()


@virtual
async def test_a_bug_in_a_step_darkens_the_boards_and_is_raised(
    clock: VirtualClock, tmp_path: Path
) -> None:
    async def broken(field: CrewCheckContext) -> Outcome:
        field.order(SetCount(88))
        await asyncio.sleep(2)
        raise ZeroDivisionError

    with Crew({}) as crew:
        check = pregame(clock, crew, tmp_path / "j", hands=Watched)
        with pytest.raises(ZeroDivisionError):
            await check.run([Step("broken", broken)])
    assert len(NODES) == 2 and dark(clock)


@pytest.mark.parametrize(("answer", "rows"), [("y", 2), ("n", 0), ("q", 0)])
@virtual
async def test_with_something_wrong_the_crew_decides_whether_to_go_on(
    clock: VirtualClock, tmp_path: Path, answer: str, rows: int
) -> None:
    journal = tmp_path / "journal"
    with Crew({"Something is wrong": answer}) as crew:
        crew.report.take([wrong("north does not answer", "plug it in")])
        await pregame(clock, crew, journal).run(ONE)
    assert crew.report.wrong
    assert journal.exists() is (rows > 0)
    assert (len(checks(journal)) if rows else 0) == rows


@virtual
async def test_a_record_that_cannot_be_written_is_wrong(
    clock: VirtualClock, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way")
    with Crew({}) as crew:
        await pregame(clock, crew, tmp_path / "file" / "journal").run(ONE)
    assert crew.report.wrong
    (bad,) = crew.said("WRONG")
    assert "the outcome is not in the record" in bad


CONFIG = """
[[boards]]
name = "east"
driver = "simulated"
node = 1
[[handsets]]
driver = "simulated"
id = 4
role = "field"
layout = "four"
"""


@virtual
async def test_a_configurations_own_boards_and_handsets_are_used(
    clock: VirtualClock, tmp_path: Path
) -> None:
    config = parse_config(f'state_folder = "{tmp_path}"\nbrightness = 3\n{CONFIG}', "test")
    seen: list[tuple[tuple[str, ...], list[int], int]] = []

    async def look_around(field: CrewCheckContext) -> Outcome:
        await asyncio.sleep(1)
        numbers = [each.number for each in field.status.handset_health]
        seen.append((field.boards, numbers, field.service._display.face.brightness))
        return Outcome("right")

    with Crew({}) as crew:
        check = pregame(clock, crew, config.journal, config=config)
        await check.run([Step("one", look_around)])
    assert seen == [(("east",), [0, 4], 3)]
