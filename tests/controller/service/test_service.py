"""The shell in virtual time: the order of things, lateness, faults and relights, and every end."""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.journal.file import Opening
from controller.rulebook.wording import titled
from controller.rules.effects import Result
from controller.rules.events import PlayEnded, Ready, SetCount, plain
from controller.service.service import OPEN_TO_ALL
from drivers.base import Answer, Answered, Edge, Key, Rejection
from tests.controller.fakes import (
    EMPTY,
    MS,
    RULES,
    Game,
    S,
    game_with,
    in_game,
    in_idle,
    in_live,
    in_running,
)
from tests.shared.virtual_time import VirtualClock, run, virtual


def toggle(game: Game) -> Answer:
    return game.handset.press(Key.BOARDS_OFF, edge=Edge.HELD)


def true_numerals(started_at: int, at: int) -> int:
    """A 40 that started at ``started_at``, by the definition: the seconds left, rounded up."""
    return max(0, 40 - (at - started_at) // S)


# Numerals on the boards


@in_idle
async def test_a_press_is_on_both_boards_and_told_in_its_own_turn(game: Game) -> None:
    pressed_at = game.clock()
    assert game.handset.press(Key.DEAD_BALL, age_ms=60) is Answer.RUNNING
    assert game.north.shown[-1] == game.south.shown[-1] == (pressed_at, 40)
    at, state = game.handset.told[-1]
    assert at == pressed_at
    assert state.expires_at == pressed_at - 60 * MS + 40 * S, "dated by the thumb"


@in_game
async def test_each_numeral_comes_at_its_instant_is_said_again_and_refreshed(game: Game) -> None:
    await game.at(2.05)
    start_at = game.clock() - 30 * MS  # off the grid of refreshes and of STATE
    game.handset.press(Key.DEAD_BALL, age_ms=30)
    await game.present(44)
    shown = [each for each in game.north.shown if each[0] >= start_at]
    assert shown == [each for each in game.south.shown if each[0] >= start_at]
    first = {numerals: at for at, numerals in reversed(shown)}
    assert first.pop(40) == start_at + 30 * MS
    assert first == {n: start_at + (40 - n) * S for n in range(40)}
    instants = [at for at, _ in shown]
    for numerals in range(1, 40):
        assert start_at + (40 - numerals) * S + 25 * MS in instants
    assert max(b - a for a, b in pairwise(instants)) <= 100 * MS


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 2**32), most_ms=st.sampled_from([1, 40, 900]))
def test_however_late_the_loop_is_no_numeral_is_wrong_and_no_deadline_drifts(
    seed: int, most_ms: int
) -> None:
    lots = random.Random(seed)

    async def main(clock: VirtualClock) -> None:
        async with Game(clock) as game:
            await game.at(1)
            start_at = clock()
            deadlines: set[int] = set()

            def look() -> None:
                due = game.play_clock.deadline
                if due is not None:
                    deadlines.add(due)

            game.service.observers.append(look)
            before = len(game.north.shown)
            game.handset.press(Key.DEAD_BALL)
            await game.present(45)
            shown = game.north.shown[before:]
            assert shown == [(at, true_numerals(start_at, at)) for at, _ in shown]
            assert shown[-1][1] == 0
            assert deadlines <= {start_at + k * S for k in range(1, 41)}
            assert start_at + 40 * S in deadlines or most_ms > 100
            (zero,) = game.journal.of("deadline")
            assert zero.phase_after == "EXPIRED"
            late_ms = (zero.received_at - start_at - 40 * S) / MS
            assert zero.detail == f"{late_ms:.1f} ms after it was due"

    run(main, lateness=lambda: lots.randrange(0, most_ms * MS))


@in_idle
async def test_a_stalled_journal_or_observer_delays_no_numeral_of_a_press(game: Game) -> None:

    def stall() -> None:
        game.clock.jump(200 * MS)

    game.journal.on_append = stall
    game.service.observers.append(stall)
    for key, numerals in ((Key.SNAP, 40), (Key.NUMBER_25, 25), (Key.READY, 25)):
        pressed_at = game.clock()
        game.handset.press(key)
        assert (pressed_at, numerals) in game.north.shown[-1:]
        assert game.handset.told[-1][0] == pressed_at
        await asyncio.sleep(3)
    game.journal.on_append = lambda: None
    game.service.observers.clear()


