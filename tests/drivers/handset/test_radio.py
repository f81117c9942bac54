from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import replace

import pytest

from drivers.base import (
    Answer,
    CrewState,
    CueCode,
    DriverError,
    Edge,
    Key,
    PhaseCode,
    PortError,
    PortListener,
    Press,
    Rejection,
)
from drivers.framing import Deframer, encode
from drivers.handset import messages
from drivers.handset.keys import Keys
from drivers.handset.messages import (
    HelloFrame,
    PressFrame,
    StateFlag,
    StateFrame,
    WelcomeFrame,
    encode_hello,
    encode_press,
    keys_of,
)
from drivers.handset.radio import RadioHandsets
from tests.drivers.handset.listeners import Listener, bug
from tests.shared.virtual_time import VirtualClock, virtual, virtual_with

MS, S = 1_000_000, 1_000_000_000
UP = {1: bytes(range(16)), 2: bytes(range(16, 32))}
DOWN = bytes(range(32, 48))
SESSION, OTHER_SESSION = bytes(range(0xA0, 0xA8)), bytes(range(0xB0, 0xB8))
SET_25 = CrewState(PhaseCode.SET, 25, None, True, False, False)


class FakePort:
    """Takes up to ``room`` bytes a write; ``queued`` is what has not left."""

    name = "receiver"

    def __init__(self) -> None:
        self.listener: PortListener | None = None
        self.written: list[bytes] = []
        self.room = 4096
        self.queued = 0
        self.flushes = 0
        self.on_write: Callable[[], None] = lambda: None

    def open(self, listener: PortListener) -> None:
        self.listener = listener

    def write(self, data: bytes) -> int:
        taken = data[: self.room]
        if taken:
            self.on_write()
            self.written.append(taken)
        return len(taken)

    def unsent(self) -> int:
        return self.queued

    def flush(self) -> None:
        self.flushes += 1

    def close(self) -> None:
        self.listener = None


