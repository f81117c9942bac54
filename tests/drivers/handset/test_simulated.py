from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import AsyncIterator

import pytest

from drivers.base import Answer, CrewState, Edge, Key, PhaseCode, PortError
from drivers.framing import Deframer, encode
from drivers.handset import messages
from drivers.handset.cues import CueKind
from drivers.handset.keys import Keys
from drivers.handset.messages import PressFrame, StateFlag, StateFrame
from drivers.handset.radio import RadioHandsets
from drivers.handset.simulated import Air, SimulatedHandset
from drivers.port.memory_port import MemoryPort, memory_pair
from tests.drivers.handset.listeners import Listener
from tests.shared.virtual_time import VirtualClock, virtual_with

MS, S = 1_000_000, 1_000_000_000
UP = {1: bytes(range(16)), 2: bytes(range(16, 32))}
DOWN = bytes(range(32, 48))
DEAD_BALL = Key.DEAD_BALL, Edge.DOWN


def state(
    beat: int = 1,
    session: int = 7,
    ack: tuple[int, int, Answer] | None = None,
    flags: StateFlag = StateFlag.BOARDS_LIT,
) -> bytes:
    answered = ack or (0, 0, Answer.NONE)
    return messages.encode_state(
        StateFrame(session, beat, PhaseCode.SET, 25, 0, flags, *answered), DOWN
    )


class Alone:
    """One handset and the frames that it sends, with nobody on the other side."""

    def __init__(self, **kept: int) -> None:
        self.handset = SimulatedHandset(1, UP[1], DOWN, **kept)
        self.sent: list[tuple[int, PressFrame]] = []
        self.at = 1000 * S

    def until(self, at: int) -> None:
        deframer = Deframer()
        while (next_at := self.handset.next_at) is not None and next_at <= at:
            self.at = max(self.at, next_at)
            for body in deframer.feed(self.handset.due(self.at)):
                assert messages.press_is_authentic(body, self.handset.session, UP[1])
                self.sent.append((self.at, messages.parse_press(body)))
        self.at = at

    def hear(self, data: bytes) -> None:
        self.handset.receive(data, self.at)
        self.until(self.at)

    def press(self, key: Key = Key.DEAD_BALL) -> None:
        self.handset.press(key, Edge.DOWN, self.at)
        self.until(self.at)

    @property
    def reports(self) -> list[PressFrame]:
        return [frame for _, frame in self.sent if frame.keys]

    @property
    def kinds(self) -> list[CueKind]:
        return [cue.kind for cue in self.handset.cues]