# The order within one turn


ORDER = ["show", "show", "tell", "append"]


def order_of(game: Game, act: Callable[[], object]) -> list[str]:
    game.log.clear()
    act()
    return [what for what, _ in game.log]


@in_idle
async def test_a_press_boards_handsets_journal_in_this_order(game: Game) -> None:
    assert order_of(game, lambda: game.handset.press(Key.SNAP)) == ORDER
    assert order_of(game, lambda: game.service.enter(PlayEnded("foul"))) == ORDER


@in_running
async def test_zero_boards_handsets_journal_in_this_order(game: Game) -> None:
    await game.present(41.9)
    game.log.clear()
    await game.present(42.01)
    assert [what for what, _ in game.log][:4] == ORDER


@in_live
async def test_a_fault_dark_frame_handsets_journal_in_this_order(game: Game) -> None:
    game.north.answer(Answered.WRONG, "4")
    order = order_of(game, lambda: game.north.answer(Answered.WRONG, "4"))
    assert order[:2] == ["show", "show"]
    assert order.index("tell") < order.index("append")


@in_idle
async def test_observers_come_last_and_see_the_new_state(game: Game) -> None:
    seen: list[str] = []
    game.service.observers.append(lambda: game.log.append(("observe", 0)))
    game.service.observers.append(lambda: seen.append(game.status.phase))
    assert order_of(game, lambda: game.handset.press(Key.SNAP))[-1] == "observe"
    assert seen == ["LIVE"]


# What the handsets are told


@in_game
async def test_the_state_is_told_at_the_start_and_once_a_second(game: Game) -> None:
    await game.at(5.5)
    instants = [at - game.started_at for at, _ in game.handset.told]
    assert instants[0] == 0
    assert max(b - a for a, b in pairwise(instants)) <= S
    assert len(instants) <= 8


@in_idle
async def test_zero_and_boards_going_dark_are_told_at_once(game: Game) -> None:
    game.handset.press(Key.DEAD_BALL, age_ms=30)
    await game.present(42.5)
    zero_at = game.started_at + 42 * S - 30 * MS
    assert any(at == zero_at and state.phase == 5 for at, state in game.handset.told)
    game.south.fall_silent()
    at, state = game.handset.told[-1]
    assert (at, state.boards_lit, state.fault) == (game.clock(), False, True)


@in_idle
async def test_a_receiver_that_comes_back_is_told_at_once(game: Game) -> None:
    game.handset.fail(OSError(5, "lost"))
    await asyncio.sleep(0.101)
    assert game.handset.told[-1][0] == game.started_at + int(2.1 * S)
    assert [row.event for row in game.journal.of("fault")] == ["receiver"]
    await asyncio.sleep(0.5)
    assert [row.event for row in game.journal.of("healed")] == ["receiver"]


@in_idle
async def test_a_press_that_orders_nothing_is_answered_and_recorded(game: Game) -> None:
    assert game.handset.press(Key.BOARDS_OFF) is Answer.HELD
    await asyncio.sleep(0.2)
    assert game.handset.press(Key.BOARDS_OFF) is Answer.NO_CHANGE
    (row,) = game.journal.of("no change")
    assert (row.edge_at, row.gesture) == (game.clock(), game.clock() - 200 * MS)
    assert (row.event, row.handset, row.reason != "") == ("BOARDS OFF", 1, True)


@in_idle
async def test_two_number_keys_at_once_hold_25_and_say_that_it_is_doubtful(game: Game) -> None:
    game.handset.press(Key.NUMBER_40)
    await asyncio.sleep(0.1)
    assert game.handset.press(Key.NUMBER_25) is Answer.ASSUMED
    assert game.lamps() == (25, 25)


# Who may drive