class Bench:
    """A running driver with a fake port before it and a fake service behind it."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.port = FakePort()
        self.crew = Listener()
        self.session = SESSION
        self.radio = RadioHandsets(
            "radio", self.port, Keys(DOWN, UP), clock, lambda size: self.session[:size]
        )

    async def start(self, state: CrewState | None = SET_25) -> None:
        self.task = asyncio.create_task(self.radio.run(self.crew))
        await asyncio.sleep(0)
        if state is not None:
            self.radio.tell(state)

    async def stop(self) -> None:
        self.task.cancel()
        await asyncio.wait({self.task})
        assert self.port.listener is None

    @property
    def bodies(self) -> list[bytes]:
        return Deframer().feed(b"".join(self.port.written))

    @property
    def states(self) -> list[StateFrame]:
        return [
            messages.decode_state(body, self.session, DOWN)
            for body in self.bodies
            if body[0] == messages.STATE
        ]

    def welcomes(self, handset: int = 1) -> list[WelcomeFrame]:
        """Those to one handset, which alone can read them."""
        return [
            messages.decode_welcome(body, UP[handset])
            for body in self.bodies
            if body[0] == messages.WELCOME and body[1] == handset
        ]

    def hello(self, counter: int, handset: int = 1, key: bytes | None = None) -> None:
        self.receive(encode_hello(HelloFrame(handset, counter, 12, 1), key or UP[handset]))

    @property
    def acknowledged(self) -> tuple[int, int, Answer]:
        state = self.states[-1]
        return state.ack_handset, state.ack_counter, state.ack_result

    def frame(
        self,
        counter: int,
        keys: int = keys_of(Key.DEAD_BALL, Edge.DOWN),
        *,
        handset: int = 1,
        age_10ms: int = 0,
        beat: int | None = None,
        session: bytes | None = None,
        key: bytes | None = None,
    ) -> bytes:
        heard = self.states[-1].beat if beat is None else beat
        frame = PressFrame(handset, counter, keys, age_10ms, heard, 20, 31)
        return encode_press(frame, session or self.session, key or UP[handset])

    def receive(self, data: bytes) -> None:
        assert self.port.listener is not None
        self.port.listener.bytes_received(data, self.clock())


@contextlib.asynccontextmanager
async def bench(clock: VirtualClock, state: CrewState | None = SET_25) -> AsyncIterator[Bench]:
    made = Bench(clock)
    await made.start(state)
    try:
        yield made
    finally:
        await made.stop()


@virtual_with(bench)
async def test_a_press_reaches_the_service_and_its_result_goes_back(b: Bench) -> None:
    b.receive(b.frame(7, keys_of(Key.SNAP, Edge.HELD), age_10ms=12))
    at = b.clock()
    assert b.crew.presses == [Press(1, Key.SNAP, Edge.HELD, at - 120 * MS, at, 7)]
    assert b.crew.heard == [(1, at, 20, 31)]
    assert b.crew.rejections == []
    assert b.acknowledged == (1, 7, Answer.RUNNING)


@virtual_with(bench)
async def test_a_frame_that_comes_in_pieces_is_dated_by_its_last(b: Bench) -> None:
    data = b.frame(1)
    for at in range(len(data) - 1):
        b.receive(data[at : at + 1])
    assert b.crew.presses == []
    await asyncio.sleep(0.004)
    b.receive(data[-1:])
    assert [press.received_at for press in b.crew.presses] == [b.clock()]


@virtual_with(bench)
async def test_the_boards_go_before_the_acknowledgement_in_one_frame(b: Bench) -> None:
    """What the service tells while it acts waits, and goes out with the result."""
    order: list[str] = []
    running = CrewState(PhaseCode.RUNNING, 40, b.clock() + 40 * S, True, False, False)

    def act() -> None:
        b.radio.tell(running)
        order.append("boards")

    b.crew.acting = act
    b.port.on_write = lambda: order.append("STATE")
    before = len(b.port.written)
    b.receive(b.frame(1))
    assert order == ["boards", "STATE"]
    assert len(b.port.written) == before + 1
    assert (b.states[-1].phase, b.acknowledged) == (PhaseCode.RUNNING, (1, 1, Answer.RUNNING))


@virtual_with(bench)
async def test_a_duplicate_gets_the_first_result_and_is_not_acted_on(b: Bench) -> None:
    b.receive(b.frame(1))
    b.crew.result = Answer.REFUSED
    for age_10ms in (3, 6, 9):
        b.receive(b.frame(1, age_10ms=age_10ms))
        assert b.acknowledged == (1, 1, Answer.RUNNING)
    assert len(b.crew.presses) == 1
    assert len(b.crew.heard) == 1  # a replay must not keep a dead handset alive
    assert len(b.states) == 1 + 4


@virtual_with(bench)
async def test_the_acknowledgement_stays_until_the_next_press(b: Bench) -> None:
    b.receive(b.frame(1))
    b.radio.tell(SET_25)
    assert b.acknowledged == (1, 1, Answer.RUNNING)
    b.crew.result = Answer.HELD
    b.receive(b.frame(4, handset=2))
    assert b.acknowledged == (2, 4, Answer.HELD)


@virtual_with(bench)
async def test_a_forged_tag_is_never_answered(b: Bench) -> None:
    sent = len(b.port.written)
    good = Deframer().feed(b.frame(1))[0]
    forged = [good[:at] + bytes([good[at] ^ 1]) + good[at + 1 :] for at in range(2, len(good))]
    forged += [Deframer().feed(b.frame(1, key=key))[0] for key in (UP[2], DOWN, bytes(16))]
    forged += Deframer().feed(b.frame(1000, session=OTHER_SESSION))  # from before a restart
    for body in forged:
        b.receive(encode(body))
    assert b.crew.reasons == ["bad tag"] * len(forged)
    assert (b.crew.presses, b.crew.heard, len(b.port.written)) == ([], [], sent)
    b.receive(b.frame(1))
    assert len(b.crew.presses) == 1


@virtual_with(bench)
async def test_wrong_tags_may_be_of_the_session_before_for_five_seconds(b: Bench) -> None:
    await asyncio.sleep(4.9)
    b.receive(b.frame(1, key=DOWN))
    b.hello(1, key=DOWN)
    await asyncio.sleep(0.2)
    b.receive(b.frame(1, key=DOWN))
    assert b.crew.reasons == ["bad tag"] * 3
    assert [each.settling for each in b.crew.rejections] == [True, True, False]


@virtual_with(bench)
async def test_a_stranger_is_named(b: Bench) -> None:
    b.receive(b.frame(1, handset=9, key=UP[1]))
    assert b.crew.rejections == [Rejection(9, "unknown handset", "no key for this handset")]


@virtual_with(bench)
async def test_a_replay_of_an_older_press_is_dropped(b: Bench) -> None:
    recorded = b.frame(1)
    b.receive(recorded)
    b.receive(b.frame(2, keys_of(Key.READY, Edge.DOWN)))
    sent = len(b.port.written)
    b.receive(recorded)
    assert len(b.crew.presses) == 2
    assert b.crew.rejections == [Rejection(1, "replayed", "counter 1, last 2")]
    assert len(b.port.written) == sent


@virtual_with(bench)
async def test_one_press_is_acknowledged_six_times_and_no_more(b: Bench) -> None:
    data = b.frame(1)
    for _ in range(1000):
        b.receive(data)
    assert len(b.states) == 1 + 6
    assert len(b.crew.presses) == 1
    assert b.crew.reasons == ["replayed"] * 994
    b.receive(b.frame(2))
    assert b.acknowledged == (1, 2, Answer.RUNNING)


@virtual_with(bench)
async def test_a_hello_is_answered_by_welcome_and_state(b: Bench) -> None:
    b.port.written.clear()
    b.hello(7)
    assert [body[0] for body in b.bodies] == [messages.WELCOME, messages.STATE]
    assert b.welcomes() == [WelcomeFrame(1, 7, SESSION, 1)]
    assert b.states[-1].beat == 2
    assert b.crew.heard == []  # it may be a recorded one
    b.receive(b.frame(7))
    assert b.crew.reasons == ["replayed"]  # its counter is used up
    b.receive(b.frame(8, beat=1))
    assert len(b.crew.presses) == 1


@virtual
async def test_before_the_first_state_a_hello_is_answered_alone(clock: VirtualClock) -> None:
    async with bench(clock, state=None) as b:
        b.hello(1)
        assert b.welcomes() == [WelcomeFrame(1, 1, SESSION, 0)]
        assert b.states == []


@virtual_with(bench)
async def test_a_handset_is_welcomed_at_most_once_a_second(b: Bench) -> None:
    for counter in (1, 2, 3, 4):
        b.hello(counter)
        await asyncio.sleep(0.3)
    b.hello(5)
    assert [welcome.counter for welcome in b.welcomes()] == [1, 5]
    assert b.crew.reasons == ["hello too soon"] * 3
    b.hello(1, handset=2)  # another one waits for nobody
    assert len(b.welcomes(2)) == 1


@virtual_with(bench)
async def test_recorded_hellos_are_welcomed_once_each_and_never_hold_off_the_true_one(
    b: Bench,
) -> None:
    for counter in (1, 2, 3, 4):
        b.hello(counter)
        await asyncio.sleep(1)
    sent = len(b.port.written)
    for _ in range(3):
        for counter in (1, 2, 3, 4):
            b.hello(counter)
            await asyncio.sleep(1)
    assert len(b.port.written) == sent
    assert b.crew.reasons == ["replayed"] * 12
    b.hello(5)
    assert b.welcomes()[-1].counter == 5


@virtual_with(bench)
async def test_a_hello_of_nobody_here_is_never_answered(b: Bench) -> None:
    sent = len(b.port.written)
    b.hello(1, key=UP[2])
    b.hello(1, handset=9, key=UP[1])
    body = Deframer().feed(encode_hello(HelloFrame(1, 1, 12, 1), UP[1]))[0]
    for bit in range(8 * 6, 8 * len(body)):
        forged = (int.from_bytes(body, "big") ^ 1 << (8 * len(body) - 1 - bit)).to_bytes(
            len(body), "big"
        )
        b.receive(encode(forged))
    assert len(b.port.written) == sent
    assert set(b.crew.reasons) == {"bad tag", "unknown handset"}
    b.hello(1)
    assert len(b.welcomes()) == 1


@virtual_with(bench)
async def test_hellos_at_once_are_answered_one_after_the_other(b: Bench) -> None:
    b.port.queued = 10
    b.hello(1, handset=1)
    b.hello(1, handset=2)
    await asyncio.sleep(0.02)
    assert (b.welcomes(1), b.welcomes(2)) == ([], [])
    b.port.queued = 0
    await asyncio.sleep(0.02)
    [one], [two] = b.welcomes(1), b.welcomes(2)
    assert (one.beat, two.beat) == (1, 2)
    assert [state.beat for state in b.states] == [1, 2, 3]


@virtual
async def test_each_opening_draws_another_session(clock: VirtualClock) -> None:
    """Eight bytes from the system's own source, which no test can foretell."""
    port, crew = FakePort(), Listener()
    radio = RadioHandsets("radio", port, Keys(DOWN, UP), clock)
    sessions = []
    for counter in range(3):
        task = asyncio.create_task(radio.run(crew))
        await asyncio.sleep(0)
        assert port.listener is not None
        hello = HelloFrame(1, counter + 1, 12, 1)
        port.listener.bytes_received(encode_hello(hello, UP[1]), clock())
        task.cancel()
        await asyncio.wait({task})
        [body] = Deframer().feed(port.written[-1])
        sessions.append(messages.decode_welcome(body, UP[1]).session)
    assert len(set(sessions)) == 3 and {len(each) for each in sessions} == {8}


