"""Reports, sessions, keys and modes of the firmware's logic on this computer, with sanitizers."""

from __future__ import annotations

import itertools

import pytest

from drivers.base import Answer
from drivers.handset.messages import StateFlag
from tests.firmware import handset_pc
from tests.firmware.handset_pc import (
    BROADCAST_KEY,
    HANDSET_KEY,
    SESSION,
    Controller,
    HandsetOnPC,
    join,
    press_of,
    serving,
    start_pairing,
)
from tests.shared.frames import HELD_BIT, KEY_BITS, framed, tag
from tests.shared.protocol_page import Vector, refused, vectors

pytestmark = pytest.mark.needs_gcc

NOT_HEARD = 6
REVISION = 9
"""What :meth:`HandsetOnPC.start` gives the handset."""


def with_counter(counter: int) -> bytes:
    """The memory of a handset that has reserved its counters up to this one."""
    with HandsetOnPC() as handset:
        handset.say(f"memory {handset_pc.paired_memory().hex()}", f"counter {counter}")
        return bytes.fromhex(handset.ask("dump")[0])


@pytest.fixture
def controller(handset: HandsetOnPC) -> Controller:
    controller = join(handset)
    controller.say()
    handset.run(600)  # presence is out
    return controller


def test_a_press_says_what_the_page_says_and_its_answer_is_felt_once(
    handset: HandsetOnPC, controller: Controller
) -> None:
    handset.say("contacts 1", "run 1")
    edge_ms = handset.now_ms
    handset.run(3)
    ((sent_ms, frame),) = handset.sent(edge_ms)
    press = press_of(frame)
    assert (press.handset, press.keys, press.age_10ms, press.beat) == (1, 1, 0, controller.beat)
    assert press.battery == 66 and sent_ms - edge_ms <= 2  # 4.5 V
    answer = {"ack_handset": 1, "ack_counter": press.counter & 0xFFFF}
    controller.say(**answer, ack_result=Answer.ASSUMED)
    controller.say(**answer, ack_result=Answer.RUNNING)  # it may stand in later STATEs too
    handset.run(500)
    assert [kind for _, kind in handset.cues(edge_ms)] == [5]
    assert len(handset.sent(edge_ms)) == 1


def test_an_answer_to_another_handset_or_counter_is_none(
    handset: HandsetOnPC, controller: Controller
) -> None:
    handset.say("contacts 1", "run 3")
    counter = press_of(handset.sent()[-1][1]).counter
    since_ms = handset.now_ms
    for number, told in ((1, counter + 1), (1, counter - 1), (2, counter), (0, counter)):
        controller.say(ack_handset=number, ack_counter=told, ack_result=Answer.RUNNING)
    controller.say(ack_handset=1, ack_counter=counter, ack_result=Answer.NONE)
    assert handset.cues(since_ms) == []
    controller.say(ack_handset=1, ack_counter=counter, ack_result=Answer.RUNNING)
    assert [kind for _, kind in handset.cues(since_ms)] == [1]