@in_idle
async def test_the_shadow_is_recorded_and_drives_nothing(game: Game) -> None:
    assert game.handset.press(Key.SNAP, 3) is Answer.NO_CHANGE
    assert game.lamps() == (None, None)
    (row,) = game.journal.of("no change")
    assert (row.role, row.handset, row.phase_after) == ("shadow", 3, "IDLE")


@in_idle
async def test_an_unknown_handset_is_refused_and_moves_nothing(game: Game) -> None:
    before = game.play_clock.state
    assert game.handset.press(Key.SNAP, 200) is Answer.REFUSED
    assert game.play_clock.state is before
    assert game.status.phase == "IDLE"
    assert any(row.handset == 200 for row in game.journal.rows)


@in_idle
async def test_the_field_s_press_stands_against_the_keeper_within_a_second(game: Game) -> None:
    game.handset.press(Key.NUMBER_40, 2)
    await asyncio.sleep(0.5)
    assert game.handset.press(Key.NUMBER_25, 1) is Answer.REFUSED
    assert game.lamps() == (40, 40)
    (row,) = game.journal.of("refused")
    assert (row.phase_before, row.role) == ("RUNNING", "keeper")


@in_idle
async def test_the_console_enters_what_no_key_can_and_is_refused_in_live(game: Game) -> None:
    decided = game.service.enter(SetCount(17))
    assert decided.changed
    assert game.lamps() == (17, 17)
    game.service.enter(Ready())
    await asyncio.sleep(2)
    assert game.lamps() == (15, 15)
    game.handset.press(Key.SNAP)
    assert game.service.enter(SetCount(12)).result is Result.REFUSED
    (row,) = game.journal.of("refused")
    assert (row.handset, row.phase_before) == (0, "LIVE")


# Boards that disagree


@in_running
async def test_a_short_silence_darkens_both_and_comes_back_with_the_true_numeral(
    game: Game,
) -> None:
    await game.present(5.5)
    game.south.fall_silent()
    assert game.lamps() == (None, None)
    assert game.status.boards_why == "south does not answer"
    await game.at(7.5)
    assert game.lamps() == (None, None)
    game.south.answer(Answered.RIGHT, "dark")
    assert game.lamps() == (35, 35)
    assert [row.event for row in game.journal.of("healed")] == ["boards"]
    assert game.state.boards_lit


@in_running
async def test_a_long_silence_needs_a_relight_and_the_count_goes_on_meanwhile(game: Game) -> None:
    await game.present(5)
    await game.at(5.03)
    game.south.fall_silent()
    await game.at(6.5)
    game.handset.press(Key.DEAD_BALL)  # no change, but the next STATE is due at another instant
    await game.at(8.04)
    off_at = next(at for at, state in game.handset.told if state.boards_off)
    assert off_at == game.started_at + 8_030 * MS
    game.answer(Answered.RIGHT)
    await game.at(9.05)
    assert game.lamps() == (None, None)
    assert (game.state.numerals, game.state.expires_at) == (33, game.started_at + 42 * S)
    assert toggle(game) is Answer.HELD
    assert game.lamps() == (33, 33)


@in_live
async def test_a_wrong_numeral_is_off_at_once_until_relit(game: Game) -> None:
    game.north.lie()
    game.north.answer(Answered.RIGHT, "dark")
    await game.at(4)
    assert game.lamps() == (None, None)
    assert game.state.boards_off
    (row,) = (row for row in game.journal.rows if row.event.startswith("boards off"))
    assert "north shows a wrong numeral" in row.event
    assert (row.role, row.handset) == ("service", None), "not signed by the console"
    toggle(game)
    assert game.lamps() == (40, 40)


@in_live
async def test_the_third_short_fault_in_10_minutes_stays(game: Game) -> None:
    for minute in range(3):
        await game.present(60 * minute + 5)
        game.south.fall_silent()
        game.south.answer(Answered.RIGHT, "dark")
        assert game.lamps() == ((40, 40) if minute < 2 else (None, None))
    assert game.state.boards_off
    await game.present(130)
    toggle(game)
    assert game.lamps() == (40, 40)


