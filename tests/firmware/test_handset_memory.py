"""Power gone at every write of the lasting memory, the byte torn: nothing is lost by halves."""

from __future__ import annotations

import random

import pytest

from drivers.framing import Deframer
from tests.firmware import handset_pc
from tests.firmware.handset_pc import Controller, HandsetOnPC, press_of, remembering

pytestmark = [pytest.mark.full, pytest.mark.needs_gcc]

OTHER_KEY = bytes(range(16, 32))
TORN = (0x00, 0xFF, 0xA5, 0x5A)


def counter_and_session(handset: HandsetOnPC) -> tuple[int, int]:
    mode, _, used, session, _ = map(int, handset.ask("state")[0].split())
    assert mode == handset_pc.SERVICE
    return used, session


def one_press(handset: HandsetOnPC, session: int, beat: int) -> list[int]:
    """STATE is heard, a key pressed: the counters that come of it."""
    begun = len(handset.sent())
    Controller(handset, session, beat).say()
    handset.say("run 1100", "contacts 1", "run 50", "contacts 0", "run 50")
    return [press_of(frame, session).counter for _, frame in handset.sent()[begun:]]


@pytest.mark.parametrize("torn", TORN)
def test_power_gone_while_counter_or_session_are_kept(torn: int) -> None:
    for write in range(1, 30):
        with remembering() as handset:
            handset.say(f"cut {write} {torn}", "run 3")
            before = one_press(handset, 5, 0)
            gone = bool(handset.all_of("gone"))
            handset.start()
            used, session = counter_and_session(handset)
            assert used >= max(before, default=0)
            assert session in ((0, 5) if gone else (5,))
            handset.run(50)
            assert min(one_press(handset, 5, 0)) > max(before, default=0)
    assert not gone and before


def test_a_counter_is_above_every_one_sent_before_power_went() -> None:
    chance = random.Random(3)
    with remembering() as handset:
        highest = 0
        for life in range(150):
            handset.start()
            begun = len(handset.sent())
            session = counter_and_session(handset)[1] + chance.randrange(2)
            handset.say(f"cut {chance.randrange(1, 40)} {chance.randrange(256)}", "run 3")
            for _ in range(chance.randrange(1, 30)):
                Controller(handset, session, chance.randrange(65536)).say()
                handset.say("contacts 1", "run 45", "contacts 0", "run 45")
            counters = {press_of(frame, session).counter for _, frame in handset.sent()[begun:]}
            assert not counters or min(counters) > highest, life
            highest = max([highest, *counters])
        assert highest > 1000


@pytest.mark.parametrize("torn", TORN)
def test_power_gone_while_pairing_leaves_the_old_pairing_or_the_new_one_whole(torn: int) -> None:
    seen = set()
    for write in range(1, 120):
        with remembering() as handset:
            handset.run(20)
            Controller(handset, 77).say()
            handset.run(20)
            used, _ = counter_and_session(handset)
            handset_pc.start_pairing(handset)
            handset.say(f"cut {write} {torn}")
            handset.hear(handset_pc.keys_frame(2, OTHER_KEY))
            gone = bool(handset.all_of("gone"))
            handset.start()
            now_used, session = counter_and_session(handset)
            handset.run(20)
            heard = max(session, 78)
            Controller(handset, heard).say()
            handset.say("contacts 1", "run 5", "contacts 0")
            frame = handset.sent()[-1][1]
            (body,) = Deframer().feed(frame)
            new = body[1] == 2
            press_of(frame, heard, OTHER_KEY if new else handset_pc.UP_KEY)
            if new:
                assert (now_used, session) == (0, 0)
            else:
                assert now_used >= used and session == 77
            seen.add((gone, new))
            if not gone:
                break
    assert not gone and new
    assert seen >= {(True, False), (False, True)}


def test_the_keys_in_force_again_leave_the_counter_alone() -> None:
    with remembering() as handset:
        handset.run(50)
        before = handset.ask("dump")
        handset_pc.pair(handset)
        assert handset.ask("dump") == before
        assert len(handset.sent()) == 1


def test_a_memory_whose_counter_is_lost_counts_as_unpaired() -> None:
    memory = bytearray(handset_pc.paired_memory())
    half = memory.index(handset_pc.UP_KEY) - 3
    for copy in (48, 64):
        memory[half + copy + 3] ^= 1
    with remembering(bytes(memory)) as handset:
        handset.run(10)
        assert handset.mode == handset_pc.UNPAIRED