@virtual
async def test_the_session_ends_with_its_last_beat(clock: VirtualClock) -> None:
    b = Bench(clock)
    await b.start()
    b.radio._beat = 0x7FFF_FFFE  # as after 68 years
    b.radio.tell(SET_25)
    assert b.states[-1].beat == 0x7FFF_FFFF
    sent = len(b.port.written)
    b.radio.tell(SET_25)
    with pytest.raises(DriverError, match="last beat"):
        await b.task
    assert len(b.port.written) == sent
    b.session = OTHER_SESSION
    b.port.written.clear()
    await b.start()
    assert b.states[-1].beat == 1
    await b.stop()


@virtual_with(bench)
async def test_a_frame_of_another_version_is_counted_and_named(b: Bench) -> None:
    b.receive(encode(b"\x33" + bytes(22)))
    assert b.radio.bad_frames == 1
    said = "a frame of protocol version 3; this program speaks version 2"
    assert b.crew.rejections == [Rejection(None, "another version", said)]


@virtual_with(bench)
async def test_a_press_that_was_jammed_and_played_later_is_not_heard(b: Bench) -> None:
    jammed = b.frame(1)
    for _ in range(3):
        await asyncio.sleep(1)
        b.radio.tell(SET_25)
    await asyncio.sleep(0.001)
    b.receive(jammed)
    assert (b.crew.presses, b.crew.reasons) == ([], ["beat too old"])
    assert b.acknowledged == (1, 1, Answer.NOT_HEARD)
    b.receive(jammed)
    assert b.acknowledged == (1, 1, Answer.NOT_HEARD)
    b.receive(b.frame(2))
    assert len(b.crew.presses) == 1


