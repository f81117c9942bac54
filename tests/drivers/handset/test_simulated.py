from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import AsyncIterator

import pytest

from drivers.base import Answer, CrewState, CueCode, Edge, Key, PhaseCode, PortError
from drivers.framing import Deframer, encode
from drivers.handset import messages
from drivers.handset.cues import CueKind
from drivers.handset.keys import Keys
from drivers.handset.messages import (
    HelloFrame,
    PressFrame,
    StateFlag,
    StateFrame,
    WelcomeFrame,
    cue_byte,
)
from drivers.handset.radio import RadioHandsets
from drivers.handset.simulated import Air, SimulatedHandset
from drivers.port.memory_port import MemoryPort, memory_pair
from tests.drivers.handset.listeners import Listener
from tests.shared.virtual_time import VirtualClock, virtual_with

MS, S = 1_000_000, 1_000_000_000
UP = {1: bytes(range(16)), 2: bytes(range(16, 32))}
DOWN = bytes(range(32, 48))
SESSION, OTHER_SESSION = bytes(range(0xA0, 0xA8)), bytes(range(0xB0, 0xB8))


def state(
    beat: int = 1,
    ack: tuple[int, int, Answer] | None = None,
    flags: StateFlag = StateFlag.BOARDS_LIT,
    cue: int = 0,
    session: bytes = SESSION,
) -> bytes:
    answered = ack or (0, 0, Answer.NONE)
    frame = StateFrame(beat, PhaseCode.SET, 25, 0, flags, 0, cue, *answered)
    return messages.encode_state(frame, session, DOWN)


class Alone:
    """One handset and the frames that it sends, with nobody on the other side.

    ``sent`` has the reports, ``hellos`` the rest, each with its instant.
    """

    def __init__(self, counter: int = 0, seed: int = 0) -> None:
        self.handset = SimulatedHandset(1, UP[1], DOWN, counter=counter, seed=seed, key_count=4)
        self.sent: list[tuple[int, PressFrame]] = []
        self.hellos: list[tuple[int, HelloFrame]] = []
        self.at = 1000 * S

    def until(self, at: int) -> None:
        deframer = Deframer()
        while (next_at := self.handset.next_at) is not None and next_at <= at:
            self.at = max(self.at, next_at)
            for body in deframer.feed(self.handset.due(self.at)):
                self.note(body)
        self.at = at

    def note(self, body: bytes) -> None:
        if body[0] == messages.HELLO:
            assert messages.hello_is_authentic(body, UP[1])
            self.hellos.append((self.at, messages.parse_hello(body)))
            return
        assert self.handset.session is not None
        assert messages.press_is_authentic(body, self.handset.session, UP[1])
        self.sent.append((self.at, messages.parse_press(body)))

    def welcome(
        self,
        beat: int = 0,
        session: bytes = SESSION,
        counter: int | None = None,
        number: int = 1,
        key: bytes = UP[1],
    ) -> None:
        """Answer the HELLO sent last, or another one."""
        asked = self.hellos[-1][1].counter if counter is None else counter
        self.hear(messages.encode_welcome(WelcomeFrame(number, asked, session, beat), key))

    def begin(self, beat: int = 0) -> None:
        """Have it ask, be welcomed and report its presence."""
        while not self.hellos:
            self.until(self.at + 10 * MS)
        self.welcome(beat)
        assert [frame.keys for _, frame in self.sent] == [0]
        self.sent.clear()

    def hear(self, data: bytes) -> None:
        self.handset.receive(data, self.at)
        self.until(self.at)

    def press(self, key: Key = Key.DEAD_BALL) -> None:
        self.handset.press(key, Edge.DOWN, self.at)
        self.until(self.at)

    @property
    def last(self) -> int:
        """The counter used last."""
        return self.handset.counter

    @property
    def reports(self) -> list[PressFrame]:
        return [frame for _, frame in self.sent if frame.keys]

    @property
    def kinds(self) -> list[CueKind]:
        return [cue.kind for cue in self.handset.cues]