@in_live
async def test_a_relight_with_the_fault_still_there_is_dark_and_off_again_after_3_s(
    game: Game,
) -> None:
    game.south.fall_silent()
    await game.at(6)
    toggle(game)
    assert game.lamps() == (None, None)
    assert (game.state.boards_lit, game.state.boards_off, game.state.fault) == (False, False, True)
    await game.at(9.01)
    assert game.state.boards_off
    toggle(game)
    game.south.answer(Answered.RIGHT, "dark")
    assert game.lamps() == (40, 40)
    assert (game.state.boards_lit, game.state.boards_off, game.state.fault) == (True, False, False)


@in_live
async def test_a_fault_while_off_by_order_and_mended_does_not_outlive_the_relight(
    game: Game,
) -> None:
    toggle(game)
    assert game.lamps() == (None, None)
    game.south.fall_silent()
    await game.at(7)
    game.south.answer(Answered.RIGHT, "dark")
    assert game.lamps() == (None, None)
    toggle(game)
    assert game.lamps() == (40, 40)


@in_live
async def test_off_ordered_while_a_fault_masks_the_boards_stays_off_when_it_heals(
    game: Game,
) -> None:
    game.south.fall_silent()
    toggle(game)
    game.south.answer(Answered.RIGHT, "dark")
    await game.at(8)
    assert game.lamps() == (None, None)
    assert (game.status.boards, game.status.boards_why) == ("off", "by order")
    toggle(game)
    assert game.lamps() == (40, 40)


@in_live
async def test_a_lost_port_darkens_the_other_board_in_the_same_turn(game: Game) -> None:
    game.answer(Answered.RIGHT)
    lost_at = game.clock()
    game.south.lose_for(1)
    await asyncio.sleep(0.01)
    assert (lost_at, None) in game.north.shown
    assert any(at == lost_at and state.fault for at, state in game.handset.told)
    assert [row.detail for row in game.journal.of("fault")] == ["[Errno 5] lost"]
    await game.at(2.5)
    assert game.south.opened_at[-1] == lost_at + 300 * MS
    assert (lost_at + 300 * MS, None) in game.south.shown
    game.south.answer(Answered.RIGHT, "dark")
    assert game.lamps() == (40, 40)


@in_live
async def test_a_port_that_comes_back_only_to_die_keeps_both_boards_dark(game: Game) -> None:
    game.answer(Answered.RIGHT)
    game.south.lose_for(0)
    await game.at(2.45)
    game.south.answer(Answered.RIGHT, "dark")
    game.south.lose_for(1000)
    await game.present(20)
    assert not game.south.open
    assert game.lamps() == (None, None)


@in_idle
async def test_a_trouble_beside_the_service_is_told_and_so_is_its_end(game: Game) -> None:
    assert not game.status.troubles
    for why in ("No space left on device", "Input/output error"):
        game.troubles["a power cut would go unnoticed"] = why
        await game.present(game.clock() / S - game.started_at / S + 1.5)
        assert game.status.troubles == (f"a power cut would go unnoticed: {why}",)
    game.troubles.clear()
    await game.present(game.clock() / S - game.started_at / S + 1.5)
    assert game.status.troubles == ()
    rows = [row for row in game.journal.rows if "unnoticed" in row.event]
    assert [(row.kind, row.detail) for row in rows] == [
        ("fault", "No space left on device"),
        ("fault", "Input/output error"),
        ("healed", "Input/output error"),
    ]


@in_idle
async def test_a_second_controller_and_forged_presses_raise_their_alarms(game: Game) -> None:
    game.north.answer(Answered.RIGHT, "dark", foreign_frames=0)
    game.north.answer(Answered.RIGHT, "dark", foreign_frames=2)
    for _ in range(6):
        game.service.press_rejected(Rejection(1, "bad tag", "forged"), game.clock())
    alarms = game.status.alarms
    assert any("controller" in alarm for alarm in alarms)
    assert any("forged" in alarm for alarm in alarms)
    assert [row.event for row in game.journal.of("rejected")] == ["bad tag"] * 6