@virtual_with(bench)
async def test_a_beat_is_good_for_exactly_three_seconds(b: Bench) -> None:
    data = b.frame(1)
    await asyncio.sleep(3)
    b.receive(data)
    assert len(b.crew.presses) == 1


@virtual_with(bench)
async def test_a_beat_that_was_never_sent_is_too_old(b: Bench) -> None:
    for counter, beat in enumerate((0, 513, 99, 0xFFFF), 1):
        b.receive(b.frame(counter, beat=beat))
    assert b.crew.reasons == ["beat too old"] * 4


@pytest.mark.parametrize(
    ("age_10ms", "taken"), [(99, True), (100, True), (101, False), (255, False)]
)
@virtual_with(bench)
async def test_a_press_is_good_for_one_second(b: Bench, age_10ms: int, taken: bool) -> None:
    b.receive(b.frame(1, age_10ms=age_10ms))
    assert len(b.crew.presses) == taken
    assert b.crew.reasons == ([] if taken else ["too late"])
    result = Answer.RUNNING if taken else Answer.NOT_HEARD
    assert b.acknowledged == (1, 1, result)
    assert len(b.crew.heard) == 1


@virtual_with(bench)
async def test_presence_is_heard_and_not_acknowledged(b: Bench) -> None:
    sent = len(b.port.written)
    b.receive(encode_press(PressFrame(2, 1, 0, 0, 0, 255), SESSION, UP[2]))
    assert b.crew.heard == [(2, b.clock(), None, None)]
    assert (b.crew.presses, b.crew.rejections, len(b.port.written)) == ([], [], sent)
    b.receive(encode_press(PressFrame(2, 1, 0, 0, 0, 255), SESSION, UP[2]))
    assert b.crew.reasons == ["replayed"]
    assert len(b.crew.heard) == 1