def test_an_unanswered_press_is_sent_six_times_and_then_not_heard() -> None:
    for seed in range(20):
        a = Alone(seed=seed)
        a.begin()
        a.hear(state(beat=9))
        a.press()
        pressed_at = a.at
        a.until(a.at + 400 * MS)
        sent = [(at, frame) for at, frame in a.sent if frame.keys]
        assert len(sent) == 6
        assert {(f.counter, f.keys, f.beat) for _, f in sent} == {(3, 1, 9)}
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
    a = Alone(counter=0x1FFFD)
    a.begin()
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
    a.begin()
    a.hear(state())
    a.press()
    a.hear(state(2, ack=(2, a.last, Answer.RUNNING)))
    a.hear(state(3, ack=(1, a.last + 1, Answer.RUNNING)))
    a.until(a.at + 100 * MS)
    assert a.kinds == []
    assert len(a.reports) > 1


def test_one_report_at_a_time_oldest_first_and_at_most_four_wait() -> None:
    a = Alone()
    a.begin()
    a.hear(state())
    keys = [Key.DEAD_BALL, Key.READY, Key.SNAP, Key.STOP, Key.FLAG, Key.UNDO]
    first = a.last + 1
    for key in keys:
        a.press(key)
    assert a.kinds == [CueKind.NOT_HEARD]  # the sixth: one under way and four waiting
    for beat, counter in enumerate(range(first, first + 5), 2):
        a.hear(state(beat, ack=(1, counter, Answer.HELD)))
    assert [(f.counter, f.keys) for f in a.reports] == [
        (n, 1 << key) for n, key in enumerate(keys[:5], first)
    ]


def test_a_report_that_waited_too_long_is_given_up() -> None:
    a = Alone()
    a.begin()
    a.hear(state())
    for key in (Key.DEAD_BALL, Key.READY, Key.SNAP, Key.STOP, Key.FLAG):
        a.press(key)
    a.until(a.at + 2 * S)
    assert {f.keys for f in a.reports} == {1 << key for key in (0, 1, 3, 5)}
    assert a.kinds == [CueKind.NOT_HEARD] * 5
    assert max(f.age_10ms for f in a.reports) > 100  # the controller refuses the last ones


def test_hello_is_sent_at_power_on_and_every_two_seconds_with_counters_of_its_own() -> None:
    a = Alone(counter=40)
    began_at = a.at
    a.until(a.at + 20 * S)
    assert [frame for _, frame in a.hellos] == [
        HelloFrame(1, counter, 4, 1) for counter in range(41, 41 + len(a.hellos))
    ]
    instants = [at for at, _ in a.hellos]
    assert 0 <= instants[0] - began_at < 250 * MS
    gaps = [later - earlier for earlier, later in itertools.pairwise(instants)]
    assert all(2000 * MS <= gap < 2250 * MS for gap in gaps) and len(set(gaps)) > 5
    assert a.sent == []


def test_hello_is_sent_after_a_second_and_a_half_without_a_state() -> None:
    a = Alone()
    a.begin()
    for beat in range(1, 4):
        a.hear(state(beat))
        a.until(a.at + 1 * S)
    assert len(a.hellos) == 1
    heard_at = a.at - 1 * S
    a.until(a.at + 1 * S)
    assert 1500 * MS <= a.hellos[1][0] - heard_at < 1750 * MS
    a.hear(state(4))  # the session stands: no more of them
    a.until(a.at + 1400 * MS)
    assert len(a.hellos) == 2


def test_a_press_without_a_session_is_sent_when_it_is_welcomed() -> None:
    a = Alone()
    a.press()
    pressed_at = a.at
    assert [frame.counter for _, frame in a.hellos] == [1]
    a.until(a.at + 650 * MS)
    assert [at - pressed_at for at, _ in a.hellos] == [0, 300 * MS, 600 * MS]
    assert a.sent == []
    a.welcome(beat=8)
    assert [(f.counter, f.keys, f.age_10ms, f.beat) for _, f in a.sent] == [(4, 1, 65, 8)]


def test_a_press_that_nobody_welcomes_is_not_heard_after_a_second() -> None:
    a = Alone()
    a.press()
    pressed_at = a.at
    a.until(a.at + 3 * S)
    assert (a.sent, a.kinds) == ([], [CueKind.NOT_HEARD])
    assert 1 * S < a.handset.cues[0].at - pressed_at < 1 * S + 10 * MS


