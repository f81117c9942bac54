"""Each step of the crew's check, on a whole service with simulated boards and handset."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from controller.assembly.assembler import Assembly
from controller.check.crew import NOTED, RIGHT, SKIPPED, WRONG, CrewCheckContext, Outcome, Step
from controller.check.crew_steps import (
    battery_out,
    cable_out,
    read_aloud,
    referee_watch,
    resets,
    steps_for,
    take_over,
    ten_seconds,
    wall_time,
    watch_offset_s,
)
from controller.check.handsets import CheckedHandset
from controller.check.operators import Hands
from controller.check.prompts import Dialogue, Lines
from drivers.base import Answered, Edge, Key
from tests.controller.answering_crew import KEEPER, Crew, checks, pregame
from tests.controller.fakes import FakeHandset, Game, in_game
from tests.shared.virtual_time import VirtualClock, run, virtual

Work = Callable[[CrewCheckContext], Coroutine[Any, Any, Outcome]]
YES = {"(y or n": "y", "Enter goes on": "s"}


def rehearsed(
    folder: Path,
    work: Work,
    answers: Mapping[str, str] = YES,
    *,
    hands: type[Hands] = Hands,
    handsets: tuple[CheckedHandset, ...] = (KEEPER,),
    delay_s: float = 1.0,
) -> tuple[Outcome, list[str], float]:
    """Rehearse one step; gives its outcome, what was said, and how long it took in seconds."""
    kept: list[Outcome] = []

    async def main(clock: VirtualClock) -> tuple[list[str], float]:
        async def keeping(field: CrewCheckContext) -> Outcome:
            kept.append(await work(field))
            return kept[-1]

        with Crew(answers, delay_s) as crew:
            began_at = clock()
            check = pregame(clock, crew, folder / "journal", hands=hands, handsets=handsets)
            await check.run([Step("the step", keeping)])
            return crew.lines, (clock() - began_at) / 1e9

    lines, took_s = run(main)
    assert len(checks(folder / "journal")) == 2
    return kept[-1], lines, took_s


# Read aloud


def test_every_numeral_is_asked_of_every_board(tmp_path: Path) -> None:
    outcome, lines, _ = rehearsed(tmp_path, read_aloud)
    asked = [line.strip() for line in lines if "read aloud and right" in line]
    assert [each.split(":")[0] for each in asked] == [
        f"{board} shows {what}"
        for what in ("88", "40", "25", "10", "0", "nothing (dark)")
        for board in ("north", "south")
    ]
    assert outcome == (RIGHT, "on north and south")


def test_a_no_is_kept_with_board_and_numeral(tmp_path: Path) -> None:
    answers = {"south shows 10": "n", **YES}
    outcome, _, _ = rehearsed(tmp_path, read_aloud, answers)
    assert outcome == (WRONG, "10 not read on south")


class LyingSouth(Hands):
    """The southern board's units never show more than three bars."""

    def __init__(self, assembly: Assembly, simulated: list[CheckedHandset]) -> None:
        super().__init__(assembly, simulated)
        assembly.nodes[-1].stuck_segments = (0x06, 0x07)


def test_a_lying_board_ends_the_reading_with_dark_boards(tmp_path: Path) -> None:
    outcome, lines, _ = rehearsed(tmp_path, read_aloud, hands=LyingSouth)
    assert outcome.result == WRONG and "south shows a wrong numeral" in outcome.detail
    assert not any("north shows 40" in line for line in lines)


# Ten seconds


@pytest.mark.parametrize(
    ("late_s", "result", "words"),
    [
        (0.2, RIGHT, "0.2 s after zero"),
        (-0.4, RIGHT, "0.4 s before zero"),
        (0.8, NOTED, "more than two thumbs differ"),
        (-1.4, WRONG, "1.4 s before zero"),
    ],
)
@virtual
async def test_the_wrist_timer_is_compared_with_zero(
    clock: VirtualClock, tmp_path: Path, late_s: float, result: str, words: str
) -> None:
    answers = {"10 is held": "", "Enter goes on": "s"}
    with Crew(answers, later={"Press Enter again": 10 + late_s}) as crew:
        await pregame(clock, crew, tmp_path / "journal").run([Step("timer", ten_seconds)])
    (row, _) = checks(tmp_path / "journal")
    assert row.result == result and words in row.detail


# Resets


