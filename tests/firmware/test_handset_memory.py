"""Power gone at every write of the lasting memory, the byte torn: nothing is lost by halves."""

from __future__ import annotations

import random

import pytest

from tests.firmware import handset_pc
from tests.firmware.handset_pc import Controller, HandsetOnPC, body_of, join, remembering

pytestmark = [pytest.mark.full, pytest.mark.needs_gcc]

OTHER_KEY = bytes(range(16, 32))
TORN = (0x00, 0xFF, 0xA5, 0x5A)


def counters_of(handset: HandsetOnPC, begun: int = 0) -> list[int]:
    """The counters of what was sent, HELLO and PRESS, from the frame ``begun`` on."""
    bodies = [body_of(frame) for _, frame in handset.sent()[begun:]]
    return [int.from_bytes(body[2:6], "big") for body in bodies]


def one_life(handset: HandsetOnPC) -> list[int]:
    """It is welcomed, a key pressed: the counters that come of it."""
    begun = len(handset.sent())
    handset.run(60)
    if len(handset.sent()) > begun:
        Controller(handset).welcome()
    handset.say("contacts 1", "run 50", "contacts 0", "run 50")
    return counters_of(handset, begun)


@pytest.mark.parametrize("torn", TORN)
def test_power_gone_while_the_counter_is_kept(torn: int) -> None:
    for write in range(1, 15):
        with remembering() as handset:
            handset.say(f"cut {write} {torn}")
            before = one_life(handset)
            gone = bool(handset.all_of("gone"))
            handset.start()
            assert handset.now.counter >= max(before, default=0)
            assert min(one_life(handset)) > max(before, default=0)
    assert not gone and before


def test_a_counter_is_above_every_one_sent_before_power_went() -> None:
    chance = random.Random(3)
    with remembering() as handset:
        highest = 0
        for life in range(150):
            handset.start()
            begun = len(handset.sent())
            handset.say(f"cut {chance.randrange(1, 40)} {chance.randrange(256)}", "run 15")
            if len(handset.sent()) > begun:
                controller = Controller(handset)
                controller.welcome()
                for _ in range(chance.randrange(1, 30)):
                    controller.say()
                    handset.say("contacts 1", "run 45", "contacts 0", "run 45")
            counters = set(counters_of(handset, begun))
            assert not counters or min(counters) > highest, life
            highest = max([highest, *counters])
        assert highest > 1000


@pytest.mark.parametrize("torn", TORN)
def test_power_gone_while_pairing_leaves_the_old_pairing_or_the_new_one_whole(torn: int) -> None:
    seen = set()
    for write in range(1, 120):
        with remembering() as handset:
            join(handset)
            used = handset.now.counter
            handset_pc.start_pairing(handset)
            handset.say(f"cut {write} {torn}")
            handset.hear(handset_pc.keys_frame(2, OTHER_KEY))
            gone = bool(handset.all_of("gone"))
            handset.start()
            counter = handset.now.counter
            handset.run(20)
            hello = handset.sent()[-1][1]
            new = body_of(hello)[1] == 2
            handset_pc.hello_of(hello, OTHER_KEY if new else handset_pc.HANDSET_KEY)
            assert counter == 0 if new else counter >= used
            seen.add((gone, new))
            if not gone:
                break
    assert not gone and new
    assert seen >= {(True, False), (False, True)}


def test_the_keys_in_force_again_leave_the_counter_alone() -> None:
    with remembering() as handset:
        join(handset)
        handset.run(50)
        before, sent = handset.ask("dump"), len(handset.sent())
        handset_pc.pair(handset)
        assert handset.ask("dump") == before
        assert len(handset.sent()) == sent + 1


def test_a_memory_whose_counter_is_lost_counts_as_unpaired() -> None:
    memory = bytearray(handset_pc.paired_memory())
    half = memory.index(handset_pc.HANDSET_KEY) - 3
    for copy in (48, 64):
        memory[half + copy + 3] ^= 1
    with remembering(bytes(memory)) as handset:
        handset.run(10)
        assert handset.mode == handset_pc.UNPAIRED