def test_a_press_under_way_is_given_up_when_another_session_begins() -> None:
    """The old session may have obeyed it."""
    for session, cues in ((OTHER_SESSION, [CueKind.NOT_HEARD]), (SESSION, [])):
        a = Alone()
        a.begin()
        a.hear(state())
        while len(a.hellos) < 2:
            a.until(a.at + 10 * MS)
        a.hear(state(2))
        a.press()
        a.until(a.at + 50 * MS)
        before = len(a.reports)
        assert before and a.kinds == []
        a.welcome(session=session)
        a.until(a.at + 50 * MS)
        assert a.kinds == cues
        assert (len(a.reports) > before) is not bool(cues)


def test_a_welcome_is_believed_only_as_the_answer_to_the_last_hello() -> None:
    a = Alone()
    while len(a.hellos) < 2:
        a.until(a.at + 10 * MS)
    a.welcome(counter=1)
    a.welcome(counter=3)
    a.welcome(number=2)
    a.welcome(number=2, key=UP[2])
    a.welcome(key=DOWN)
    assert a.handset.session is None
    a.until(a.at + 501 * MS)
    a.welcome()
    assert a.handset.session is None
    while len(a.hellos) < 3:
        a.until(a.at + 10 * MS)
    a.until(a.hellos[-1][0] + 500 * MS)
    a.welcome(beat=70)
    assert a.handset.beat == 70
    a.welcome(beat=3)  # the same once more
    assert a.handset.beat == 70


def test_after_a_welcome_presence_is_reported_once() -> None:
    a = Alone()
    while not a.hellos:
        a.until(a.at + 10 * MS)
    a.welcome(beat=5)
    assert [(f.counter, f.keys, f.beat) for _, f in a.sent] == [(2, 0, 5)]


def test_any_key_stops_the_flutter() -> None:
    a = Alone()
    a.begin()
    a.hear(state(flags=StateFlag.FAULT))
    a.press()
    a.hear(state(2, ack=(1, a.last, Answer.HELD), flags=StateFlag.FAULT))
    for beat in range(3, 20):
        a.until(a.at + 1 * S)
        a.hear(state(beat, flags=StateFlag.FAULT))
    assert a.kinds == [CueKind.FLUTTER, CueKind.HELD]


def test_a_cue_that_stands_at_the_welcome_is_not_played_and_the_next_one_is() -> None:
    a = Alone()
    a.begin(beat=5)
    a.hear(state(6, cue=cue_byte(CueCode.NUDGE, 1)))
    a.hear(state(7, cue=cue_byte(CueCode.NUDGE, 1)))
    assert a.kinds == []
    a.hear(state(8, cue=cue_byte(CueCode.NUDGE, 2)))
    assert a.kinds == [CueKind.NUDGE]


def test_presence_is_reported_every_ten_seconds_while_the_link_holds() -> None:
    a = Alone()
    while not a.hellos:
        a.until(a.at + 10 * MS)
    a.welcome()
    for beat in range(1, 36):
        a.hear(state(beat))
        a.until(a.at + 1 * S)
    instants = [at for at, _ in a.sent]
    assert [f.keys for _, f in a.sent] == [0] * 4
    assert [later - instants[0] for later in instants] == [0, 10 * S, 20 * S, 30 * S]
    assert [f.counter for _, f in a.sent] == [2, 3, 4, 5]
    a.until(a.at + 60 * S)
    assert len(a.sent) == 4
    assert not a.handset.linked


def test_a_beat_is_taken_1_to_256_above_the_last_and_no_farther() -> None:
    a = Alone()
    a.hear(state())
    assert a.handset.state is None  # without a session nothing is believed
    a.begin(beat=10)
    heard: list[int] = []
    for beat in (9, 10, 11, 268, 267, 0x8000 + 267, 0xFFFF_FFFF, 0x7FFF_FFFF, 523):
        a.hear(state(beat))
        heard.append(a.handset.beat)
    assert heard == [10, 10, 11, 11, 267, 267, 267, 267, 523]
    a.hear(state(524, session=OTHER_SESSION))
    assert a.handset.beat == 523


@pytest.mark.parametrize("later", [32_768, 40_001, 65_535, 65_536, 70_000])
def test_a_state_recorded_early_is_never_new_again(later: int) -> None:
    a = Alone()
    a.begin()
    recorded = [state(beat) for beat in (1, 5, 300)]
    at_beat = later + 300
    while a.handset.beat < at_beat:
        a.hear(state(min(at_beat, a.handset.beat + 256)))
    for data in recorded:
        a.hear(data)
    assert a.handset.beat == at_beat