def test_both_resets_are_tried_held_and_running(tmp_path: Path) -> None:
    outcome, lines, _ = rehearsed(tmp_path, resets)
    assert outcome == (RIGHT, "25 and 40, held and running, by handset 1")
    shown = [line.strip() for line in lines if line.strip().startswith("the boards show")]
    assert shown == [
        f"the boards show {number}, {how}" for number in (25, 40) for how in ("held", "running")
    ]


def test_no_handset_no_resets(tmp_path: Path) -> None:
    shadow = CheckedHandset(1, "shadow", "twelve")
    for handsets in ((), (shadow,)):
        outcome, _, _ = rehearsed(tmp_path / str(len(handsets)), resets, handsets=handsets)
        assert outcome == (SKIPPED, "no handset")


# Cable


@pytest.mark.parametrize(
    ("delay_s", "words"), [(0.5, "back by themselves"), (4.0, "back when relit, as they were dark")]
)
def test_a_cable_out_darkens_all_and_they_come_back(
    tmp_path: Path, delay_s: float, words: str
) -> None:
    outcome, lines, _ = rehearsed(tmp_path, cable_out, delay_s=delay_s)
    assert outcome.result == RIGHT
    assert f"noticed: south does not answer; all dark; {words}" in outcome.detail
    assert "Pull the cable" in "".join(lines) and "Put the cable back" in "".join(lines)


def test_a_board_that_stays_lit_is_wrong(tmp_path: Path) -> None:
    outcome, _, _ = rehearsed(tmp_path, cable_out, {"all boards dark?": "n", **YES})
    assert outcome.result == WRONG and "a board stayed lit" in outcome.detail


# Battery


def test_a_battery_out_is_told_after_thirty_seconds(tmp_path: Path) -> None:
    outcome, _, took_s = rehearsed(tmp_path, battery_out)
    assert outcome == (RIGHT, "handset 1: told after 30 s of silence; back again")
    assert 25 < took_s < 60


# Something fails, or nobody does what was asked


class DeadKey(Hands):
    """The key 40 does nothing."""

    def press(self, handset: int, key: Key, edge: Edge, times: int) -> None:
        if key is not Key.NUMBER_40:
            super().press(handset, key, edge, times)


class NobodyPulls(Hands):
    def pull(self) -> None: ...


class NobodyPlugs(Hands):
    def plug(self) -> None: ...


class NobodyOpensIt(Hands):
    def battery(self, handset: int, *, inside: bool) -> None: ...


class NobodyPutsItBack(Hands):
    def battery(self, handset: int, *, inside: bool) -> None:
        if not inside:
            super().battery(handset, inside=inside)


class NeverOn(Hands):
    def switch_on(self) -> None: ...


@pytest.mark.full
@pytest.mark.parametrize(
    ("work", "hands", "words", "patience_s"),
    [
        (resets, DeadKey, "40, held: did not come", 120),
        (cable_out, NobodyPulls, "no board was missed", 120),
        (cable_out, NobodyPlugs, "did not come back: south does not answer", 0),
        (cable_out, LyingSouth, "the boards do not show 25 to begin with", 0),
        (battery_out, NobodyOpensIt, "handset 1 was heard all the time", 0),
        (battery_out, NobodyPutsItBack, "handset 1 did not come back", 0),
        (battery_out, NeverOn, "handset 1 is not heard to begin with", 0),
    ],
)
def test_what_does_not_come_is_wrong(
    tmp_path: Path, work: Work, hands: type[Hands], words: str, patience_s: float
) -> None:
    outcome, _, took_s = rehearsed(tmp_path, work, hands=hands)
    assert outcome.result == WRONG and words in outcome.detail
    assert took_s > patience_s


# Take-over, with two handsets that the test presses


class Two(Hands):
    """Two real handsets; the second presses, or does not."""

    pressed_by = 2
    driver: FakeHandset

    def __init__(self) -> None: ...

    def can_press(self, handset: CheckedHandset) -> bool:
        return True

    def press(self, handset: int, key: Key, edge: Edge, times: int) -> None:
        loop = asyncio.get_running_loop()
        loop.call_later(2, lambda: self.driver.press(key, self.pressed_by))


def talk(game: Game) -> Dialogue:
    return Dialogue(Lines(None, game.clock), Crew({}).report, game.clock)


