from __future__ import annotations

from dataclasses import replace

import pytest

from drivers import framing
from drivers.base import PortError
from drivers.framing import Deframer
from drivers.handset.pairing_messages import KEYS, Paired, decode_here, encode_keys, encode_who
from drivers.handset.simulated_pairing import CableEnd, Cut, PairableHandset
from drivers.port.memory_port import memory_pair
from tests.drivers.port.listeners import Ear
from tests.shared.virtual_time import VirtualClock, sleep_until, virtual

OLD = Paired(7, bytes(range(16)), bytes(range(16, 32)))
NEW = Paired(1, bytes(range(32, 48)), bytes(range(48, 64)))
NONCE = b"12345678"


def test_a_handset_answers_pairing_frames_and_nothing_else() -> None:
    handset = PairableHandset(paired=OLD)
    for kind, length in ((0x21, 8), (0x23, 22), (0x24, 23), (0x26, 25), (0x28, 27)):
        assert handset.receive(framing.encode(bytes([kind]) + bytes(length))) == b""
    both_equal = bytes([KEYS]) + bytes(8) + b"\x01" + OLD.handset_key * 2
    assert handset.receive(framing.encode(both_equal)) == b""
    assert handset.paired is OLD
    for frame in (encode_who(NONCE), encode_keys(NONCE, OLD)):
        [body] = Deframer().feed(handset.receive(frame))
        assert decode_here(body) == handset.here(NONCE)
    assert handset.written == 0


def test_new_keys_are_written_and_the_counter_begins_again() -> None:
    handset = PairableHandset(paired=OLD)
    handset.counter = 900
    assert handset.receive(encode_keys(NONCE, NEW)) == handset.receive(encode_keys(NONCE, NEW))
    assert (handset.paired, handset.written, handset.counter) == (NEW, 1, 0)


@pytest.mark.parametrize("cut", [Cut.BEFORE_KEYS, Cut.BEFORE_STORED, Cut.BEFORE_HERE])
def test_cut_off_it_is_silent_from_then_on(cut: Cut) -> None:
    handset = PairableHandset(paired=OLD, cut=cut)
    assert handset.receive(encode_who(NONCE)) != b""
    assert handset.receive(encode_keys(NONCE, NEW)) == b""
    assert handset.paired == (NEW if cut is Cut.BEFORE_HERE else OLD)
    assert handset.receive(encode_who(NONCE)) == b""


def test_lost_frames_and_wrong_bits_are_as_many_as_were_asked_for() -> None:
    handset = PairableHandset(paired=OLD)
    handset.lose_heard, handset.lose_sent, handset.bad_bits = 1, 1, 1
    assert handset.receive(encode_keys(NONCE, NEW)) == b""
    assert handset.written == 0, "not heard"
    assert handset.receive(encode_keys(NONCE, NEW)) == b""
    assert handset.paired not in (OLD, NEW), "stored wrong, and the answer is lost"
    assert handset.receive(encode_keys(NONCE, NEW)) != b""
    assert (handset.paired, handset.written) == (NEW, 2)


def test_a_proof_with_one_key_only_is_no_proof() -> None:
    half = replace(NEW, broadcast_key=OLD.broadcast_key)
    handset = PairableHandset(paired=half)
    assert not handset.here(NONCE).proves(NEW)
    assert handset.here(NONCE).proves(half)


@virtual
async def test_behind_a_port_it_answers_until_the_cable_is_out(clock: VirtualClock) -> None:
    port, far = memory_pair(clock)
    near = Ear()
    port.open(near)
    end = CableEnd(far, PairableHandset(paired=OLD))
    end.open()
    port.write(encode_who(NONCE))
    await sleep_until(clock, clock() + 100_000_000)
    [body] = Deframer().feed(b"".join(data for data, _ in near.heard))
    assert decode_here(body).proves(OLD)
    end.port_lost(PortError("nobody is told"))
    end.close()