@in_game
async def test_what_each_board_confirmed_is_recorded_once_for_each_order(game: Game) -> None:
    await game.present(2)
    game.handset.press(Key.SNAP)
    await game.present(5)
    (row,) = game.journal.of("confirmed")
    assert row.boards == '{"north": "40", "south": "40"}'
    assert row.event_number is not None
    game.handset.press(Key.NUMBER_25)
    await game.present(7)
    assert [row.boards for row in game.journal.of("confirmed")][1:] == [
        '{"north": "25", "south": "25"}'
    ]


# Drivers stay apart


@virtual
async def test_faults_of_the_receiver_leave_every_refresh_where_it_was(
    clock: VirtualClock,
) -> None:
    shown = []
    for faulty in (False, True):
        async with Game(clock) as game:
            await game.at(1)
            game.handset.press(Key.DEAD_BALL)
            for second in range(2, 12):
                await game.at(second + 0.33)
                if faulty and second % 3 == 0:
                    game.handset.errors = [OSError(5, "gone")]
                    game.handset.fail(OSError(5, "lost"))
            shown.append([(at - game.started_at, n) for at, n in game.north.shown])
    assert shown[0] == shown[1]


@in_game
async def test_faults_of_one_board_s_port_cost_the_other_no_refresh(game: Game) -> None:
    await game.at(1)
    game.handset.press(Key.SNAP)
    await game.at(1.5)
    game.south.lose_for(6)
    await game.at(10)
    grid = {game.started_at + k * 100 * MS for k in range(1, 100)}
    assert grid <= {at for at, _ in game.north.shown}
    assert len(game.north.opened_at) == 1


# Somebody must be there


@in_live
async def test_nobody_heard_for_60_s_in_live_puts_the_boards_off(game: Game) -> None:
    await game.at(61.9)
    assert game.lamps() == (40, 40)
    await game.at(62.2)
    assert game.lamps() == (None, None)
    assert game.state.boards_off
    assert any("no handset heard for 60 s" in row.event for row in game.journal.rows)
    await game.at(70)
    toggle(game)
    assert game.lamps() == (40, 40)


@in_running
async def test_a_running_count_finishes_before_the_boards_go_off(game: Game) -> None:
    await game.at(41.99)
    assert game.lamps() == (1, 1)
    await game.at(42.2)
    assert game.lamps() == (None, None)
    assert (game.state.phase, game.state.boards_off) == (5, True)


@in_live
async def test_a_key_on_the_console_keeps_the_boards_lit(game: Game) -> None:
    await game.at(45)
    game.handset.press(Key.READY, 0)
    await game.at(48)
    game.handset.press(Key.SNAP, 0)
    await game.at(100)
    assert game.lamps() == (40, 40)


@in_live
async def test_a_handset_silent_for_30_s_is_recorded_and_observers_told(game: Game) -> None:
    for handset in (1, 2, 3):
        game.handset.beacon(handset)
    await game.at(31)
    calls: list[int] = []
    game.service.observers.append(lambda: calls.append(game.clock()))
    rows = len(game.journal.rows)
    await game.at(33)
    assert len(game.journal.rows) > rows
    assert calls


# The journal


@game_with(stands=None)
async def test_rows_wait_for_the_journal_and_go_on_from_its_numbers(game: Game) -> None:
    await game.at(0.5)
    game.handset.press(Key.SNAP)
    await game.at(2.5)
    assert game.journal.rows == []
    game.journal.stands = Opening(6, 80, 33, (70, "aa"))
    await game.at(3.6)
    game.handset.press(Key.DEAD_BALL)
    rows = [(row.game, row.play, row.event_number) for row in game.journal.rows]
    assert rows == [(7, 1, 34), (7, 1, 35)]


@pytest.mark.parametrize(("ago_s", "promised"), [(299, ""), (301, "free kick ended")])
@virtual
async def test_after_a_press_of_a_moment_ago_no_opening_kickoff_is_expected(
    clock: VirtualClock, ago_s: int, promised: str
) -> None:
    async with Game(clock, stands=None) as game:
        game.journal.stands = Opening(6, 80, 33, (70, "aa"), time.time() - ago_s)
        await game.at(1)
        for at, key in ((2, Key.NUMBER_25), (30, Key.READY), (40, Key.SNAP), (48, Key.DEAD_BALL)):
            await game.at(at)
            game.handset.press(key)
        assert game.journal.rows[-1].promised == promised


