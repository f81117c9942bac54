"""The handset's image on a simulated chip: keys, frames, cues, memory and modes, cycle by cycle."""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import pairwise

import pytest

from drivers.base import Answer, PhaseCode
from drivers.handset.messages import StateFlag
from tests.firmware import building, figures, handset_pc
from tests.firmware.chip import SENT, Chip, symbols
from tests.firmware.handset_chip import (
    BYTE_CYCLES,
    HZ,
    KEY_PINS,
    LAMP,
    MARKS,
    MOTOR,
    RADIO_ON,
    WRIST_LAMP,
    HandsetOnChip,
    SentFrame,
    image,
)
from tests.firmware.handset_figures import PRESS_LIMIT_MS, edge_to_last_byte, join, linked, worst
from tests.firmware.handset_figures import ChipController as Controller
from tests.firmware.handset_pc import (
    BROADCAST_KEY,
    HANDSET_KEY,
    SESSION,
    body_of,
    keys_frame,
    kind_of,
    paired_memory,
    press_of,
)
from tests.shared.frames import (
    HELD_BIT,
    HELLO,
    KEY_BITS,
    PRESS,
    Press,
    framed,
    make_press,
    opened,
    tag,
)
from tests.shared.protocol_page import Vector, refused, vectors

pytestmark = [pytest.mark.needs_avr, pytest.mark.needs_gcc]

MV_20_HOURS = 3740
"""``tests/shared/frames.py`` makes every PRESS with 20 hours left."""
LIT = StateFlag.BOARDS_LIT
MS = HZ // 1000


@pytest.mark.full
def test_a_bouncing_key_is_one_press_as_the_independent_contract_makes_it() -> None:
    handset, controller = linked(mv=MV_20_HOURS)
    for counter, name in enumerate(KEY_PINS, 3):
        controller.say()
        begun = handset.tap(name, bounces=5, seed=counter)
        handset.run_ms(250)
        made = {frame.wire for frame in handset.frames if frame.first > begun}
        ages = [press_of(wire).age_10ms for wire in made]
        said = [Press(1, counter, KEY_BITS[name], age, controller.beat) for age in ages]
        assert made == {make_press(press, HANDSET_KEY, SESSION) for press in said}, name
        assert 0 in ages


def test_a_press_has_left_15_ms_after_the_first_edge() -> None:
    took = edge_to_last_byte(15)
    assert max(took) <= PRESS_LIMIT_MS, took


@pytest.fixture(scope="module")
def bench() -> Iterator[Chip]:
    """The handset's messages behind a line: ``handset_vectors.c``."""
    sources = [building.HERE / "handset_vectors.c", handset_pc.FOLDER / "messages.c"]
    sources += [building.FIRMWARE / "common" / name for name in ("frame.c", "blake2s.c")]
    flags = ["-mmcu=atmega328p", "-DF_CPU=8000000UL", "-std=c11", "-Os", *handset_pc.INCLUDES]
    elf = building.program("handset-vectors.elf", sources, flags, compiler="avr-gcc")
    chip = Chip(elf, hz=HZ, supply_mv=3300)
    chip.run_ms(1)
    yield chip


def ask(chip: Chip, said: bytes) -> bytes:
    chip.events()
    chip.run(chip.send(said))
    chip.run_ms(30)
    return bytes(event.value for event in chip.events() if event.what == SENT)


def test_every_state_of_the_page_is_read_on_the_chip(bench: Chip) -> None:
    for vector in vectors("state"):
        told = ask(bench, state_said(vector))
        assert told == b"\1" + vector_body(vector)[:16], vector


def state_said(vector: Vector) -> bytes:
    session = bytes.fromhex(vector.given.get("session", SESSION.hex()))
    return b"S" + session + bytes([len(vector.wire)]) + vector.wire