def test_an_unanswered_press_is_sent_six_times_and_then_not_heard() -> None:
    for seed in range(20):
        a = Alone(seed=seed)
        a.hear(state(beat=9))
        a.press()
        pressed_at = a.at
        a.until(a.at + 400 * MS)
        sent = [(at, frame) for at, frame in a.sent if frame.keys]
        assert len(sent) == 6
        assert {(f.counter, f.keys, f.beat) for _, f in sent} == {(1, 1, 9)}
        instants = [at for at, _ in sent]
        gaps = [later - earlier for earlier, later in itertools.pairwise(instants)]
        assert all(25 * MS <= gap < 45 * MS for gap in gaps)
        assert len(set(gaps)) == 5
        assert [f.age_10ms for _, f in sent] == [(at - pressed_at) // (10 * MS) for at in instants]
        assert [(cue.kind, cue.at) for cue in a.handset.cues] == [
            (CueKind.NOT_HEARD, pressed_at + 300 * MS)
        ]


@pytest.mark.parametrize(
    ("result", "cue"),
    [
        (Answer.RUNNING, CueKind.RUNNING),
        (Answer.HELD, CueKind.HELD),
        (Answer.NO_CHANGE, CueKind.NO_CHANGE),
        (Answer.REFUSED, CueKind.REFUSED),
        (Answer.ASSUMED, CueKind.ASSUMED),
        (Answer.NOT_HEARD, CueKind.NOT_HEARD),
    ],
)
def test_an_answer_ends_the_report_and_plays_its_cue_once(result: Answer, cue: CueKind) -> None:
    a = Alone(counter=0x1FFFF)
    a.hear(state())
    a.press()
    a.hear(state(2, ack=(1, 0, result)))
    a.until(a.at + 10 * MS)
    a.hear(state(3, ack=(1, 0, result)))
    a.until(a.at + 400 * MS)
    assert [frame.counter for frame in a.reports] == [0x20000]
    assert a.kinds == [cue]


def test_an_answer_to_another_handset_or_press_is_not_ours() -> None:
    a = Alone()
    a.hear(state())
    a.press()
    a.hear(state(2, ack=(2, 1, Answer.RUNNING)))
    a.hear(state(3, ack=(1, 2, Answer.RUNNING)))
    a.until(a.at + 100 * MS)
    assert a.kinds == []
    assert len(a.reports) > 1


def test_one_report_at_a_time_oldest_first_and_at_most_four_wait() -> None:
    a = Alone()
    a.hear(state())
    keys = [Key.DEAD_BALL, Key.READY, Key.SNAP, Key.STOP, Key.FLAG, Key.UNDO]
    for key in keys:
        a.press(key)
    assert a.kinds == [CueKind.NOT_HEARD]  # the sixth: one under way and four waiting
    for beat, counter in enumerate(range(1, 6), 2):
        a.hear(state(beat, ack=(1, counter, Answer.HELD)))
    assert [(f.counter, f.keys) for f in a.reports] == [
        (n, 1 << key) for n, key in enumerate(keys[:5], 1)
    ]


def test_a_report_that_waited_too_long_is_given_up() -> None:
    a = Alone()
    a.hear(state())
    for key in (Key.DEAD_BALL, Key.READY, Key.SNAP, Key.STOP, Key.FLAG):
        a.press(key)
    a.until(a.at + 2 * S)
    assert {f.keys for f in a.reports} == {1 << key for key in (0, 1, 3, 5)}
    assert a.kinds == [CueKind.NOT_HEARD] * 5
    assert max(f.age_10ms for f in a.reports) > 100  # the controller refuses the last ones


def test_without_a_state_since_power_on_a_press_is_not_heard_at_once() -> None:
    a = Alone()
    a.press()
    assert (a.sent, a.kinds) == ([], [CueKind.NOT_HEARD])


def test_any_key_stops_the_flutter() -> None:
    a = Alone()
    a.hear(state(flags=StateFlag.FAULT))
    a.press()
    a.hear(state(2, ack=(1, 1, Answer.HELD), flags=StateFlag.FAULT))
    for beat in range(3, 20):
        a.until(a.at + 1 * S)
        a.hear(state(beat, flags=StateFlag.FAULT))
    assert a.kinds == [CueKind.FLUTTER, CueKind.HELD]


def test_presence_is_reported_every_ten_seconds_while_the_link_holds() -> None:
    a = Alone()
    for beat in range(1, 36):
        a.hear(state(beat))
        a.until(a.at + 1 * S)
    instants = [at for at, _ in a.sent]
    assert [f.keys for _, f in a.sent] == [0] * 4
    assert [later - instants[0] for later in instants] == [0, 10 * S, 20 * S, 30 * S]
    assert [f.counter for _, f in a.sent] == [1, 2, 3, 4]
    a.until(a.at + 60 * S)
    assert len(a.sent) == 4
    assert not a.handset.linked


def test_older_sessions_and_beats_are_ignored() -> None:
    a = Alone(session=7)
    a.hear(state(session=6))
    assert a.handset.state is None
    a.hear(state(beat=0xFFFE, session=7))
    heard: list[int] = []
    for beat in (0xFFFE, 0xFFFD, 0xFFFF, 3, 0x8003, 4):
        a.hear(state(beat))
        assert a.handset.state is not None
        heard.append(a.handset.state.beat)
    assert heard == [0xFFFE, 0xFFFE, 0xFFFF, 3, 3, 4]
    a.hear(state(beat=1, session=8))
    assert a.handset.session == 8
    a.hear(state(beat=5, session=7))
    assert (a.handset.session, a.handset.linked) == (8, True)


def test_a_state_with_a_wrong_tag_does_not_keep_the_link() -> None:
    a = Alone()
    a.hear(state())
    body = Deframer().feed(state(2))[0]
    a.until(a.at + 2 * S)
    a.hear(encode(body[:-1] + bytes([body[-1] ^ 1])))
    a.until(a.at + 1 * S)
    assert not a.handset.linked


class Field:
    """A controller's radio driver and two handsets, each at its end of a line at 38,400."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.crew = Listener()
        self.line: tuple[MemoryPort, MemoryPort] = memory_pair(clock, 38400)
        self.state = CrewState(PhaseCode.SET, 25, None, True, False, False)
        self.radio = RadioHandsets("radio", self.line[0], Keys(DOWN, UP), 42, clock)
        self.one, self.two = (SimulatedHandset(n, UP[n], DOWN, seed=n) for n in (1, 2))
        self.air = Air(self.line[1], clock, (self.one, self.two))
        self.tasks: list[asyncio.Task[None]] = []

    async def start(self) -> None:
        self.tasks = [
            asyncio.create_task(self.radio.run(self.crew)),
            asyncio.create_task(self.air.run()),
            asyncio.create_task(self.beat()),
        ]
        await asyncio.sleep(1.1)

    async def beat(self) -> None:
        while True:
            self.radio.tell(self.state)
            await asyncio.sleep(1)

    async def press(self, key: Key = Key.DEAD_BALL) -> int:
        """Press a key of the first handset, let half a second pass; the instant of the press."""
        pressed_at = self.clock()
        self.air.press(1, key)
        await asyncio.sleep(0.5)
        return pressed_at

    async def stop(self) -> None:
        for task in self.tasks:
            task.cancel()
        await asyncio.gather(*self.tasks, return_exceptions=True)


@contextlib.asynccontextmanager
async def field_of(clock: VirtualClock) -> AsyncIterator[Field]:
    made = Field(clock)
    await made.start()
    try:
        yield made
    finally:
        await made.stop()


@virtual_with(field_of)
async def test_a_press_goes_there_and_its_cue_comes_back(f: Field) -> None:
    assert {number for number, *_ in f.crew.heard} == {1, 2}
    pressed_at = await f.press(Key.SNAP)
    assert [(p.handset, p.key, p.edge) for p in f.crew.presses] == [(1, Key.SNAP, Edge.DOWN)]
    assert f.crew.presses[0].received_at - pressed_at == 25 * (10 * S // 38400)
    assert [cue.kind for cue in f.one.cues] == [CueKind.RUNNING]
    assert f.one.cues[0].at - pressed_at < 15 * MS
    assert f.two.cues == []
    assert f.crew.rejections == []


@virtual_with(field_of)
async def test_a_lost_first_copy_costs_no_accuracy(f: Field) -> None:
    f.one.lose_sent = 3
    pressed_at = await f.press()
    (press,) = f.crew.presses
    assert press.received_at - pressed_at > 75 * MS
    assert 0 <= press.edge_at - pressed_at < 17 * MS  # the line, and 10 ms of rounding
    assert [cue.kind for cue in f.one.cues] == [CueKind.RUNNING]


@virtual_with(field_of)
async def test_lost_answers_bring_the_first_result_and_act_once(f: Field) -> None:
    f.one.lose_heard = 3
    f.air.press(1, Key.DEAD_BALL)
    await asyncio.sleep(0.02)
    f.crew.result = Answer.REFUSED
    await asyncio.sleep(0.5)
    assert len(f.crew.presses) == 1
    assert [cue.kind for cue in f.one.cues] == [CueKind.RUNNING]
    assert f.crew.rejections == []


@virtual_with(field_of)
async def test_a_jammed_handset_says_so_within_a_third_of_a_second(f: Field) -> None:
    f.one.lose_sent = 6
    pressed_at = await f.press()
    assert f.crew.presses == []
    assert [(c.kind, c.at) for c in f.one.cues] == [(CueKind.NOT_HEARD, pressed_at + 300 * MS)]


@virtual_with(field_of)
async def test_a_frame_held_back_too_long_is_refused(f: Field) -> None:
    f.one.delay_ns = 4 * S
    f.one.lose_sent = 0
    f.air.press(1, Key.DEAD_BALL)
    f.one.lose_sent = 5
    await asyncio.sleep(5)
    assert (f.crew.presses, f.crew.reasons) == ([], ["beat too old"])


@virtual_with(field_of)
async def test_a_replay_at_once_changes_nothing(f: Field) -> None:
    f.air.press(1, Key.DEAD_BALL)
    await asyncio.sleep(0.1)
    f.one.replay(f.one.recorded[-1], f.clock())
    f.air.press(2, Key.READY)
    await asyncio.sleep(0.5)
    assert [(p.handset, p.key) for p in f.crew.presses] == [(1, Key.DEAD_BALL), (2, Key.READY)]
    assert [cue.kind for cue in f.one.cues] == [CueKind.RUNNING]
    assert [cue.kind for cue in f.two.cues] == [CueKind.RUNNING]


@virtual_with(field_of)
async def test_two_handsets_at_the_same_time_both_get_their_answer(f: Field) -> None:
    """The second answer replaces the first in a busy port; the first comes by retransmission."""
    f.air.press(1, Key.NUMBER_25)
    f.air.press(2, Key.NUMBER_40)
    await asyncio.sleep(0.5)
    assert {(p.handset, p.key) for p in f.crew.presses} == {
        (1, Key.NUMBER_25),
        (2, Key.NUMBER_40),
    }
    assert len(f.crew.presses) == 2
    for handset in (f.one, f.two):
        assert [cue.kind for cue in handset.cues] == [CueKind.RUNNING]


@virtual_with(field_of)
async def test_the_count_in_the_hand_is_that_of_the_controller(f: Field) -> None:
    zero_at = f.clock() + 12 * S
    f.state = CrewState(PhaseCode.RUNNING, 12, zero_at, True, False, False)
    f.radio.tell(f.state)
    await asyncio.sleep(0.1)
    for _ in range(110):
        left = zero_at - f.clock()
        if left % S > 20 * MS:  # not in the instant of a change
            assert f.one.numerals(f.clock()) == -(-left // S)
        await asyncio.sleep(0.1)
    marks = [cue for cue in f.one.cues if cue.kind is CueKind.MARK_TICK]
    lefts = [(zero_at - cue.at) / S for cue in marks]
    assert [round(left) for left in lefts] == [5, 4, 3, 2, 1]
    assert all(abs(left - round(left)) <= 0.010 for left in lefts)


@virtual_with(field_of)
async def test_three_seconds_without_a_state_and_the_lamp_says_link_lost(f: Field) -> None:
    f.tasks[2].cancel()
    assert f.one.linked
    await asyncio.sleep(3)
    assert not f.one.linked
    f.radio.tell(f.state)
    await asyncio.sleep(0.01)
    assert f.one.linked


@virtual_with(field_of)
async def test_a_lost_line_ends_both_sides_and_they_come_back(f: Field) -> None:
    f.line[0].unplug()
    for task in f.tasks[:2]:
        with pytest.raises(PortError, match="unplugged"):
            await task
    f.line[0].replug()
    await f.stop()
    await f.start()
    f.air.press(1, Key.DEAD_BALL)
    await asyncio.sleep(0.1)
    assert len(f.crew.presses) == 1


@virtual_with(field_of)
async def test_a_stalled_line_is_a_fault_and_nothing_old_follows(f: Field) -> None:
    f.line[0].stall()
    f.radio.tell(CrewState(PhaseCode.SET, 40, None, True, False, False))
    with pytest.raises(PortError, match="did not drain within 300 ms"):
        await f.tasks[0]
    f.line[0].resume()
    await asyncio.sleep(0.1)
    assert f.one.numerals(f.clock()) == 25