@pytest.mark.parametrize("keys", [0x8000, 0x0003, 0x1000, 0x4001, 0xFFFF, 0x8003])
@virtual_with(bench)
async def test_keys_that_are_no_report_are_dropped(b: Bench, keys: int) -> None:
    good = Deframer().feed(b.frame(1))[0]
    body = good[:6] + keys.to_bytes(2, "big") + good[8:15]
    b.receive(encode(body + messages.press_tag(body, SESSION, UP[1])))
    assert (b.crew.presses, b.crew.reasons) == ([], ["bad keys"])
    assert f"{keys:04X}" in b.crew.rejections[0].detail
    assert len(b.states) == 1
    b.receive(b.frame(1))
    assert b.crew.reasons == ["bad keys", "replayed"]  # the counter is used up


@virtual_with(bench)
async def test_the_last_counter_is_the_last(b: Bench) -> None:
    b.receive(b.frame(0xFFFF_FFFF))
    assert b.acknowledged == (1, 0xFFFF, Answer.RUNNING)
    b.receive(b.frame(0))
    b.receive(b.frame(1))
    assert len(b.crew.presses) == 1
    assert b.crew.reasons == ["replayed"] * 2


@virtual_with(bench)
async def test_two_handsets_have_their_own_counters(b: Bench) -> None:
    b.receive(b.frame(90, handset=1) + b.frame(3, handset=2))
    assert [(p.handset, p.counter) for p in b.crew.presses] == [(1, 90), (2, 3)]
    assert b.acknowledged == (2, 3, Answer.RUNNING)


@virtual_with(bench)
async def test_what_is_no_press_is_counted_and_our_own_echo_is_not(b: Bench) -> None:
    b.hello(1)
    b.crew.rejections.clear()
    for data in b.port.written:
        b.receive(data.removeprefix(b"\x55"))
    assert b.radio.bad_frames == 0
    b.receive(encode(b"\x27" + bytes(19)))
    b.receive(encode(b"\x23" + bytes(3)))
    b.receive(b"\x00\x02\x77\x77\x00")
    assert b.radio.bad_frames == 3
    assert (b.crew.presses, b.crew.rejections) == ([], [])


@virtual
async def test_state_says_all_that_the_crew_is_told(clock: VirtualClock) -> None:
    async with bench(clock, state=None) as b:
        told = CrewState(PhaseCode.RUNNING, 40, clock() + 40 * S, True, False, False)
        b.radio.tell(told)
        b.radio.tell(replace(told, boards_lit=False, boards_off=True, fault=True, assumed=True))
        b.radio.tell(replace(told, mark_s=20, cue=CueCode.NUDGE, cue_number=18))
        b.radio.tell(CrewState(PhaseCode.STOPPED, 13, None, True, False, False, False, 12_340 * MS))
        b.radio.tell(CrewState(PhaseCode.IDLE, None, None, False, False, False))
        flag, none = StateFlag, (0, 0, Answer.NONE)
        off = flag.BOARDS_OFF | flag.FAULT | flag.ASSUMED
        lit = flag.BOARDS_LIT
        assert b.states == [
            StateFrame(1, PhaseCode.RUNNING, 40, 4000, lit, 0, 0, *none),
            StateFrame(2, PhaseCode.RUNNING, 40, 4000, off, 0, 0, *none),
            StateFrame(3, PhaseCode.RUNNING, 40, 4000, lit, 20, 0x21, *none),
            StateFrame(4, PhaseCode.STOPPED, 13, 1234, lit, 0, 0, *none),
            StateFrame(5, PhaseCode.IDLE, None, 0, flag(0), 0, 0, *none),
        ]