async def answered(
    game: Game, work: Work, words: Dialogue, pressed_by: int, *others: CheckedHandset
) -> Outcome:
    """The outcome of a step while the boards that can answer do."""
    two = Two()
    two.driver, two.pressed_by = game.handset, pressed_by

    async def boards_answer() -> None:
        while True:
            game.answer(Answered.RIGHT)
            await asyncio.sleep(0.3)

    answering = asyncio.create_task(boards_answer())
    try:
        field = CrewCheckContext(game.service, words, game.clock, [KEEPER, *others], two)
        return await work(field)
    finally:
        answering.cancel()


SECOND = (CheckedHandset(2, "field", "four"), CheckedHandset(3, "shadow", "twelve"))


@in_game
async def test_the_second_handset_takes_over(game: Game) -> None:
    outcome = await answered(game, take_over, talk(game), 2, *SECOND)
    assert outcome == (RIGHT, "handset 2 took over: 25, held")
    assert game.lamps() == (25, 25)


@in_game
async def test_a_press_of_the_first_is_no_take_over(game: Game) -> None:
    outcome = await answered(game, take_over, talk(game), 1, *SECOND)
    assert outcome == (WRONG, "handset 2 does not drive the clock")


def test_one_handset_skips_the_take_over_with_a_note(tmp_path: Path) -> None:
    outcome, _, _ = rehearsed(tmp_path, take_over)
    assert outcome.result == SKIPPED and "there is no second handset" in outcome.detail


# A board that cannot say what it shows


class Eyes(Dialogue):
    """The officials' eyes: what they were asked, and what they say."""

    def __init__(self, game: Game, *, see: bool) -> None:
        super().__init__(Lines(None, game.clock), Crew({}).report, game.clock)
        self.asked: list[str] = []
        self._see = see

    async def ask(self, question: str) -> bool:
        self.asked.append(question)
        return self._see


@virtual
async def test_people_are_asked_about_the_board_that_cannot_answer(clock: VirtualClock) -> None:
    async with Game(clock, mute_south=True) as game:
        eyes = Eyes(game, see=False)
        outcome = await answered(game, resets, eyes, 1)
    assert eyes.asked == ["Does south show 25, held?"]
    assert outcome == (WRONG, "25, held: south did not show it")


@virtual
async def test_without_a_board_that_answers_a_pulled_cable_is_not_asked_for(
    clock: VirtualClock,
) -> None:
    async with Game(clock, mute_north=True, mute_south=True) as game:
        outcome = await answered(game, cable_out, Eyes(game, see=True), 1)
    assert outcome == (SKIPPED, "no board can say that it is there")


# The referee's watch


@pytest.mark.parametrize(
    ("text", "offset_s"),
    [
        ("19:03:12", 0.0),
        ("7:03:12", 0.0),  # a dial of twelve hours
        ("19:03:15", 3.0),
        ("19:02:12", -60.0),
        ("20:03:12", 3600.0),
        ("19:03", None),
        ("25:00:00", None),
        ("19:60:00", None),
        ("now", None),
    ],
)
def test_the_offset_of_a_watch(text: str, offset_s: float | None) -> None:
    assert watch_offset_s(text, datetime(2026, 9, 11, 19, 3, 12)) == offset_s
    midnight = watch_offset_s("00:00:01", datetime(2026, 9, 11, 23, 59, 59))
    assert midnight == 2.0, "no day apart"


@virtual
async def test_the_offset_is_kept_in_the_record(
    clock: VirtualClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = datetime(2026, 9, 11, 19, 3, 12)
    monkeypatch.setattr("controller.check.crew_steps.wall_time", lambda field, at: now)
    answers = {"is not a time": "19:03:16", "Type a time": "nonsense"}
    with Crew(answers) as crew:
        await pregame(clock, crew, tmp_path / "journal").run([Step("watch", referee_watch)])
    (row, _) = checks(tmp_path / "journal")
    assert row.event == "crew check, watch: noted" and row.result == NOTED
    assert row.detail == "the referee's watch is 4.0 s ahead of the computer"


@in_game
async def test_the_wall_time_is_that_of_the_enter(game: Game) -> None:
    field = CrewCheckContext(game.service, talk(game), game.clock, [], Two())
    ago_s = (datetime.now() - wall_time(field, game.clock() - 2_000_000_000)).total_seconds()
    assert 1.9 < ago_s < 2.5


def test_without_boards_their_steps_are_left_out() -> None:
    names = [step.name for step in steps_for(False)]
    assert names == [step.name for step in steps_for(True)[4:]]
    assert len(steps_for(True)) == 7
