"""When cues are due and how they feel: the firmware's logic on this computer, with sanitizers."""

from __future__ import annotations

import random
from typing import Any

import pytest

from drivers.base import CueCode, PhaseCode
from drivers.handset.cues import CueClock, CueKind
from drivers.handset.messages import StateFlag, cue_byte, decode_state
from tests.firmware.handset_chip import MARKS, cues_of
from tests.firmware.handset_pc import (
    BROADCAST_KEY,
    SESSION,
    Controller,
    HandsetOnPC,
    body_of,
    join,
    serving,
)

pytestmark = pytest.mark.needs_gcc

MS = 1_000_000
FLIGHT_MS = 8
"""CUES_FLIGHT_MS of cues.h."""
CUES = {
    CueKind.RUNNING: 1,
    CueKind.HELD: 2,
    CueKind.NO_CHANGE: 3,
    CueKind.REFUSED: 4,
    CueKind.ASSUMED: 5,
    CueKind.NOT_HEARD: 6,
    CueKind.NUDGE: 7,
    CueKind.COURTESY_WARNING: 8,
    CueKind.COURTESY_OVER: 9,
    CueKind.MARK: 10,
    CueKind.MARK_10: 11,
    CueKind.MARK_TICK: 12,
    CueKind.ZERO: 13,
    CueKind.FLUTTER: 14,
}
"""``enum cue`` of thumb.h."""
TEN, TICK, FLUTTER = CUES[CueKind.MARK_10], CUES[CueKind.MARK_TICK], CUES[CueKind.FLUTTER]
LIT = StateFlag.BOARDS_LIT


@pytest.fixture
def controller(handset: HandsetOnPC) -> Controller:
    return join(handset)


def patterns(handset: HandsetOnPC, what: str, since_ms: int = 0) -> list[tuple[int, list[int]]]:
    """What the thumb felt: when each cue began, and its lengths on and off by turns."""
    return cues_of([(at, int(level)) for at, level in handset.all_of(what, since_ms)], int)


