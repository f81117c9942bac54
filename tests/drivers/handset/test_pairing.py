"""The exchange on a cable: what is pulled out, broken or wrong is found and told."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import framing
from drivers.base import PortError
from drivers.framing import Deframer
from drivers.handset.pairing import KEYS_S, KEYS_TRIES, WHO_S, PairingCable, PairingError
from drivers.handset.pairing_messages import KEYS, WHO, Paired, encode_here, make_here
from drivers.handset.simulated_pairing import CableEnd, Cut, PairableHandset
from drivers.port.memory_port import MemoryPort, memory_pair
from tests.shared.virtual_time import VirtualClock, virtual

OLD = Paired(7, bytes(range(16)), bytes(range(16, 32)))
NEW = Paired(1, bytes(range(32, 48)), bytes(range(48, 64)))
S = 1_000_000_000


@contextlib.asynccontextmanager
async def cable_to(handset: PairableHandset, clock: VirtualClock) -> AsyncIterator[PairingCable]:
    near, far = memory_pair(clock)
    end = CableEnd(far, handset)
    end.open()
    async with PairingCable(near) as cable:
        yield cable
    end.close()


@contextlib.asynccontextmanager
async def cable_to_none(
    clock: VirtualClock, answer: bytes = b""
) -> AsyncIterator[tuple[PairingCable, Deaf]]:
    """A cable without a handset at its end."""
    near, far = memory_pair(clock)
    deaf = Deaf(far, answer)
    far.open(deaf)
    async with PairingCable(near) as cable:
        yield cable, deaf


@virtual
async def test_a_handset_says_who_it_is_and_takes_its_keys(clock: VirtualClock) -> None:
    handset = PairableHandset(4, 3, OLD)
    handset.counter = 900
    async with cable_to(handset, clock) as cable:
        here = await cable.find(1)
        assert (here.layout, here.revision, here.number) == (4, 3, 7)
        assert here.proves(OLD) and not here.proves(NEW)
        assert (await cable.give(NEW)).proves(NEW)
    assert (handset.paired, handset.counter) == (NEW, 0)


@virtual
async def test_it_waits_until_somebody_switches_the_handset_on(clock: VirtualClock) -> None:
    handset = PairableHandset()
    handset.lose_heard = 20
    started_at = clock()
    async with cable_to(handset, clock) as cable:
        assert (await cable.find(60)).number == 0
    assert 20 * WHO_S * S <= clock() - started_at < 21 * WHO_S * S


@virtual
async def test_nobody_there_is_told_in_time(clock: VirtualClock) -> None:
    handset = PairableHandset()
    handset.dead = True
    started_at = clock()
    async with cable_to(handset, clock) as cable:
        with pytest.raises(PairingError, match=r"no handset answers within 5 s$"):
            await cable.find(5)
    assert clock() - started_at == 5 * S


@pytest.mark.parametrize("heard", [True, False])
@pytest.mark.parametrize("losses", [1, KEYS_TRIES - 1])
@virtual
async def test_lost_frames_are_sent_again_and_stored_once(
    clock: VirtualClock, heard: bool, losses: int
) -> None:
    handset = PairableHandset(paired=OLD)
    handset.lose_heard, handset.lose_sent = (losses, 0) if heard else (0, losses)
    async with cable_to(handset, clock) as cable:
        await cable.give(NEW)
    assert (handset.paired, handset.written) == (NEW, 1)


@virtual
async def test_a_wrong_byte_is_found_and_written_over(clock: VirtualClock) -> None:
    handset = PairableHandset()
    handset.bad_bits = 1
    async with cable_to(handset, clock) as cable:
        await cable.give(NEW)
    assert (handset.paired, handset.written) == (NEW, 2)


@virtual
async def test_a_memory_that_keeps_nothing_right_is_told(clock: VirtualClock) -> None:
    handset = PairableHandset()
    handset.bad_bits = KEYS_TRIES
    async with cable_to(handset, clock) as cable:
        with pytest.raises(PairingError, match="4 wrong proofs to keys sent 4 times"):
            await cable.give(NEW)


@pytest.mark.parametrize("cut", [Cut.BEFORE_KEYS, Cut.BEFORE_STORED, Cut.BEFORE_HERE])
@virtual
async def test_cut_anywhere_the_handset_has_the_old_keys_or_the_new(
    clock: VirtualClock, cut: Cut
) -> None:
    handset = PairableHandset(paired=OLD, cut=cut)
    started_at = clock()
    async with cable_to(handset, clock) as cable:
        with pytest.raises(PairingError, match="no answer to keys sent 4 times"):
            await cable.give(NEW)
    assert clock() - started_at == KEYS_TRIES * KEYS_S * S
    assert handset.paired == (NEW if cut is Cut.BEFORE_HERE else OLD)


@virtual
async def test_a_cable_back_in_time_costs_nothing(clock: VirtualClock) -> None:
    """The new keys are in and the answer was lost: the next KEYS are answered, not written."""
    handset = PairableHandset(paired=OLD, cut=Cut.BEFORE_HERE)
    async with cable_to(handset, clock) as cable:
        with pytest.raises(PairingError):
            await cable.give(NEW)
        handset.dead, handset.cut, handset.counter = False, Cut.NEVER, 5
        await cable.give(NEW)
    assert (handset.written, handset.counter) == (1, 5), "under the same key it never goes back"


class Deaf:
    """The far end without a handset."""

    def __init__(self, port: MemoryPort, answer: bytes = b"") -> None:
        self._port, self._answer = port, answer
        self.heard = b""

    def bytes_received(self, data: bytes, at: int) -> None:
        self.heard += data
        self._port.write(self._answer or data)

    def port_lost(self, error: PortError) -> None:
        raise error


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (b"", "its TXD and RXD are joined"),
        (b"\x00login: \x00", "frames were heard that are none of a handset"),
        (framing.encode(b"\x22" + bytes(19)), "frames were heard that are none of a handset"),
        (
            framing.encode(b"\x38" + bytes(27)),
            "a frame of protocol version 3; this program speaks version 2",
        ),
    ],
    ids=["loop", "noise", "board", "other-version"],
)
@virtual
async def test_the_wrong_thing_on_the_cable_is_told(
    clock: VirtualClock, answer: bytes, why: str
) -> None:
    async with cable_to_none(clock, answer) as (cable, _):
        with pytest.raises(PairingError, match=why):
            await cable.find(1)


@virtual
async def test_an_answer_to_an_older_question_counts_for_nothing(clock: VirtualClock) -> None:
    stale = encode_here(make_here(b"yesterda", 12, 1, NEW))
    async with cable_to_none(clock, stale) as (cable, _):
        with pytest.raises(PairingError, match="no handset answers"):
            await cable.find(1)
        with pytest.raises(PairingError, match="no answer"):
            await cable.give(NEW)


@virtual
async def test_an_adapter_pulled_out_ends_it(clock: VirtualClock) -> None:
    async with cable_to(PairableHandset(), clock) as cable:
        cable.port_lost(PortError("usb: lost"))
        for attempt in (cable.find(1), cable.give(NEW)):
            with pytest.raises(PortError, match="usb: lost"):
                await attempt


@virtual
async def test_each_question_has_its_own_nonce_and_keys_go_out_only_in_keys(
    clock: VirtualClock,
) -> None:
    async with cable_to_none(clock, b"\0") as (cable, ear):
        with pytest.raises(PairingError):
            await cable.find(1)
        asked = ear.heard
        with pytest.raises(PairingError):
            await cable.give(NEW)
    deframer = Deframer()
    bodies = deframer.feed(ear.heard)
    assert deframer.bad == 1, "the one byte that spoils what may have stood before"
    assert [body[0] for body in bodies] == [WHO] * 5 + [KEYS] * KEYS_TRIES
    assert len({body[1:9] for body in bodies}) == len(bodies)
    assert NEW.handset_key not in asked


@given(st.lists(st.binary(max_size=80), max_size=8))
def test_whatever_comes_over_the_cable_is_counted_or_dropped(pieces: list[bytes]) -> None:
    near, _ = memory_pair(VirtualClock())
    cable, handset = PairingCable(near), PairableHandset(paired=OLD)
    for piece in pieces:
        cable.bytes_received(piece, 0)
        assert isinstance(handset.receive(piece), bytes)
    assert handset.paired == OLD
