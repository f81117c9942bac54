"""Steps repeated, skipped, ended early and failed; what is recorded and listed."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

import pytest

from controller.check.crew import (
    ABORTED,
    RIGHT,
    SKIPPED,
    WRONG,
    CrewCheck,
    CrewCheckContext,
    Outcome,
    Step,
    alongside,
)
from controller.check.handsets import CheckedHandset
from controller.check.prompts import Abort, Dialogue, Lines, Repeat, Skip
from controller.check.report import Report
from controller.journal.file import Opening
from controller.journal.row import Row
from controller.rules.events import HoldNumber, Number
from drivers.base import Answered
from tests.controller.answering_crew import Crew, checks, pregame
from tests.controller.fakes import Game, in_game
from tests.shared.virtual_time import VirtualClock, run, virtual


def scripted(name: str, *ends: Outcome | type[Exception]) -> Step:
    """A step that ends so at its first, second ... try."""
    rest = list(ends)

    async def end(field: CrewCheckContext) -> Outcome:
        ended = rest.pop(0)
        if isinstance(ended, Outcome):
            return ended
        raise ended

    return Step(name, end)


GOOD, BAD = Outcome(RIGHT, "all read"), Outcome(WRONG, "board dark")


def rehearsed(folder: Path, answer: str, *steps: Step) -> tuple[list[Row], list[str], Report]:
    """Run the steps; after a wrong one ``answer`` is typed."""

    async def main(clock: VirtualClock) -> tuple[list[str], Report]:
        with Crew({"Enter goes on": answer}) as crew:
            await pregame(clock, crew, folder / "journal").run(steps)
            return crew.lines, crew.report

    lines, report = run(main)
    return checks(folder / "journal"), lines, report


def test_every_step_and_the_total_are_recorded_and_listed(tmp_path: Path) -> None:
    rows, lines, report = rehearsed(tmp_path, "", scripted("one", GOOD), scripted("two", GOOD))
    assert [(row.event, row.result, row.detail) for row in rows] == [
        ("crew check, one: right", "right", "all read"),
        ("crew check, two: right", "right", "all read"),
        ("crew check, total: right", "right", "2 right"),
    ]
    assert not report.wrong
    listed = [line.strip() for line in lines[lines.index("The crew's check") + 1 :]]
    assert listed == ["right    one (all read)", "right    two (all read)", "total    2 right"]


@pytest.mark.parametrize(
    ("typed", "ends", "results", "total"),
    [
        ("", [BAD], ["wrong", "right", "wrong"], "1 wrong, 1 right"),
        ("r", [BAD, GOOD], ["wrong", "right", "right", "right"], "2 right"),
        ("", [Repeat, Repeat, GOOD], ["right", "right", "right"], "2 right"),
        ("", [Skip], [SKIPPED, "right", "right"], "1 skipped, 1 right"),
        ("", [Abort], [ABORTED, "wrong"], "1 aborted"),
    ],
    ids=["passed over", "repeated when wrong", "repeated in its middle", "skipped", "ended early"],
)
def test_how_a_step_may_end_and_what_the_whole_is_then(
    tmp_path: Path,
    typed: str,
    ends: list[Outcome | type[Exception]],
    results: list[str],
    total: str,
) -> None:
    steps = [scripted("one", *ends), scripted("two", GOOD)]
    rows, lines, report = rehearsed(tmp_path, typed, *steps)
    assert [row.result for row in rows] == results
    assert rows[-1].detail == total and lines[-1].strip() == f"total    {total}"
    assert report.wrong is ("wrong" in results)
    assert any("LOOK   one: by the crew (skipped)" in line for line in lines) is (ends == [Skip])


class Kept:
    """A journal that keeps the rows of a crew's check."""

    def __init__(self, opening: Opening | None) -> None:
        self.rows: list[Row] = []
        self._opening = opening

    def opening(self, timeout_s: float) -> Opening | None:
        return self._opening

    def append(self, row: Row) -> None:
        self.rows.append(row)