def a_game_of_states(seed: int) -> list[tuple[int, dict[str, Any]]]:
    """STATEs by chance, (pause in ms, fields): counts that jitter, jump, expire, are lost."""
    chance = random.Random(seed)
    left_ms, phase, flags = 40_000, PhaseCode.IDLE, LIT
    mark, told, cue = 0, 0, 0
    said = []
    for _ in range(60):
        pause_ms = chance.choice((9, 100, 1000, 1000, 1000, 2990, 3200, chance.randrange(9, 5000)))
        if chance.random() < 0.25:
            phase = chance.choice(list(PhaseCode))
            left_ms = chance.choice((40_000, 25_000, 12_000, 5_500, chance.randrange(40_000)))
        elif phase is PhaseCode.RUNNING:
            jump = chance.choice((0, 0, 30, -30, 490, -490, 500, -500, 1500, -3000))
            left_ms -= pause_ms + jump
            if left_ms <= 0:
                phase = PhaseCode.EXPIRED
        if chance.random() < 0.1:
            flags ^= chance.choice((StateFlag.BOARDS_OFF, StateFlag.FAULT, StateFlag.ASSUMED))
        if chance.random() < 0.15:
            mark = chance.choice((0, 25, 20, 11, 99))
        if chance.random() < 0.1:
            told += 1
            cue = cue_byte(chance.choice(list(CueCode)), told)
        left_ms = max(0, left_ms)
        running = phase in (PhaseCode.RUNNING, PhaseCode.STOPPED)
        remaining = -(-left_ms // 10) if running else 0
        fields = {"phase": phase, "remaining_10ms": remaining, "flags": flags}
        said.append((pause_ms, {**fields, "mark": mark, "cue": cue}))
    return said


def same_cues_as_the_simulated_handset(seeds: range) -> set[int]:
    """Gives the kinds of cues that came."""
    kinds = set()
    for seed in seeds:
        with serving() as handset:
            controller, clock = join(handset), CueClock(flight_ns=FLIGHT_MS * MS)
            for pause_ms, fields in a_game_of_states(seed):
                handset.run(pause_ms)
                clock.pass_time(handset.now_ms * MS)
                wire = controller.wire(**fields)
                handset.hear(wire)
                state = decode_state(body_of(wire), SESSION, BROADCAST_KEY)
                clock.hear(state, handset.now_ms * MS)
                assert handset.linked == clock.linked
            handset.run(4000)
            clock.pass_time(handset.now_ms * MS)
            wanted = [(cue.at // MS, CUES[cue.kind]) for cue in clock.played]
            assert sorted(handset.cues()) == sorted(wanted), f"seed {seed}"
            kinds |= {kind for _, kind in wanted}
    return kinds


def test_cues_come_when_the_simulated_handset_has_them() -> None:
    assert same_cues_as_the_simulated_handset(range(3)) >= {7, 8, 9, 12, 13, 14}


@pytest.mark.full
def test_cues_of_many_games_come_when_the_simulated_handset_has_them() -> None:
    assert same_cues_as_the_simulated_handset(range(100, 160)) == set(range(7, 15))


def test_a_count_of_40_is_felt_as_the_table_has_it_on_motor_and_lamp(
    handset: HandsetOnPC, controller: Controller
) -> None:
    controller.say(flags=LIT)
    handset.run(1000)
    controller.say(phase=PhaseCode.RUNNING, remaining_10ms=4000, flags=LIT, mark=25)
    began_ms = handset.now_ms
    zero_ms = began_ms + 40_000 - FLIGHT_MS
    while handset.now_ms < zero_ms + 900:
        handset.run(1000)
        left = zero_ms + FLIGHT_MS - handset.now_ms - 7
        phase = PhaseCode.RUNNING if left > 0 else PhaseCode.EXPIRED
        controller.say(
            phase=phase,
            remaining_10ms=max(0, -(-left // 10)),
            flags=LIT,
            mark=25,
        )
    handset.run(1000)
    felt = patterns(handset, "move", began_ms)
    assert [lengths for _, lengths in felt] == [lengths for _, lengths in MARKS]
    for (at_ms, _), (seconds, _) in zip(felt, MARKS, strict=True):
        assert abs(at_ms - (zero_ms - 1000 * seconds)) <= 20, seconds
    assert patterns(handset, "light", began_ms) == felt


def test_a_lost_link_ends_the_cues_and_the_lamp_says_so_until_a_good_state(
    handset: HandsetOnPC, controller: Controller
) -> None:
    controller.say(phase=PhaseCode.RUNNING, remaining_10ms=1150, flags=LIT)
    lost_ms = handset.now_ms + 3000
    handset.run(15_000)
    assert [at for at, _ in handset.cues()] == [lost_ms - 3000 + 1500 - FLIGHT_MS]  # only 10 left
    assert not handset.linked
    flashes = patterns(handset, "light", lost_ms - 50)
    assert len(flashes) >= 22 and all(lengths == [100] for _, lengths in flashes[1:])
    forged = bytearray(controller.wire())
    forged[-3] ^= 1
    handset.hear(bytes(forged))
    assert not handset.linked
    controller.say(phase=PhaseCode.RUNNING, remaining_10ms=520, flags=LIT)
    assert handset.linked
    since_ms = handset.now_ms
    handset.run(300)
    assert [kind for _, kind in handset.cues(since_ms)] == [TICK]


def test_zero_cuts_a_result_off_and_the_result_is_felt_again_behind_it() -> None:
    with serving(4) as handset:
        controller = join(handset)
        controller.say(phase=PhaseCode.RUNNING, remaining_10ms=102, flags=LIT)
        begun_ms = handset.now_ms
        handset.run_to(begun_ms + 700)
        handset.say("contacts 16", "run 280", "contacts 0")  # 40; nobody answers
        handset.run(2500)
        felt = patterns(handset, "move", begun_ms + 100)
        (_, cut), (_, zero), (_, again) = felt
        assert cut[0] < 50 and (zero, again) == ([800], [600])
        assert abs(felt[-2][0] - (begun_ms + 1020 - FLIGHT_MS)) <= 100


def test_a_mark_that_meets_a_result_is_left_out_and_never_cuts_it_to_another() -> None:
    with serving(4) as handset:
        controller = join(handset)
        controller.say(phase=PhaseCode.RUNNING, remaining_10ms=560, flags=LIT)
        handset.run(200)
        handset.say("contacts 16", "run 330", "contacts 0")  # not heard after 300 ms: 0.6 s
        handset.run(2000)
        lengths = [each for _, each in patterns(handset, "move")]
        assert [600] in lengths and [50] in lengths
        assert all(each in ([600], [50]) for each in lengths), lengths


def test_boards_off_flutters_every_5_s_until_a_key_and_again_when_newly_set(
    handset: HandsetOnPC, controller: Controller
) -> None:
    begun_ms = handset.now_ms
    for _ in range(12):
        controller.say(flags=StateFlag.BOARDS_OFF)
        handset.run(993)
    assert [kind for _, kind in handset.cues()] == [FLUTTER] * 3
    assert [round((at - begun_ms) / 1000) for at, _ in handset.cues()] == [0, 5, 10]
    handset.tap("STOP")
    since_ms = handset.now_ms + 400
    for _ in range(8):
        controller.say(flags=StateFlag.BOARDS_OFF)
        handset.run(993)
    assert FLUTTER not in [kind for _, kind in handset.cues(since_ms)]
    controller.say(flags=StateFlag.BOARDS_OFF | StateFlag.FAULT)
    assert [kind for _, kind in handset.cues(since_ms)] == [FLUTTER]


PATTERNS = {
    CueCode.NUDGE: [50, 400, 50],
    CueCode.COURTESY_WARNING: [50, 120, 50, 120, 50],
    CueCode.COURTESY_OVER: [120, 120, 120, 120, 120],
}


def test_what_the_controller_tells_is_felt_once_when_the_cue_differs_from_the_one_before(
    handset: HandsetOnPC, controller: Controller
) -> None:
    controller.say(cue=cue_byte(CueCode.NUDGE, 5))  # the first STATE after a WELCOME sets it only
    begun_ms = handset.now_ms
    for number, code in enumerate((*CueCode, *CueCode), 14):
        for _ in range(2):
            controller.say(cue=cue_byte(code, number))
            handset.run(1000)
    felt = patterns(handset, "move", begun_ms)
    assert [lengths for _, lengths in felt] == [*PATTERNS.values(), *PATTERNS.values()]
    controller.say(cue=0x41)
    handset.run(1300)
    join(handset, beat=controller.beat).say(cue=0x52)
    handset.run(1000)
    assert [lengths for _, lengths in patterns(handset, "move", begun_ms)[6:]] == [[50, 400, 50]]


def test_what_the_controller_tells_waits_for_its_turn_and_is_felt_again_where_zero_cuts_it_off(
    handset: HandsetOnPC, controller: Controller
) -> None:
    controller.say(phase=PhaseCode.RUNNING, remaining_10ms=130, flags=LIT)
    begun_ms = handset.now_ms
    handset.run(290)  # in the tick of 1
    controller.say(phase=PhaseCode.RUNNING, remaining_10ms=100, flags=LIT, cue=0x12)
    handset.run(500)
    controller.say(phase=PhaseCode.RUNNING, remaining_10ms=49, flags=LIT, cue=0x23)
    handset.run(2500)
    lengths = [each for _, each in patterns(handset, "move", begun_ms)]
    assert lengths[:2] == [[50], [50, 120, 50, 120, 50]]
    assert lengths[-2:] == [[800], [120] * 5]


def test_the_mark_comes_at_the_seconds_that_state_names(
    handset: HandsetOnPC, controller: Controller
) -> None:
    for mark in (99, 20, 11, 0):
        controller.say()
        controller.say(
            phase=PhaseCode.RUNNING, remaining_10ms=100 * mark + 30, flags=LIT, mark=mark
        )
        begun_ms = handset.now_ms
        handset.run(600)
        marks = [(at - begun_ms, kind) for at, kind in handset.cues(begun_ms)]
        zero = CUES[CueKind.ZERO]
        assert marks == [(300 - FLIGHT_MS, CUES[CueKind.MARK] if mark else zero)], mark


@pytest.mark.parametrize(("moved_ms", "again"), [(490, False), (500, True), (-490, False)])
def test_half_a_second_makes_another_count(
    handset: HandsetOnPC, controller: Controller, moved_ms: int, again: bool
) -> None:
    controller.say(phase=PhaseCode.RUNNING, remaining_10ms=1030, flags=LIT)
    heard_ms = handset.now_ms
    handset.run(393)  # it has passed 10.00 s, and been felt
    remaining = 1030 - 40 + moved_ms // 10
    controller.say(phase=PhaseCode.RUNNING, remaining_10ms=remaining, flags=LIT)
    assert handset.now_ms - heard_ms == 400
    handset.run(1000)
    assert [kind for _, kind in handset.cues()] == [TEN, TEN][: 1 + again]
