"""Moments are kept before anything of them is shown, and a disk that refuses stops nothing."""

from __future__ import annotations

from collections.abc import Callable

from controller.keeper import RENEWED_NS, Keeper
from controller.recorder import Recorder
from controller.reporting import status_of
from controller.rules.phases import Running
from controller.rules.play_clock import State
from controller.snapshot_text import Moment
from drivers.base import Answered, Key, Result
from tests.controller.fakes import Game, S, in_game
from tests.virtual_time import VirtualClock, virtual


class Kept:
    """Keeps every moment in memory, or refuses to."""

    def __init__(self) -> None:
        self.moments: list[Moment] = []
        self.fault = ""
        self.on_save: Callable[[], None] = lambda: None

    def save(self, moment: Moment) -> bool:
        self.on_save()
        if not self.fault:
            self.moments.append(moment)
        return not self.fault


def keep(game: Game) -> Kept:
    """Have the moments of a running game kept."""
    kept = Kept()
    game.service.keeper._keeping = kept
    return kept


@virtual
@in_game
async def test_a_press_is_kept_with_its_row_and_answer_before_its_frame(game: Game) -> None:
    await game.at(2)
    kept = keep(game)
    kept.on_save = lambda: game.log.append(("keep", game.clock()))
    del game.log[:]
    game.handset.press(Key.DEAD_BALL, counter=7)
    order = [what for what, _ in game.log if what != "observe"]
    assert order[:2] == ["keep", "show"]
    assert order.index("tell") < order.index("append")
    (moment,) = kept.moments
    assert isinstance(moment.state.down.phase, Running)
    assert moment.acknowledged is not None
    assert (moment.acknowledged.counter, moment.acknowledged.result) == (7, Result.RUNNING)
    (text,) = moment.rows
    assert '"play ended: routine"' in text and f",{moment.event_number}," in text


@virtual
@in_game
async def test_zero_is_kept_before_it_is_shown(game: Game) -> None:
    await game.at(2)
    game.handset.press(Key.NUMBER_25)
    game.handset.press(Key.READY)
    await game.present(26.5)
    kept = keep(game)
    await game.present(28)
    shown = [numerals for moment in kept.moments if (numerals := moment.state.down.phase)]
    first = next(n for n, phase in enumerate(shown) if not isinstance(phase, Running))
    zero_at = next(at for at, numerals in game.north.shown if numerals == 0)
    assert kept.moments[first].saved_at == zero_at
    assert any("count reached zero" in each for each in kept.moments[first].rows)


@virtual
@in_game
async def test_a_moment_is_renewed_every_second_whatever_happens(game: Game) -> None:
    await game.at(1)
    kept = keep(game)
    await game.at(11)
    assert 10 <= len(kept.moments) <= 11
    gaps = [b.saved_at - a.saved_at for a, b in zip(kept.moments, kept.moments[1:], strict=False)]
    assert max(gaps) <= RENEWED_NS + 100_000_000


@virtual
@in_game
async def test_rows_on_disk_are_kept_no_longer(game: Game) -> None:
    await game.at(2)
    kept = keep(game)
    game.handset.press(Key.DEAD_BALL)
    await game.at(4)
    assert kept.moments[-1].rows == []


@virtual
@in_game
async def test_a_full_runtime_folder_is_told_and_stops_nothing(game: Game) -> None:
    await game.at(2)
    kept = keep(game)

    def fill() -> None:
        kept.fault = "No space left on device"

    kept.on_save = fill
    game.handset.press(Key.DEAD_BALL)
    await game.at(2.5)
    assert game.lamps() == (40, 40)
    told = [row for row in game.journal.of("fault") if row.event == "snapshot"]
    assert [row.detail for row in told] == ["No space left on device"]
    assert any("No space left" in each for each in status_of(game.service, game.clock()).alarms)
    await game.at(6)
    assert len([row for row in game.journal.of("fault") if row.event == "snapshot"]) == 1


@virtual
@in_game
async def test_darkness_by_a_fault_is_kept_with_its_reason(game: Game) -> None:
    await game.at(2)
    kept = keep(game)
    game.handset.press(Key.DEAD_BALL)
    for _ in range(2):
        game.north.answer(Answered.WRONG, "17")
    assert kept.moments[-1].dark_why == "north shows a wrong numeral"


def test_without_a_place_nothing_is_kept_and_nothing_is_wrong() -> None:
    clock = VirtualClock()
    keeper, recorder = Keeper(), Recorder(None, clock())
    assert not keeper.keep(State(), recorder, clock())
    assert keeper.fault == ""
    assert keeper.due_at == clock() + S