@virtual
async def test_rows_that_wait_are_handed_over_at_the_end(clock: VirtualClock) -> None:
    async with Game(clock, stands=None) as game:
        await game.at(0.2)
        game.handset.press(Key.SNAP)
        game.journal.stands = EMPTY
        await game.at(0.5)
    assert [row.event for row in game.journal.of("press")] == ["snap or free kick"]


@in_game
async def test_every_event_number_is_used_once_in_order(game: Game) -> None:
    await game.present(2)
    for key in (Key.DEAD_BALL, Key.DEAD_BALL, Key.SNAP, Key.STOP, Key.FLAG, Key.READY):
        game.handset.press(key)
        await game.present((game.clock() - game.started_at) / S + 3)
    game.south.lose_for(2)
    await game.present(30)
    numbers = [row.event_number for row in game.journal.rows]
    assert numbers == list(range(1, len(numbers) + 1))
    downs = [row.play for row in game.journal.rows]
    assert downs == sorted(downs)


@in_idle
async def test_an_undo_carries_the_words_of_what_it_took_back(game: Game) -> None:
    game.handset.press(Key.FLAG)
    (flag,) = game.journal.of("press")
    game.handset.press(Key.UNDO)
    undo = game.journal.of("press")[-1]
    assert (undo.takes_back, undo.detail) == (flag.event_number, "took back foul")


@in_idle
async def test_the_taps_of_a_gesture_share_its_instant(game: Game) -> None:
    at = game.clock()
    game.handset.press(Key.NUMBER_25)
    await asyncio.sleep(0.2)
    game.handset.press(Key.NUMBER_25)
    await asyncio.sleep(2)
    game.handset.press(Key.SNAP)
    pressed = game.journal.of("press")
    assert [row.gesture for row in pressed] == [at, at, game.clock()]


@in_running
async def test_the_answers_of_the_boards_are_tallied_for_each_count(game: Game) -> None:
    """DEAD BALL, twenty answers a board, SNAP: one row, of the play whose count it was."""
    await game.at(2.5)
    for _ in range(20):
        game.answer(Answered.RIGHT)
    game.south.answer(Answered.SILENT)
    assert not game.journal.of("answers")
    game.handset.press(Key.SNAP)
    game.answer(Answered.RIGHT)
    await game.at(5)
    game.handset.press(Key.DEAD_BALL)
    (tally,) = game.journal.of("answers")
    assert (tally.answers_asked, tally.answers_right) == (41, 40)
    assert (tally.answers_wrong, tally.answers_silent, tally.detail) == (0, 1, "south 1 silent")
    (snap,) = [row for row in game.journal.of("press") if row.phase_after == "LIVE"]
    assert (tally.play, snap.play) == (0, 1)


@virtual
async def test_the_count_that_the_end_cuts_short_is_tallied_too(clock: VirtualClock) -> None:
    async with Game(clock) as game:
        await game.at(2)
        game.handset.press(Key.FLAG)
        game.answer(Answered.RIGHT)
    assert [row.answers_right for row in game.journal.of("answers")] == [2]


@in_idle
async def test_a_hand_over_is_recorded_by_number_and_stands_in_status_and_rows(game: Game) -> None:
    assert game.status.keeper is None
    game.service.hand_over(17)
    (told,) = game.journal.of("hand-over")
    assert (told.event, told.keeper) == ("keeper 17 has it", 17)
    game.handset.press(Key.DEAD_BALL)
    assert {row.keeper for row in game.journal.of("press")} == {17}
    assert game.status.keeper == 17


@pytest.mark.parametrize("keeper", [0, -1, 1000])
@in_idle
async def test_a_keeper_is_a_number_from_1_to_999(game: Game, keeper: int) -> None:
    with pytest.raises(ValueError, match=f"keeper {keeper}: must be a number from 1 to 999"):
        game.service.hand_over(keeper)
    assert (game.status.keeper, game.journal.of("hand-over")) == (None, [])