@pytest.mark.parametrize("beat", [0xFFFF_FFFF, 0x7FFF_FFFF, 256])
def test_who_has_the_broadcast_key_silences_a_handset_no_longer_than_until_its_hello(
    beat: int,
) -> None:
    a = Alone()
    a.begin()
    a.hear(state(1))
    a.hear(state(beat))  # made with the broadcast key: 256 is taken, and so the true ones are not
    forged_at = a.at
    true_beat = 1
    while len(a.hellos) == 1 and a.at - forged_at < 10 * S:
        a.until(a.at + 100 * MS)
        if (a.at - forged_at) % S == 0:
            true_beat += 1
            a.hear(state(true_beat))
    if beat == 256:
        assert 1500 * MS <= a.hellos[1][0] - forged_at < 1750 * MS
        a.welcome(beat=true_beat)
    a.hear(state(true_beat + 1))
    assert a.handset.beat == true_beat + 1
    a.press()
    assert a.reports[-1].beat == true_beat + 1


def test_the_last_counter_is_used_and_none_after_it() -> None:
    a = Alone(counter=0xFFFF_FFFC)
    a.begin()  # a HELLO and a presence
    a.hear(state())
    a.press()
    a.hear(state(2, ack=(1, 0xFFFF, Answer.HELD)))
    assert [frame.counter for frame in a.reports] == [0xFFFF_FFFF]
    a.press(Key.READY)
    assert a.kinds == [CueKind.HELD, CueKind.NOT_HEARD]
    a.until(a.at + 60 * S)
    assert (len(a.reports), len(a.hellos)) == (1, 1)


def test_a_state_with_a_wrong_tag_does_not_keep_the_link() -> None:
    a = Alone()
    a.begin()
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
        self.radio = RadioHandsets("radio", self.line[0], Keys(DOWN, UP), clock)
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
    assert f.crew.presses[0].received_at - pressed_at == 30 * (10 * S // 38400)
    assert [cue.kind for cue in f.one.cues] == [CueKind.RUNNING]
    assert f.one.cues[0].at - pressed_at <= (30 + 31) * 261 * S // 1_000_000  # both frames
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
    await asyncio.sleep(1.4)
    f.radio.tell(f.state)
    f.one.lose_heard = f.two.lose_heard = 1000
    await asyncio.sleep(3.1)
    assert not f.one.linked
    f.one.lose_heard = f.two.lose_heard = 0
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
    await asyncio.sleep(1.75)  # the handsets lose the session of before and are welcomed
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


@virtual_with(field_of)
async def test_a_press_into_a_session_that_has_ended_is_not_heard_and_the_next_one_is(
    f: Field,
) -> None:
    f.tasks[0].cancel()
    await asyncio.sleep(0.1)
    f.tasks[0] = asyncio.create_task(f.radio.run(f.crew))  # as a service that was started again
    await asyncio.sleep(0.1)
    await f.press()
    assert (f.crew.presses, set(f.crew.reasons)) == ([], {"bad tag"})
    assert all(each.settling for each in f.crew.rejections)
    await asyncio.sleep(1)
    await f.press()
    assert len(f.crew.presses) == 1
    assert [cue.kind for cue in f.one.cues] == [CueKind.NOT_HEARD, CueKind.RUNNING]


@virtual_with(field_of)
async def test_a_spare_computer_with_the_same_keys_works_with_no_step(f: Field) -> None:
    """And what was recorded of the other one is worth nothing to it."""
    await f.press()
    recorded = list(f.one.recorded)
    f.tasks[0].cancel()
    await asyncio.sleep(0.1)
    spare = RadioHandsets("spare", f.line[0], Keys(DOWN, UP), f.clock)
    f.radio, f.crew = spare, Listener()
    f.tasks[0] = asyncio.create_task(spare.run(f.crew))
    await asyncio.sleep(2)
    await f.press(Key.SNAP)
    assert [(press.handset, press.key) for press in f.crew.presses] == [(1, Key.SNAP)]
    heard = len(f.crew.heard)
    for data in recorded:
        f.one.replay(data, f.clock())
    await f.press(Key.READY)
    assert [press.key for press in f.crew.presses] == [Key.SNAP, Key.READY]
    assert len(f.crew.heard) == heard + 1
