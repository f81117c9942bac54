"""Reports, sessions, keys and modes of the firmware's logic on this computer, with sanitizers."""

from __future__ import annotations

import itertools

import pytest

from drivers.base import Answer
from drivers.handset.messages import StateFlag
from tests.firmware import handset_pc
from tests.firmware.handset_pc import Controller, HandsetOnPC, press_of, serving, start_pairing
from tests.shared.frames import HELD_BIT, KEY_BITS, framed, tag
from tests.shared.protocol_page import Vector, refused, vectors

pytestmark = pytest.mark.needs_gcc

NOT_HEARD = 6


@pytest.fixture
def controller(handset: HandsetOnPC) -> Controller:
    controller = Controller(handset)
    controller.say()
    handset.run(1100)  # the first presence is out
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
        handset.say("contacts 2", "run 1")
        edge_ms = handset.now_ms
        handset.run(999)
        controller.say()
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
    handset.run(2500)
    sent = dict.fromkeys(press_of(frame).keys for _, frame in handset.sent(edge_ms))
    assert [key for key in sent if key] == [1, 2, 8, 16]  # the fifth would begin at 1.2 s
    assert [kind for _, kind in handset.cues(edge_ms)].count(NOT_HEARD) == 5
    assert controller.beat


def test_no_state_since_power_on_is_not_heard_at_once(handset: HandsetOnPC) -> None:
    handset.say("contacts 1", "run 5")
    assert [kind for _, kind in handset.cues()] == [NOT_HEARD]
    handset.run(1000)
    assert handset.sent() == []


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


def test_presence_comes_every_10_s_while_linked_and_never_else(
    handset: HandsetOnPC, controller: Controller
) -> None:
    for _ in range(35):
        handset.run(993)
        controller.say()
    presences = [(at, press_of(frame)) for at, frame in handset.sent()]
    assert all(press.keys == 0 == press.age_10ms for _, press in presences)
    times = [at for at, _ in presences]
    assert len(times) == 4 and 50 <= times[0] - 1000 <= 1010
    assert all(abs(b - a - 10_000) <= 10 for a, b in itertools.pairwise(times))
    handset.run(30_000)
    assert len(handset.sent()) == 4


def test_sessions_and_beats(handset: HandsetOnPC, controller: Controller) -> None:
    def heard(session: int, beat: int) -> bool:
        handset.run(4000)
        other = Controller(handset, session, (beat - 1) & 0xFFFF)
        other.say()
        return handset.linked

    assert not heard(0x29, 500)
    assert not heard(0x2A, controller.beat)
    assert heard(0x2A, controller.beat + 1)
    assert not heard(0x2A, controller.beat + 0x8001)  # half the range ahead is not newer
    assert heard(0x2A, controller.beat + 0x8000)
    assert not heard(0x2A, controller.beat + 1)
    assert heard(0x2A, (controller.beat + 0x8001) & 0xFFFF)
    assert heard(0x2B, 7)
    assert not heard(0x2A, 60_000)
    handset.start()  # the session is kept through power-off, the beat is not
    assert not heard(0x2A, 8)
    assert heard(0x2B, 3)


def test_the_counter_never_comes_twice_whenever_power_goes(
    handset: HandsetOnPC, controller: Controller
) -> None:
    counters: list[int] = []
    for rest_ms in (1, 3, 40, 900, 5):
        handset.run(1000)
        controller.say()
        for _ in range(20):
            handset.say("contacts 1", "run 4", "contacts 0", f"run {31 + rest_ms}")
            frame = handset.sent()[-1][1]
            press = press_of(frame)
            controller.say(
                ack_handset=1, ack_counter=press.counter & 0xFFFF, ack_result=Answer.HELD
            )
        handset.start()
    frames = [press_of(frame) for _, frame in handset.sent()]
    for press in frames:
        if not counters or press.counter != counters[-1]:
            counters.append(press.counter)
    assert counters == sorted(set(counters)) and len(counters) >= 100


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
            controller = Controller(handset)
            controller.say()
            handset.run(1100)
            handset.say(f"contacts {KEY_BITS[key]}", "run 5")
            edge_ms = handset.now_ms - 4
            press = press_of(handset.sent()[-1][1])
            controller.say(ack_handset=1, ack_counter=press.counter, ack_result=Answer.HELD)
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
    pressed = [press_of(frame) for _, frame in handset.sent(since_ms)]
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
        assert handset.sent() == [] and handset.all_of("line", since_ms) == []
        assert handset.all_of("wrist", 1000)[-1][1] == "1"
        felt = [(kind, round((zero_ms - at) / 1000)) for at, kind in handset.cues(since_ms)]
        marks = [(7, 25), (8, 10), (9, 5), (9, 4), (9, 3), (9, 2), (9, 1), (10, 0)]
        assert felt == [(1, 40), *marks]
        assert not handset.linked
        handset.run(600_000)  # asleep: lamps off, and any key goes on where it was
        assert handset.ask("state")[0].split()[:2] == [str(handset_pc.WRIST), "1"]
        handset.tap("READY")
        assert handset.cues()[-1][1] == 1 and handset.all_of("wrist")[-1][1] == "1"


def test_ten_minutes_without_state_or_key_put_it_to_sleep_and_a_key_wakes_it(
    handset: HandsetOnPC, controller: Controller
) -> None:
    handset.run(601_000)
    assert handset.ask("state")[0].split()[1] == "1"
    assert handset.all_of("line")[-1][1] == "0" and handset.all_of("light")[-1][1] == "0"
    handset.tap("READY")
    assert handset.ask("state")[0].split()[1] == "0"
    assert handset.cues()[-1][1] == NOT_HEARD and handset.all_of("line")[-1][1] == "1"
    Controller(handset, beat=controller.beat - 1).say()  # as after power-on, any beat is news
    assert handset.linked


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
            assert handset.sent()[-1][1] == framed(b"\x32" + nonce + bytes([12, 9, 0]) + bytes(16))
        answered = len(handset.sent())
        for reader in ("frame", "who", "keys", "state", "press"):
            for refusal in refused(reader):
                handset.hear(refusal.wire)
                handset.run(20)
                assert len(handset.sent()) == answered, refusal
        for refusal in vectors("here", "state", "press"):
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
        handset.hear(framed(b"\x31" + bytes.fromhex(vector.fields["nonce"])))
        assert handset.sent()[-1][1] == vector.wire


HERE_REVISION = 9
"""What ``pc_handset.c`` starts the handset with."""


@pytest.mark.parametrize("vector", vectors("keys"), ids=str)
def test_keys_are_stored_and_proved(vector: Vector) -> None:
    with HandsetOnPC() as handset:
        start_pairing(handset, 4)
        handset.hear(vector.wire)
        handset.run(20)
        nonce = bytes.fromhex(vector.fields["nonce"])
        said = b"\x32" + nonce + bytes([4, HERE_REVISION, vector.number("number")])
        proofs = tag(handset_pc.UP_KEY, said) + tag(handset_pc.DOWN_KEY, said)
        assert handset.sent()[-1][1] == framed(said + proofs)


def test_no_frame_from_the_air_pairs(handset: HandsetOnPC) -> None:
    before = handset.ask("dump")
    handset.hear(handset_pc.keys_frame(2, bytes(range(16, 32))))
    handset.hear(vectors("who")[0].wire)
    handset.run(100)
    assert handset.sent() == [] and handset.ask("dump") == before


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