def field_of(game: Game, *handsets: CheckedHandset) -> CrewCheckContext:
    talk = Dialogue(Lines(None, game.clock), Report(lambda _: None), game.clock)
    return CrewCheckContext(game.service, talk, game.clock, handsets, None)  # type: ignore[arg-type]


@pytest.mark.parametrize(("stands", "number"), [(Opening(3, 9, 77, (80, "")), 4), (None, 1)])
@virtual
async def test_the_rows_are_of_the_coming_game_and_take_no_event_number(
    clock: VirtualClock, stands: Opening | None, number: int
) -> None:
    journal = Kept(stands)
    async with Game(clock) as game:
        crew = CrewCheck(field_of(game), Report(lambda _: None), journal)
        await crew.run([scripted("one", GOOD)])
    rows = {(row.game, row.event_number, row.kind) for row in journal.rows}
    assert rows == {(number, None, "check")}


@in_game
async def test_an_interruption_is_recorded(game: Game) -> None:
    async def never(field: CrewCheckContext) -> Outcome:
        await asyncio.sleep(1000)
        return GOOD

    journal = Kept(None)
    crew = CrewCheck(field_of(game), Report(lambda _: None), journal)
    checking = asyncio.create_task(crew.run([scripted("one", GOOD), Step("two", never)]))
    await asyncio.sleep(5)
    checking.cancel()
    await asyncio.wait({checking})
    assert checking.cancelled()
    assert [row.event for row in journal.rows] == [
        "crew check, one: right",
        "crew check, total: interrupted",
    ]


# The field


@in_game
async def test_every_step_begins_with_lit_boards_and_no_count(game: Game) -> None:
    field = field_of(game)
    field.order(HoldNumber(Number.ROUTINE))
    assert game.lamps() == (40, 40)
    field.light()
    assert game.lamps() == (None, None) and field.status.boards == "blank"


@in_game
async def test_confirmed_means_asked_since_and_answered_right_by_all(game: Game) -> None:
    game.answer(Answered.RIGHT)  # before: says nothing of what comes
    await asyncio.sleep(0.01)
    reader, writer = os.pipe()
    lines = Lines(reader, game.clock)
    talk = Dialogue(lines, Report(lambda _: None), game.clock)
    field = CrewCheckContext(game.service, talk, game.clock, [], None)  # type: ignore[arg-type]
    lines.open()
    field.order(HoldNumber(Number.ROUTINE))
    began_at = game.clock()
    assert not await field.confirmed()
    assert 4.0 <= (game.clock() - began_at) / 1e9 < 4.5
    waiting = asyncio.create_task(field.confirmed())
    await asyncio.sleep(1)
    game.north.answer(Answered.RIGHT, "40")
    await asyncio.sleep(0.2)
    assert not waiting.done()
    game.south.answer(Answered.RIGHT, "40")
    assert await waiting
    lines.close()
    os.close(reader)
    os.close(writer)


@virtual
async def test_the_service_ending_first_is_told_before_the_steps(clock: VirtualClock) -> None:
    async def steps() -> None:
        await asyncio.sleep(10)

    async def fails() -> None:
        await asyncio.sleep(1)
        raise ZeroDivisionError

    async def ends() -> None:
        await asyncio.sleep(1)

    for work, error in ((fails(), ZeroDivisionError), (ends(), RuntimeError)):
        began_at = clock()
        with pytest.raises(error):
            await alongside(asyncio.create_task(work), steps())
        assert clock() - began_at == 1_000_000_000


@virtual
async def test_an_error_of_a_step_is_raised_while_the_service_goes_on(clock: VirtualClock) -> None:
    async def step() -> None:
        raise KeyError

    work = asyncio.create_task(asyncio.sleep(100))
    with pytest.raises(KeyError):
        await alongside(work, step())
    assert not work.done()
    work.cancel()