@virtual
async def test_remaining_and_numerals_are_those_of_the_moment_of_sending(
    clock: VirtualClock,
) -> None:
    running = CrewState(PhaseCode.RUNNING, 40, clock() + 40 * S, True, False, False)
    async with bench(clock, running) as b:
        seen = []
        for counter, wait_s in enumerate((0.001, 0.998, 0.002, 30, 9.5), 1):
            await asyncio.sleep(wait_s)
            b.receive(b.frame(counter, handset=2))
            seen.append((b.states[-1].remaining_10ms, b.states[-1].numerals))
        assert seen == [(4000, 40), (3901, 40), (3900, 39), (900, 9), (0, 0)]


@virtual_with(bench)
async def test_a_full_port_gets_the_newest_state_once_and_whole(b: Bench) -> None:
    b.port.queued = 10
    for numerals in (3, 2, 1):
        b.radio.tell(CrewState(PhaseCode.SET, numerals, None, True, False, False))
    assert len(b.states) == 1
    await asyncio.sleep(0.05)
    b.port.queued = 0
    await asyncio.sleep(0.05)
    assert [(state.numerals, state.beat) for state in b.states] == [(25, 1), (1, 2)]


@virtual_with(bench)
async def test_half_a_frame_is_thrown_away_and_sent_again(b: Bench) -> None:
    b.port.room = 11
    b.radio.tell(replace(SET_25, numerals=40))
    assert b.port.flushes == 1
    b.port.room = 4096
    await asyncio.sleep(0.01)
    assert [(state.numerals, state.beat) for state in b.states] == [(25, 1), (40, 3)]
    assert b.port.written[-1][0] == 0x55  # or the half could be made whole by what follows


@pytest.mark.parametrize("fault", ["never drains", "takes nothing"])
@virtual
async def test_a_stuck_port_ends_the_run_and_says_no_old_thing(
    clock: VirtualClock, fault: str
) -> None:
    b = Bench(clock)
    await b.start()
    began_at = clock()
    if fault == "never drains":
        b.port.queued = 29
    else:
        b.port.room = 0
        b.radio.tell(SET_25)
    with pytest.raises(PortError, match="receiver: did not drain within 300 ms"):
        await b.task
    assert 300 * MS <= clock() - began_at <= 303 * MS
    assert b.port.flushes == 1
    assert b.port.listener is None


@virtual
async def test_after_a_fault_it_runs_again_in_another_session(clock: VirtualClock) -> None:
    b = Bench(clock)
    await b.start()
    b.receive(b.frame(5))
    assert b.port.listener is not None
    b.port.listener.port_lost(PortError("receiver: lost"))
    with pytest.raises(PortError, match="receiver: lost"):
        await b.task
    b.radio.tell(SET_25)  # to a port that is down: dropped
    assert len(b.states) == 2
    old = b.frame(6)
    b.session = OTHER_SESSION
    b.port.written.clear()
    await b.start()
    b.receive(old)
    assert b.crew.reasons == ["bad tag"]
    b.receive(b.frame(3))
    assert [press.counter for press in b.crew.presses] == [5, 3]
    assert [state.beat for state in b.states] == [1, 2]
    await b.stop()


@virtual
async def test_an_ended_run_leaves_nothing_behind_for_the_next(clock: VirtualClock) -> None:
    b = Bench(clock)
    await b.start()
    await b.stop()
    b.radio.port_lost(PortError("too late to matter"))
    b.port.queued = 29  # of somebody else's making: no STATE of the next run is stuck
    await b.start(state=None)
    await asyncio.sleep(1)
    assert not b.task.done()
    await b.stop()


@virtual
async def test_an_error_of_the_service_ends_the_run(clock: VirtualClock) -> None:
    """The loop would only log it: our own bugs must reach whoever runs the driver."""
    b = Bench(clock)
    await b.start()

    b.crew.acting = bug
    b.receive(b.frame(1))
    with pytest.raises(ZeroDivisionError):
        await b.task


@virtual
async def test_before_the_first_state_nothing_is_sent(clock: VirtualClock) -> None:
    async with bench(clock, state=None) as b:
        b.receive(b.frame(1, beat=0))
        assert b.port.written == []
        assert b.crew.reasons == ["beat too old"]


def test_what_a_handset_driver_promises() -> None:
    radio = RadioHandsets("radio", FakePort(), Keys(DOWN, UP), lambda: 0)
    assert (radio.name, radio.authenticated, radio.beacons) == ("radio", True, True)