@pytest.mark.parametrize("reader", ["frame", "state", "press", "hello", "welcome"])
def test_every_refused_frame_of_the_page_is_refused_on_the_chip(bench: Chip, reader: str) -> None:
    for vector in refused(reader):
        assert ask(bench, state_said(vector)) == b"\0", vector
        if (reader, vector.fields["reason"]) != ("welcome", "handset"):  # not its own
            assert ask(bench, b"W" + bytes([len(vector.wire)]) + vector.wire) == b"\0", vector


def vector_body(vector: Vector) -> bytes:
    return opened(vector.content)


def test_every_welcome_of_the_page_is_read_on_the_chip(bench: Chip) -> None:
    for vector in vectors("welcome"):
        told = ask(bench, b"W" + bytes([len(vector.wire)]) + vector.wire)
        assert told == b"\1" + vector_body(vector)[:18], vector


def test_every_press_and_hello_of_the_page_is_made_on_the_chip(bench: Chip) -> None:
    for vector in vectors("press"):
        session = vector.given_bytes("session")
        assert ask(bench, b"P" + session + vector_body(vector)[:15]) == vector.wire, vector
    for vector in vectors("hello"):
        assert ask(bench, b"H" + vector_body(vector)[:8]) == vector.wire, vector


@pytest.mark.full
def test_an_unanswered_press_goes_out_at_most_six_times_in_300_ms() -> None:
    handset, _ = linked()
    begun = handset.tap("STOP")
    handset.run_ms(1000)
    frames = [frame for frame in handset.frames if frame.first > begun]
    gaps = [(after.first - before.first) / MS for before, after in pairwise(frames)]
    assert len(frames) == 6 and all(24.5 <= gap <= 46.5 for gap in gaps), gaps
    assert len({press_of(frame.wire).counter for frame in frames}) == 1
    assert handset.felt(since=begun)[0][1] == [600]


@pytest.mark.full
def test_nothing_leaves_while_a_frame_is_being_heard() -> None:
    handset, controller = linked()
    wire = controller.wire()
    begun = handset.chip.cycle
    end = handset.chip.send(wire)
    handset.run_ms(2)
    handset.key("SNAP", 0)
    handset.run(end)
    assert not handset.frames
    handset.run_ms(20)
    frame = handset.frames[0]
    assert frame.first > end > begun
    assert press_of(frame.wire).beat == controller.beat  # it was heard before the press left


@pytest.mark.full
@pytest.mark.parametrize(
    ("layout", "name", "hold_ms"),
    [
        ("twelve", "NUMBER_25", 800),
        ("twelve", "NO_COUNT", 1000),
        ("four", "NUMBER_25", 800),
        ("four", "NUMBER_40", 800),
        ("four", "UNDO", 1500),
    ],
)
def test_a_hold_is_a_second_report(layout: str, name: str, hold_ms: int) -> None:
    handset, controller = linked(layout)
    begun = handset.key(name, 0, bounces=4)
    handset.run_ms(20)
    first = press_of(handset.frames[-1].wire)
    controller.say(ack_handset=1, ack_counter=first.counter, ack_result=Answer.HELD)
    handset.frames.clear()
    handset.run(begun + (hold_ms - 2) * MS)
    assert not handset.frames
    handset.run_ms(20)
    held = handset.frames[0]
    assert press_of(held.wire).keys == KEY_BITS[name] | HELD_BIT
    assert press_of(held.wire).counter == first.counter + 1
    assert (held.first - begun) / MS - hold_ms < 9