def test_an_unanswered_press_is_tried_six_times_in_300_ms_and_then_not_heard(
    handset: HandsetOnPC, controller: Controller
) -> None:
    gaps = []
    for _ in range(40):
        controller.say()
        handset.say("contacts 2", "run 1")
        edge_ms = handset.now_ms
        handset.run(999)
        handset.say("contacts 0", "run 100")
        sent = handset.sent(edge_ms)
        presses = [press_of(frame) for _, frame in sent if press_of(frame).keys]
        times = [at for at, frame in sent if press_of(frame).keys]
        assert len(times) == 6 and times[-1] - times[0] < 300
        assert len({(press.counter, press.keys) for press in presses}) == 1
        assert [press.age_10ms for press in presses] == [(at - edge_ms) // 10 for at in times]
        gaps += [after - before for before, after in itertools.pairwise(times)]
        ((felt_ms, kind),) = handset.cues(edge_ms)
        assert kind == NOT_HEARD and abs(felt_ms - times[0] - 300) <= 2
    assert min(gaps) >= 25 and max(gaps) <= 45
    assert len(set(gaps)) > 15  # at random


def test_a_retry_has_the_beat_of_the_state_heard_since(
    handset: HandsetOnPC, controller: Controller
) -> None:
    handset.say("contacts 2", "run 10")
    controller.say()
    handset.run(50)
    first, second, *_ = [press_of(frame) for _, frame in handset.sent(handset.now_ms - 70)]
    assert (second.counter, second.keys) == (first.counter, first.keys)
    assert second.beat == first.beat + 1 == controller.beat


def test_five_presses_at_once_are_sent_oldest_first_and_the_sixth_is_not_heard(
    handset: HandsetOnPC, controller: Controller
) -> None:
    keys = (1, 2, 4, 8, 16, 32)
    down = 0
    for key in keys:
        down |= key
        handset.say(f"contacts {down}", "run 2")
    assert [kind for _, kind in handset.cues(handset.now_ms - 20)] == [NOT_HEARD]
    told = []
    for _ in range(8):
        handset.run(20)
        press = press_of(handset.sent()[-1][1])
        told.append(press.keys)
        controller.say(ack_handset=1, ack_counter=press.counter & 0xFFFF, ack_result=Answer.HELD)
    assert list(dict.fromkeys(told)) == [1, 2, 4, 8, 16]


def test_a_report_that_waited_for_more_than_a_second_is_given_up_unsent(
    handset: HandsetOnPC, controller: Controller
) -> None:
    handset.say("contacts 59", "run 1")  # five keys that never hold: 300 ms each unanswered
    edge_ms = handset.now_ms
    for _ in range(3):
        handset.run(800)
        controller.say()
    sent = dict.fromkeys(press_of(frame).keys for _, frame in handset.sent(edge_ms))
    assert [key for key in sent if key] == [1, 2, 8, 16]  # the fifth would begin at 1.2 s
    assert [kind for _, kind in handset.cues(edge_ms)].count(NOT_HEARD) == 5


def test_a_frame_that_is_being_heard_is_waited_for_and_noise_is_not_for_ever(
    handset: HandsetOnPC, controller: Controller
) -> None:
    frame = controller.wire()
    handset.hear(frame[:8])
    handset.say("contacts 1")
    handset.hear(frame[8:-1])
    since_ms = handset.now_ms
    assert handset.sent(since_ms - 10) == []
    handset.hear(frame[-1:])
    handset.run(2)
    assert len(handset.sent(since_ms - 10)) == 1
    handset.say("contacts 0", "run 1000")
    controller.say()
    handset.say("contacts 2")
    since_ms = handset.now_ms
    handset.hear(bytes([0x55]) * 160)
    (first_ms, _), *_ = handset.sent(since_ms)
    assert 15 <= first_ms - since_ms <= 25


def test_presence_comes_on_welcome_and_every_10_s_while_linked_and_never_else(
    handset: HandsetOnPC,
) -> None:
    controller = join(handset)
    welcomed_ms = handset.now_ms
    for _ in range(35):
        controller.say()
        handset.run(993)
    presences = [(at, press_of(frame)) for at, frame in handset.reports()]
    assert all(press.keys == 0 == press.age_10ms for _, press in presences)
    times = [at for at, _ in presences]
    assert len(times) == 4 and 0 <= times[0] - welcomed_ms <= 20
    assert all(abs(b - a - 10_000) <= 10 for a, b in itertools.pairwise(times))
    handset.run(30_000)
    assert len(handset.reports()) == 4


# Session


def test_hello_comes_at_power_on_and_again_every_2_s_by_chance_until_it_is_answered() -> None:
    with handset_pc.remembering() as handset:
        handset.run(60_000)
        hellos = handset.hellos()
        assert hellos[0][0] <= 50 and handset.reports() == []
        gaps = [after - before for (before, _), (after, _) in itertools.pairwise(hellos)]
        assert min(gaps) >= 2000 and max(gaps) <= 2252 and len(set(gaps)) > 10
        assert {hello[:1] + hello[2:] for _, hello in hellos} == {(1, 12, REVISION)}
        counters = [hello.counter for _, hello in hellos]
        assert counters == list(range(1, len(hellos) + 1))


def test_hello_comes_again_1500_ms_after_the_last_good_state(
    handset: HandsetOnPC, controller: Controller
) -> None:
    silences = []
    for _ in range(12):
        controller.say()
        heard_ms = handset.now_ms
        handset.hear(controller.wire()[:-1] + b"\1\0")  # a bad one feeds nothing
        controller.beat -= 1
        handset.run(1800)
        ((asked_ms, _),) = handset.hellos(heard_ms)
        silences.append(asked_ms - heard_ms)
    assert min(silences) >= 1500 and max(silences) <= 1752 and len(set(silences)) > 4
    controller.say()  # of the session that it was welcomed to: it counts
    assert handset.linked and handset.now.known


@pytest.mark.parametrize("session", [bytes(8), b"\xff" * 8, SESSION], ids=bytes.hex)
def test_any_session_is_a_session(session: bytes) -> None:
    with handset_pc.remembering() as handset:
        Controller(handset, session).say()  # not before a WELCOME
        assert not handset.linked
        controller = join(handset, session)
        controller.say()
        assert handset.linked
        handset.say("run 5", "contacts 1", "run 30")
        presence, report = (press_of(frame, session) for _, frame in handset.reports())
        assert (presence.keys, report.keys) == (0, 1)


def test_a_welcome_counts_for_the_last_hello_alone_once_and_within_half_a_second() -> None:
    def known_after(late_ms: int, **fields: int) -> bool:
        with handset_pc.remembering() as handset:
            while len(handset.hellos()) < 2:
                handset.run(10)
            asked_ms, second = handset.hellos()[-1]
            handset.run_to(asked_ms + late_ms - 8)
            handset.hear(Controller(handset).welcome_to(second._replace(**fields)))
            assert handset.now_ms == asked_ms + late_ms
            return handset.now.known

    assert known_after(250)
    assert known_after(500)
    assert not known_after(501)
    assert not known_after(250, counter=1)  # of the HELLO before
    assert not known_after(250, counter=3)
    assert not known_after(250, handset=2)


def test_a_recorded_welcome_is_worth_nothing_after_a_new_hello_nor_twice_for_one(
    handset: HandsetOnPC,
) -> None:
    controller = join(handset)
    (_, hello) = handset.hellos()[-1]
    recorded = controller.welcome_to(hello)
    for _ in range(3):
        controller.say()
    handset.hear(recorded)
    assert handset.now.beat == 3  # else the STATEs since could be played again
    handset.run(1800)
    assert len(handset.hellos()) == 3
    handset.hear(recorded)
    assert not handset.now.known
    handset.start()
    handset.run(100)
    handset.hear(recorded)
    handset.hear(Controller(handset).wire())
    assert not handset.now.known and not handset.linked


def test_a_state_is_taken_1_to_256_beats_ahead_and_no_other(
    handset: HandsetOnPC, controller: Controller
) -> None:
    def taken(beat: int) -> bool:
        before = handset.now.beat
        controller.beat = beat - 1
        controller.say()
        assert handset.now.beat == (beat if handset.now.beat != before else before)
        return handset.now.beat != before

    assert not taken(1)
    assert taken(2) and not taken(2)
    assert not taken(2 + 257)
    assert taken(2 + 256)
    assert not taken(0x7FFFFFFF)
    other = Controller(handset, bytes(8), 258)
    other.say()
    assert handset.now.beat == 258  # another session's


@pytest.mark.parametrize("now", [40_001, 65_546, 0x1000A])
def test_a_state_recorded_at_beat_10_is_dropped_for_ever(now: int) -> None:
    with handset_pc.remembering() as handset:
        controller = join(handset, beat=9)
        recorded = controller.wire(ack_handset=1)
        handset.hear(recorded)
        assert handset.now.beat == 10
        handset.run(1400)
        join(handset, beat=now - 1).say()
        handset.run(1000)
        handset.hear(recorded)
        assert handset.now.beat == now


def test_a_forged_beat_silences_for_1500_ms_until_hello_is_answered_and_no_longer(
    handset: HandsetOnPC, controller: Controller
) -> None:
    wire = controller.wire(beat=0xFFFFFFFF)
    handset.hear(wire)
    controller.beat -= 1
    controller.say()
    assert handset.now.beat == controller.beat  # farther ahead than 256: dropped
    handset.hear(controller.wire(beat=controller.beat + 256))
    forged_ms = handset.now_ms
    while not handset.hellos(forged_ms):
        controller.say()
        handset.run(100)
    assert handset.now_ms - forged_ms <= 1752 + 110
    controller.welcome()
    controller.say()
    assert handset.now.beat == controller.beat and handset.now.known


def test_the_session_is_gone_with_the_power(handset: HandsetOnPC, controller: Controller) -> None:
    recorded = controller.wire()
    counter = handset.now.counter
    assert SESSION.hex() not in handset.ask("dump")[0]
    handset.start()
    handset.hear(recorded)
    assert not handset.linked
    handset.run(50)
    ((_, hello),) = handset.hellos(handset.now_ms - 50)
    assert hello.counter > counter
    join(handset, bytes(8)).say()
    assert handset.linked and handset.now.session == bytes(8)


def test_four_reports_wait_for_a_welcome_and_go_oldest_first_the_fifth_is_not_heard() -> None:
    with handset_pc.remembering() as handset:
        handset.run(900)
        begun_ms = handset.now_ms
        for down in (1, 3, 11, 43, 107):
            handset.say(f"contacts {down}", "run 10")
        assert [kind for _, kind in handset.cues(begun_ms)] == [NOT_HEARD]
        handset.say("contacts 0", "run 300")
        assert handset.reports() == []
        controller = Controller(handset)
        (_, hello) = handset.hellos(begun_ms)[-1]
        handset.hear(controller.welcome_to(hello))
        controller.say()
        told = []
        for _ in range(4):
            handset.run(30)
            press = press_of(handset.sent()[-1][1])
            told.append((press.keys, press.counter - hello.counter))
            controller.say(ack_handset=1, ack_counter=press.counter, ack_result=Answer.HELD)
        assert told == [(1, 1), (2, 2), (8, 3), (32, 4)]
        handset.run(1000)
        assert all(press_of(frame).keys for _, frame in handset.reports())  # no presence besides
        assert [kind for _, kind in handset.cues(begun_ms)] == [NOT_HEARD, 2, 2, 2, 2]


def test_hello_goes_first_every_300_ms_while_a_report_waits_for_a_session() -> None:
    with handset_pc.remembering() as handset:
        handset.run(1000)
        handset.say("contacts 1", "run 1")
        edge_ms = handset.now_ms
        handset.say("run 60", "contacts 0", "run 1500")
        asked = [at - edge_ms for at, _ in handset.hellos(edge_ms)]
        assert asked[0] <= 2 and asked == [asked[0] + 300 * n for n in range(4)]
        ((felt_ms, kind),) = handset.cues(edge_ms)
        assert kind == NOT_HEARD and 1000 < felt_ms - edge_ms <= 1003
        assert handset.reports() == []


def test_a_report_waits_for_a_welcome_where_the_controller_has_been_silent(
    handset: HandsetOnPC, controller: Controller
) -> None:
    controller.say()
    handset.run(1900)
    assert not handset.now.known
    handset.say("contacts 1", "run 320")
    pressed_ms = handset.now_ms - 320
    assert handset.reports(pressed_ms) == [] and handset.hellos(pressed_ms)
    Controller(handset, bytes(8)).welcome()  # it has begun again meanwhile
    handset.run(30)
    ((_, frame), *_) = handset.reports(pressed_ms)
    assert press_of(frame, bytes(8)).keys == 1


def test_a_report_under_way_is_given_up_when_a_welcome_brings_another_session(
    handset: HandsetOnPC, controller: Controller
) -> None:
    def pressed_amid_a_hello(session: bytes) -> tuple[list[int], int]:
        heard_ms = handset.now_ms
        while not (hellos := handset.hellos(heard_ms)):
            handset.run(10)
        (_, hello) = hellos[-1]
        controller.say()
        begun_ms = handset.now_ms
        handset.say("contacts 8", "run 10")
        other = Controller(handset, session, controller.beat)
        handset.hear(other.welcome_to(hello))
        handset.say("run 500", "contacts 0", "run 200")
        felt = [kind for at, kind in handset.cues(begun_ms) if at < begun_ms + 200]
        return felt, len(handset.reports(begun_ms))

    felt, sent = pressed_amid_a_hello(SESSION)
    assert (felt, sent) == ([], 6)  # the same session: it is tried on
    controller.say()
    felt, sent = pressed_amid_a_hello(bytes(8))
    assert felt == [NOT_HEARD] and sent == 2  # once, and presence, which answers the WELCOME


def test_no_hello_comes_between_the_tries_of_a_report(
    handset: HandsetOnPC, controller: Controller
) -> None:
    for _ in range(8):
        controller.say()
        handset.run(1480)
        begun_ms = handset.now_ms
        handset.say("contacts 8", "run 600", "contacts 0", "run 100")
        kinds = [handset_pc.kind_of(frame) for _, frame in handset.sent(begun_ms)]
        first, last = kinds.index(0x23), len(kinds) - kinds[::-1].index(0x23)
        assert set(kinds[first:last]) == {0x23} and 0x25 in kinds[last:]


def test_at_the_counters_end_it_sends_no_more_until_it_is_paired_again() -> None:
    with handset_pc.remembering(with_counter(0xFFFFFFFF - 3)) as handset:
        controller = join(handset)
        controller.say()
        handset.run(100)
        handset.say("contacts 32", "run 10", "contacts 0")
        press = press_of(handset.sent()[-1][1])
        assert press.counter == 0xFFFFFFFF
        controller.say(ack_handset=1, ack_counter=0xFFFF, ack_result=Answer.HELD)
        sent = len(handset.sent())
        for _ in range(20):
            handset.run(990)
            controller.say()
        handset.tap("READY")
        handset.run(1500)
        handset.start()
        handset.run(5000)
        assert len(handset.sent()) == sent
        handset_pc.pair(handset, handset_key=bytes(range(16, 32)))
        handset.start()
        handset.run(50)
        assert handset_pc.hello_of(handset.sent()[-1][1], bytes(range(16, 32))).counter == 1


def test_the_counter_never_comes_twice_whenever_power_goes(handset: HandsetOnPC) -> None:
    for rest_ms in (1, 3, 40, 900, 5):
        controller = join(handset)
        for _ in range(20):
            controller.say()
            handset.say("contacts 1", "run 4", "contacts 0", f"run {31 + rest_ms}")
            press = press_of(handset.sent()[-1][1])
            controller.say(
                ack_handset=1, ack_counter=press.counter & 0xFFFF, ack_result=Answer.HELD
            )
        handset.start()
    bodies = [handset_pc.body_of(frame) for _, frame in handset.sent()]
    counters = [int.from_bytes(body[2:6]) for body in bodies]
    assert counters == sorted(counters) and len(set(counters)) >= 100
    tagged = dict.fromkeys(zip(counters, (body[0] for body in bodies), strict=True))
    assert len(tagged) == len(set(counters))  # no PRESS and HELLO with one counter


def test_holds_come_from_the_handset_with_the_age_of_their_end() -> None:
    for layout, key, hold_ms in (
        (12, "NUMBER_25", 800),
        (12, "NO_COUNT", 1000),
        (12, "BOARDS_OFF", 1000),
        (4, "NUMBER_25", 800),
        (4, "NUMBER_40", 800),
        (4, "UNDO", 1500),
    ):
        with serving(layout) as handset:
            controller = join(handset)
            controller.say()
            handset.run(100)
            handset.say(f"contacts {KEY_BITS[key]}", "run 5")
            edge_ms = handset.now_ms - 4
            press = press_of(handset.sent()[-1][1])
            controller.say(ack_handset=1, ack_counter=press.counter, ack_result=Answer.HELD)
            handset.run(700)
            controller.say()
            handset.run_to(edge_ms + hold_ms - 1)
            assert press_of(handset.sent()[-1][1]) == press
            handset.run(4)
            held = press_of(handset.sent()[-1][1])
            assert held.keys == KEY_BITS[key] | HELD_BIT and held.age_10ms == 0
            assert held.counter == press.counter + 1


@pytest.mark.usefixtures("controller")
def test_keys_bounce_and_other_keys_of_the_layout_never_hold(handset: HandsetOnPC) -> None:
    since_ms = handset.now_ms
    for level in (1, 0, 1, 1, 0, 0, 0, 1, *[1] * 50, 0, 1, 0, 0, 1, *[0] * 29, 1, *[0] * 40):
        handset.say(f"contacts {level}", "run 1")
    handset.run(700)  # a second press would wait for the first one's end
    counters = {press_of(frame).counter for _, frame in handset.sent(since_ms)}
    assert len(counters) == 1
    handset.say("contacts 1", "run 3500")  # DEAD BALL, held for ever
    pressed = [press_of(frame) for _, frame in handset.reports(since_ms)]
    assert {press.keys for press in pressed if press.counter not in counters} <= {0, 1}


@pytest.mark.parametrize("mode", ["READY", "NUMBER_40 and UNDO", "READY let go", "nothing"])
def test_modes_are_chosen_by_keys_held_from_power_on_alone(mode: str) -> None:
    with serving() as handset:
        contacts = {"nothing": 0, "NUMBER_40 and UNDO": handset_pc.PAIRING_KEYS}.get(mode, 2)
        handset.start(contacts=contacts)
        handset.run(1990)
        if mode == "READY let go":
            handset.say("contacts 0", "run 1", "contacts 2")
        handset.run(30)
        wanted = {"READY": handset_pc.WRIST, "NUMBER_40 and UNDO": handset_pc.PAIRING}
        assert handset.mode == wanted.get(mode, handset_pc.SERVICE)
        handset.start(contacts=contacts, by_power=False)  # the watchdog chooses nothing
        handset.run(2500)
        assert handset.mode == handset_pc.SERVICE


def test_a_wrist_timer_keeps_off_the_air_hears_nothing_and_shows_what_it_is() -> None:
    with serving() as handset:
        handset.start(contacts=KEY_BITS["READY"])
        handset.say("run 2100", "contacts 0", "run 100")
        since_ms = handset.now_ms
        Controller(handset).say(phase=2, remaining_10ms=3000, flags=StateFlag.BOARDS_OFF)
        handset.tap("DEAD_BALL")
        zero_ms = since_ms + 40_000
        handset.run_to(zero_ms + 5000)
        assert handset.sent(since_ms) == [] == handset.all_of("line", since_ms)
        assert handset.all_of("wrist", 1000)[-1][1] == "1"
        felt = [(kind, round((zero_ms - at) / 1000)) for at, kind in handset.cues(since_ms)]
        marks = [(10, 25), (11, 10), (12, 5), (12, 4), (12, 3), (12, 2), (12, 1), (13, 0)]
        assert felt == [(1, 40), *marks]
        assert not handset.linked
        handset.run(600_000)  # asleep: lamps off, and any key goes on where it was
        assert handset.ask("state")[0].split()[:2] == [str(handset_pc.WRIST), "1"]
        handset.tap("READY")
        assert handset.cues()[-1][1] == 1 and handset.all_of("wrist")[-1][1] == "1"


@pytest.mark.usefixtures("controller")
def test_ten_minutes_without_state_or_key_put_it_to_sleep_and_a_key_wakes_it_without_session(
    handset: HandsetOnPC,
) -> None:
    handset.run(601_000)
    assert handset.now.asleep
    assert handset.all_of("line")[-1][1] == "0" and handset.all_of("light")[-1][1] == "0"
    slept = len(handset.sent())
    handset.run(5000)
    assert len(handset.sent()) == slept
    handset.say("contacts 2", "run 60")
    assert not handset.now.asleep and handset.all_of("line")[-1][1] == "1"
    assert [handset_pc.kind_of(frame) for _, frame in handset.sent()[slept:]] == [0x25]
    controller = Controller(handset, bytes(8))
    controller.welcome()
    handset.run(30)
    press = press_of(handset.sent()[-1][1], bytes(8))
    assert press.keys == KEY_BITS["READY"] and 6 <= press.age_10ms <= 10
    controller.say(ack_handset=1, ack_counter=press.counter & 0xFFFF, ack_result=Answer.HELD)
    assert handset.cues()[-1][1] == 2


def test_a_handset_without_keys_says_so_and_sends_nothing() -> None:
    with HandsetOnPC() as handset:
        handset.start()
        handset.run(10)
        Controller(handset).say()
        handset.tap("READY")
        assert handset.mode == handset_pc.UNPAIRED
        assert handset.sent() == [] and [kind for _, kind in handset.cues()] == [NOT_HEARD]


# Pairing


def test_the_pages_vectors_of_the_pairing_link_are_answered_or_refused() -> None:
    with HandsetOnPC() as handset:
        start_pairing(handset)
        for vector in vectors("who"):
            handset.hear(vector.wire)
            handset.run(20)
            nonce = bytes.fromhex(vector.fields["nonce"])
            assert handset.sent()[-1][1] == framed(b"\x28" + nonce + bytes([12, 9, 0]) + bytes(16))
        answered = len(handset.sent())
        for reader in ("frame", "who", "keys", "state", "press", "hello", "welcome"):
            for refusal in refused(reader):
                handset.hear(refusal.wire)
                handset.run(20)
                assert len(handset.sent()) == answered, refusal
        for refusal in vectors("here", "state", "press", "hello", "welcome"):
            handset.hear(refusal.wire)
            handset.run(20)
        assert len(handset.sent()) == answered


@pytest.mark.parametrize("vector", vectors("here"), ids=str)
def test_who_is_answered_with_the_pages_here(vector: Vector) -> None:
    number = vector.number("number")
    with HandsetOnPC() as handset:
        if number:
            handset.say(f"memory {handset_pc.paired_memory(number).hex()}")
        start_pairing(handset, vector.number("layout"), vector.number("revision"))
        handset.hear(framed(b"\x27" + bytes.fromhex(vector.fields["nonce"])))
        assert handset.sent()[-1][1] == vector.wire


@pytest.mark.parametrize("vector", vectors("keys"), ids=str)
def test_keys_are_stored_and_proved(vector: Vector) -> None:
    with HandsetOnPC() as handset:
        start_pairing(handset, 4)
        handset.hear(vector.wire)
        handset.run(20)
        nonce = bytes.fromhex(vector.fields["nonce"])
        said = b"\x28" + nonce + bytes([4, REVISION, vector.number("number")])
        proofs = tag(HANDSET_KEY, said) + tag(BROADCAST_KEY, said)
        assert handset.sent()[-1][1] == framed(said + proofs)


def test_no_frame_from_the_air_pairs(handset: HandsetOnPC) -> None:
    join(handset)
    handset.run(50)
    before, sent = handset.ask("dump"), len(handset.sent())
    handset.hear(handset_pc.keys_frame(2, bytes(range(16, 32))))
    handset.hear(vectors("who")[0].wire)
    handset.run(100)
    assert len(handset.sent()) == sent and handset.ask("dump") == before


def test_pairing_ends_by_a_restart_60_s_after_the_last_good_order() -> None:
    with HandsetOnPC() as handset:
        handset_pc.pair(handset)
        paired_ms = handset.now_ms
        handset.say("contacts 0", "run 30000")
        handset.hear(refused("who")[0].wire)
        handset.run(40_000)
        ((restarted_ms, _),) = handset.all_of("restart")
        assert 59_900 <= restarted_ms - paired_ms <= 60_100
        assert handset.mode == handset_pc.SERVICE