@in_live
async def test_a_ball_live_for_too_long_is_asked_about_in_the_record(game: Game) -> None:
    await game.present(21.9)
    assert game.journal.of("nudge") == []
    await game.present(60)
    (row,) = game.journal.of("nudge")
    assert (row.event, row.phase_after) == ("ball live for 20 s: did the play end?", "LIVE")


# Ends


@in_live
async def test_stop_darkens_and_returns(game: Game) -> None:
    game.service.stop()
    await game.task
    assert game.lamps() == (None, None)
    assert not game.north.open
    told = len(game.handset.told)
    await asyncio.sleep(2)
    assert len(game.handset.told) == told, "the timer is off"


def bug(*_: object) -> None:
    raise ZeroDivisionError


def in_observer(game: Game) -> None:
    game.service.observers.append(bug)
    asyncio.get_running_loop().call_soon(game.handset.press, Key.READY)


BUGS: dict[str, Callable[[Game], object]] = {
    "callback": lambda _: asyncio.get_running_loop().call_later(0.05, bug),
    "timer": lambda game: setattr(game.north, "on_show", bug),
    "driver": lambda game: game.south.fail(ZeroDivisionError()),
    "receiver": lambda game: game.handset.fail(ZeroDivisionError()),
    "observer": in_observer,
}


@pytest.mark.parametrize("where", BUGS)
@in_game
async def test_a_bug_of_ours_ends_the_service_dark_and_is_raised(game: Game, where: str) -> None:
    await game.at(2)
    game.handset.press(Key.SNAP)
    BUGS[where](game)
    with pytest.RaisesGroup(ZeroDivisionError, allow_unwrapped=True, flatten_subgroups=True):
        await asyncio.wait_for(game.task, 2)
    assert game.lamps() == (None, None)
    assert not game.north.open
    assert not game.south.open
    game.north.on_show = lambda _: None


@virtual
async def test_cancelled_at_any_moment_both_boards_are_dark_and_closed(clock: VirtualClock) -> None:
    for wait_ms in (0, 1, 50, 99, 100, 101, 125, 150, 299, 301, 500, 799, 801, 1000, 2100):
        game = Game(clock)
        game.south.errors = [OSError(2, "no such port")] * (wait_ms % 3)
        task = asyncio.create_task(game.service.run())
        if wait_ms:
            await asyncio.sleep(wait_ms / 1000)
            if game.handset._listener is not None:
                game.handset.press(Key.SNAP)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert game.lamps() == (None, None)
        assert not (game.north.open or game.south.open)


@in_game
async def test_a_service_without_boards_cues_all_the_same(game: Game) -> None:
    await game.at(1)
    for board in (game.north, game.south):
        board.errors = [OSError(2, "never there")] * 1000
        board.fail(OSError(5, "lost"))
    await game.at(8)
    game.handset.press(Key.DEAD_BALL)
    assert (game.state.numerals, game.state.boards_off) == (40, True)
    await asyncio.sleep(2.5)
    assert game.state.numerals in (38, 39)


@game_with(stands=None)
async def test_busy_handsets_do_not_keep_the_rows_from_the_journal(game: Game) -> None:
    await game.at(0.1)
    game.journal.stands = EMPTY
    for turn in range(8):
        game.handset.press((Key.SNAP, Key.DEAD_BALL)[turn % 2])
        await asyncio.sleep(0.9)
    assert len(game.journal.of("press")) == 8


@in_idle
async def test_a_port_that_fails_while_it_is_darkened_does_not_spoil_a_stop(game: Game) -> None:
    game.south.on_exit = OSError(5, "lost while leaving")
    game.service.stop()
    await game.task
    assert not game.south.open


@virtual
async def test_an_open_input_is_named_in_record_and_status(clock: VirtualClock) -> None:
    game = Game(clock)
    assert not game.status.unauthenticated
    game.handset.authenticated = False
    async with game:
        await game.at(1)
        assert game.status.unauthenticated
        notes = [(row.event, row.detail) for row in game.journal.of("note")]
        assert notes == [("receiver", OPEN_TO_ALL)]