def count_of_40(handset: HandsetOnChip, controller: Controller) -> int:
    """Let a count of 40 run under a STATE a second that comes as it may; gives zero's cycle."""
    chance = random.Random(40)
    running = {"phase": PhaseCode.RUNNING, "flags": LIT, "mark": 25}
    zero = controller.say(remaining_10ms=4000, **running) + 40_000 * MS - round(8.07 * MS)
    while handset.chip.cycle < zero - 1200 * MS:
        handset.run_ms(chance.uniform(600, 1000))
        left_ms = (zero - handset.chip.cycle) / MS
        if chance.random() < 0.8:  # some are lost
            controller.say(remaining_10ms=-(-int(left_ms) // 10), **running)
    handset.run(zero + 1000 * MS)
    return zero


@pytest.mark.full
def test_the_cues_of_a_count_of_40_are_in_time_on_motor_and_lamp() -> None:
    handset, controller = linked()
    begun = handset.chip.cycle
    zero = count_of_40(handset, controller)
    felt = handset.felt(since=begun)
    assert [lengths for _, lengths in felt] == [lengths for _, lengths in MARKS]
    late = [(at - zero) / MS + 1000 * s for (at, _), (s, _) in zip(felt, MARKS, strict=True)]
    assert max(map(abs, late)) <= 100, late
    seen = handset.felt(LAMP, begun)
    assert [lengths for _, lengths in seen] == [lengths for _, lengths in felt]


@pytest.mark.full
@pytest.mark.parametrize("result", [each for each in Answer if each is not Answer.NONE])
def test_each_result_has_its_cue_and_a_duplicate_none(result: Answer) -> None:
    patterns = {
        Answer.RUNNING: [120],
        Answer.HELD: [120, 120, 120],
        Answer.NO_CHANGE: [50],
        Answer.REFUSED: [600],
        Answer.ASSUMED: [120, 120, 600],
        Answer.NOT_HEARD: [600],
    }
    handset, controller = linked()
    begun = handset.key("READY", 0)
    handset.run_ms(20)
    counter = press_of(handset.frames[-1].wire).counter
    answered = controller.say(ack_handset=1, ack_counter=counter, ack_result=result)
    controller.say(ack_handset=1, ack_counter=counter, ack_result=result)
    handset.run_ms(1200)
    ((felt_at, lengths),) = handset.felt(since=begun)
    assert lengths == patterns[result]
    assert (felt_at - answered) / MS < 10
    assert len({frame.wire for frame in handset.frames}) == 1


@pytest.mark.full
def test_the_lamp_says_link_lost_3_s_after_the_last_good_state() -> None:
    handset, controller = linked()
    said = controller.say()
    forged = bytearray(controller.wire())
    forged[-4] ^= 1
    handset.run_ms(1500)
    handset.hear(bytes(forged))
    handset.run_ms(3000)
    lost, level = next(edge for edge in handset.edges[LAMP] if edge[0] > said + 50 * MS)
    assert level == 1 and 2900 < (lost - said) / MS < 3500
    controller.say()
    handset.run_ms(20)
    dark = handset.edges[LAMP][-1]
    handset.run_ms(2000)
    assert dark[1] == 0 and handset.edges[LAMP][-1] == dark


@pytest.mark.full
def test_a_state_of_another_session_or_too_far_ahead_does_not_feed_the_link() -> None:
    handset, controller = linked()
    for session, beat in ((bytes(8), 2), (SESSION, 1), (SESSION, 300)):
        Controller(handset, session, beat - 1).say()
    handset.run_ms(3100)
    assert handset.edges[LAMP][-1][0] > 2 * MS  # link lost
    welcomed = len(handset.frames)
    join(handset, bytes(8), 6).say()
    handset.run_ms(100)
    assert press_of(handset.frames[-1].wire, bytes(8)).beat in (7, 8)
    assert len(handset.frames) > welcomed and controller.beat == 1


@pytest.mark.full
def test_the_counter_outlasts_power_off_and_the_session_does_not() -> None:
    handset, controller = linked()
    controller.say()
    handset.tap("FLAG")
    last = press_of(handset.frames[-1].wire).counter
    again = HandsetOnChip(handset.chip.eeprom(0, 512))
    again.run_ms(300)
    Controller(again, beat=controller.beat).say()
    again.tap("FLAG")
    assert {kind_of(frame.wire) for frame in again.frames} == {HELLO}
    join(again, bytes(8))
    again.run_ms(200)
    report = next(frame for frame in again.frames if kind_of(frame.wire) == PRESS)
    assert last < press_of(report.wire, bytes(8)).counter <= last + 2 * 64


@pytest.mark.full
def test_power_gone_in_the_midst_of_a_write_never_brings_a_counter_back() -> None:
    """The memory is taken at many instants; in simavr a byte is written at once, so none is torn
    here: that is done on the PC."""

    def highest(frames: list[SentFrame]) -> int:
        return max(int.from_bytes(body_of(frame.wire)[2:6]) for frame in frames)

    handset = HandsetOnChip(paired_memory())
    controller = join(handset)
    taken = []
    for step in range(60):
        handset.run_ms(3.7)
        if step % 12 == 0:
            controller.say()
            handset.tap("STOP")
        taken.append((handset.chip.eeprom(0, 512), highest(handset.frames)))
    for memory, used in taken[::4]:
        again = HandsetOnChip(memory)
        again.run_ms(200)
        assert int.from_bytes(body_of(again.frames[0].wire)[2:6]) > used


@pytest.mark.full
def test_pairing_by_cable_and_what_it_proves() -> None:
    handset = HandsetOnChip(b"\xff" * 512, "four", down=("NUMBER_40", "UNDO"))
    handset.run_ms(2100)
    assert handset.edges[WRIST_LAMP][-1][0] > 0
    for vector in (vectors("who")[1], *vectors("keys")):
        said = handset.hear(vector.wire)
        handset.run_ms(990)
        here = handset.frames[-1]
        assert here.first > said
        paired = vector.what == "keys"
        assert (here.first - said) / MS < (1000 if paired else 100)
        nonce = bytes.fromhex(vector.fields["nonce"])
        number = vector.number("number") if paired else 0
        head = b"\x28" + nonce + bytes([4, here.body[10], number])
        proofs = tag(HANDSET_KEY, head) + tag(BROADCAST_KEY, head) if paired else bytes(16)
        assert here.wire == framed(head + proofs)
    report = (image("four").with_name("handset-four.txt")).read_text()
    assert f"revision {here.body[10]:02x}" in report
    again = HandsetOnChip(handset.chip.eeprom(0, 512), "four")
    join(again)
    again.run_ms(100)
    assert press_of(again.frames[-1].wire).handset == 254


@pytest.mark.full
def test_pairing_mode_ends_by_a_reset_into_service_with_the_keys_still_held() -> None:
    handset = HandsetOnChip(paired_memory(), down=("NUMBER_40", "UNDO"))
    handset.run_ms(2100)
    handset.hear(keys_frame(2))
    handset.run_ms(500)
    handset.frames.clear()
    handset.run_ms(59_000)
    assert handset.resets == [0]
    handset.run_ms(2500)
    assert len(handset.resets) == 2
    join(handset)
    handset.run_ms(100)
    assert press_of(handset.frames[-1].wire).handset == 2


@pytest.mark.full
def test_a_wrist_timer_counts_with_the_same_cues_and_is_silent_on_the_air() -> None:
    handset = HandsetOnChip(paired_memory(), "four", down=("READY",))
    handset.run_ms(2600)
    assert handset.edges[WRIST_LAMP][-1][1] == 1 and handset.felt()[0][1] == [120, 120, 120]
    handset.key("READY", 1)
    handset.run_ms(100)
    handset.tap("NUMBER_25")
    begun = handset.tap("NUMBER_25")
    Controller(handset).say(phase=PhaseCode.EXPIRED)
    handset.run(begun + 25_900 * MS)
    felt = handset.felt(since=begun)[-8:]  # before it: what is left of the first tap's
    assert [lengths for _, lengths in felt] == [[120], *(lengths for _, lengths in MARKS[1:])]
    late = [(at - begun) / MS - 25_000 + 1000 * s for (at, _), (s, _) in zip(
        felt[1:], MARKS[1:], strict=True)]  # fmt: skip
    assert max(map(abs, late)) <= 10, late
    assert not handset.frames and handset.edges[WRIST_LAMP][-1][1] == 1


@pytest.mark.full
def test_a_program_that_hangs_is_reset_by_the_watchdog_and_lets_go_of_all() -> None:
    handset, _ = linked()
    handset.key("READY", 0)
    handset.run_ms(1000)  # not heard: the motor and the lamp are on
    stuck, _ = symbols(image())["handset_tick"]
    handset.chip.write_flash(stuck, b"\xff\xcf")  # rjmp to itself
    hung = handset.chip.cycle
    handset.run_ms(1300)
    assert 0.9 < (handset.resets[1] - hung) / HZ < 1.2
    for pin in (MOTOR, LAMP, WRIST_LAMP):
        assert handset.edges[pin][-1][1] == 0


@pytest.mark.full
def test_twelve_edges_in_one_tick_lose_the_newest_and_never_make_a_key_up() -> None:
    handset, controller = linked()
    for name in KEY_PINS:
        handset.key(name, 0)
    handset.run_ms(60)
    for name in KEY_PINS:
        handset.key(name, 1)
    for _ in range(3):
        handset.run_ms(500)
        controller.say()
    sent = dict.fromkeys(press_of(frame.wire).keys for frame in handset.frames)
    assert list(sent) == [1, 2, 4, 8]


@pytest.mark.full
def test_keys_that_are_still_charging_at_power_on_are_not_down_and_one_that_is_down_counts() -> (
    None
):
    """As capacitors hold the pins low for 0.46 ms (10 nF, 50 kohm, 0.6 of the supply)."""
    handset = HandsetOnChip(paired_memory(), down=tuple(KEY_PINS))
    handset.run_ms(0.46)
    for name in set(KEY_PINS) - {"READY"}:
        handset.key(name, 1)
    handset.run_ms(2600)
    assert handset.edges[WRIST_LAMP][-1][1] == 1 and not handset.frames  # a wrist timer
    pressed = handset.tap("DEAD_BALL")
    assert handset.felt(since=pressed)


@pytest.mark.full
def test_a_handset_that_sleeps_is_dark_and_any_key_wakes_it() -> None:
    """simavr's timers go on in power-down, so this shows what is switched and that a pin wakes it,
    not that the clocks stand still."""
    soon = building.image("handset", "EXTRA=-DHANDSET_SLEEP_MS=2000").with_name(
        "handset-twelve.elf"
    )
    handset = HandsetOnChip(paired_memory(), elf=soon)
    for name in KEY_PINS:
        handset.run_ms(3000)
        assert [handset.edges[pin][-1][1] for pin in (RADIO_ON, LAMP, MOTOR)] == [0, 0, 0]
        begun = handset.tap(name, bounces=3)
        assert handset.edges[RADIO_ON][-1][1] == 1
        hello = handset.frames[-1]
        assert kind_of(hello.wire) == HELLO and 0 < (hello.first - begun) / MS < 60
        handset.run_ms(1700)
        ((felt_at, lengths),) = handset.felt(since=begun)
        assert lengths == [600] and 1000 < (felt_at - begun) / MS < 1030  # nobody answered
    assert len(handset.resets) == 1


@pytest.mark.full
def test_an_image_is_the_same_bytes_wherever_it_is_built() -> None:
    here = image("twelve")
    other = building.image("handset", "PROGRAMMER=another").with_name("handset-twelve.elf")
    assert other.parent != here.parent
    for suffix in ("bin", "hex", "txt"):
        name = f"handset-twelve.{suffix}"
        assert here.with_name(name).read_bytes() == other.with_name(name).read_bytes()


@pytest.mark.full
@pytest.mark.parametrize("layout", ["twelve", "four"])
def test_flash_and_stack_have_room(layout: str) -> None:
    flash, ram = figures.sizes(image(layout))
    stack, path = figures.stack_summed(image(layout))
    assert flash <= 0.65 * figures.FLASH
    assert ram + stack <= 0.95 * figures.RAM, (ram, stack, path)


@pytest.mark.full
def test_what_was_seen_of_the_stack_is_within_its_sum_and_no_byte_was_overrun() -> None:
    seen = worst(40)
    summed, _ = figures.stack_summed(image())
    assert 100 < seen.stack <= summed
    assert seen.interrupts_off < 2 * BYTE_CYCLES and seen.unread <= 2