@in_game
async def test_before_the_first_order(game: Game) -> None:
    await game.at(1)
    assert {numerals for _, numerals in game.north.shown} == {None}
    assert len(game.north.shown) >= 10
    assert not game.state.boards_off
    said = game.status
    assert said.rules == titled(RULES)
    assert (said.phase, said.numerals, said.remaining_ms) == ("IDLE", None, None)
    assert (said.boards, said.boards_why) == ("blank", "")
    assert (said.last, said.by, said.result, said.game, said.down) == ("", "", "", 1, 0)
    assert [(each.name, each.state) for each in said.board_health] == [
        ("north", "waiting"),
        ("south", "waiting"),
    ]
    assert (said.alarms, said.unauthenticated, said.journal) == ((), False, "")


@in_running
async def test_a_count_with_its_ruling_and_who_gave_it_runs_stops_and_is_held(game: Game) -> None:
    await game.at(5.25)
    said = game.status
    assert (said.phase, said.numerals, said.remaining_ms) == ("RUNNING", 37, 36_750)
    assert (said.last, said.by, said.result) == ("routine end of play", "handset 1", "running")
    assert (said.ruling_seconds, said.starts_on, said.boards) == (40, "dead_ball", "lit")
    assert said.citation
    await game.at(12.5)
    game.handset.press(Key.STOP)
    await game.at(20)
    assert (game.status.phase, game.status.remaining_ms) == ("STOPPED", 29_500)
    game.handset.press(Key.SNAP)
    assert (game.status.phase, game.status.remaining_ms, game.status.down) == ("LIVE", None, 1)


@in_idle
async def test_the_console_and_the_last_mark(game: Game) -> None:
    game.service.enter(PlayEnded("routine"))
    assert (game.status.by, game.status.marked) == ("console", None)
    await game.at(32.5)
    assert game.status.marked == 10
    game.handset.press(Key.SNAP)
    assert game.status.marked is None


@in_idle
async def test_the_last_order_is_named_with_who_gave_it(game: Game) -> None:
    assert (game.status.orders, game.status.by_handset) == (0, None)
    game.handset.press(Key.FLAG)
    status = game.status
    assert (status.last, status.by, status.by_handset) == ("foul", "handset 1", 1)
    assert not game.state.assumed
    game.handset.press(Key.READY)
    await game.at(4)
    assert (game.status.number_s, game.status.expires_at) == (25, game.started_at + 27 * S)
    await game.at(30)
    game.handset.press(Key.DEAD_BALL)
    assert game.state.assumed, "a new down"
    game.north.lie()
    status = game.status
    assert (status.last, status.by) == ("boards off: north shows a wrong numeral", "service")
    assert (status.orders, status.by_handset) == (4, None)


@in_live
async def test_a_play_that_lasts_too_long_is_asked_about_until_the_next_order(game: Game) -> None:
    nudge_s = game.play_clock.settings.nudge_s
    await game.at(2 + nudge_s - 0.5)
    assert not game.status.nudged
    await game.at(2 + nudge_s + 0.5)
    assert game.status.nudged
    game.handset.press(Key.DEAD_BALL)
    assert not game.status.nudged
    game.handset.press(Key.SNAP)
    assert not game.status.nudged


@in_running
async def test_the_status_says_what_an_order_did_and_what_the_next_ready_runs(game: Game) -> None:
    status = game.status
    assert (status.event, status.became, status.ending) == ("PlayEnded", "RUNNING", "routine")
    assert (status.ordered_at, status.next_s) == (game.started_at + 2 * S, None)
    game.handset.press(Key.FLAG)
    assert game.status.next_s == 25
    game.handset.press(Key.UNDO)
    assert (game.status.event, game.status.taken_back) == ("Undo", plain(PlayEnded("foul"), 40, 25))
    game.handset.press(Key.STOP)
    assert game.status.next_s == 25
    game.handset.press(Key.SNAP)
    assert (game.status.next_s, game.status.made_at) == (25, game.clock())
