"""Attacks on a handset's firmware, whose logic runs on this computer with sanitizers."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

from tests.firmware.handset_pc import (
    BROADCAST_KEY,
    HANDSET_KEY,
    SESSION,
    HandsetOnPC,
    paired_memory,
    remembering,
)
from tests.scenarios.attacks.forging import (
    counter_of,
    damaged,
    make_state,
    make_welcome,
    of_version,
)
from tests.scenarios.attacks.tally import Tally
from tests.shared.frames import HELLO, opened

OTHER_SESSION = bytes.fromhex("0BADCAFE0BADCAFE")
ALL_FF = b"\xff" * 8
OTHER_KEY = bytes(range(1, 17))
TOP = 0xFFFFFFFF


def next_hello(handset: HandsetOnPC, within_ms: int = 4_000) -> int:
    """Run until it asks for the session; gives the counter of its HELLO."""
    begun = len(handset.sent())
    for _ in range(within_ms // 5):
        handset.run(5)
        for _, frame in handset.sent()[begun:]:
            if opened(frame[1:-1])[0] == HELLO:
                return counter_of(frame)
    raise AssertionError(f"no HELLO in {within_ms} ms")


def welcomed(handset: HandsetOnPC, session: bytes, beat: int) -> bytes:
    """Answer its next HELLO as its controller does, and tell it a STATE of ``beat``: without one
    for ten minutes it would sleep. Gives the WELCOME."""
    frame = make_welcome(1, next_hello(handset), session, max(0, beat - 1), HANDSET_KEY)
    handset.hear(frame)
    handset.run(15)
    if beat:
        handset.hear(make_state(beat, session, BROADCAST_KEY))
    assert handset.now.known and handset.now.beat == beat, "its own controller is not believed"
    return frame


def takes(handset: HandsetOnPC, frame: bytes) -> bool:
    """Whether a frame moved what it knows."""
    before = handset.now
    handset.hear(frame)
    handset.run(1)
    after = handset.now
    return (after.beat, after.session, after.known) != (before.beat, before.session, before.known)


def beats_wrapped(tally: Tally, _folder: Path) -> None:
    """A STATE of beat 10, and others as old, when the session is far beyond 16 and 31 bits."""
    recorded = [make_state(beat, SESSION, BROADCAST_KEY) for beat in (1, 10, 255, 32_768, 40_000)]
    tops = (40_001, 65_535, 65_546, 0x1000A, 0x7FFFFFFD, 0x7FFFFFFF, 0x80000000, 0x8000000A)
    with remembering() as handset:
        for top in (*tops, TOP - 20, TOP):
            welcomed(handset, SESSION, top - 1)
            assert takes(handset, make_state(top, SESSION, BROADCAST_KEY)), "the true one"
            for frame in recorded:
                tally.tried(not takes(handset, frame), f"at beat {top}: took {frame.hex()}")
            handset.run(1_600)


def beats_far_ahead(tally: Tally, _folder: Path) -> None:
    """The broadcast key in a stranger's hand: no farther than 256 ahead, nor half the range."""
    with remembering() as handset:
        for beat in (9, 40_001, 0x7FFFFFFE):
            welcomed(handset, SESSION, beat)
            ahead = (257, 258, 65_536, 65_537, 0x7FFFFFFF, 0x80000000, 0x80000001, TOP)
            for step in (*ahead, 0, -1, -255, -256, -257):
                far = (beat + step) & TOP
                held = not takes(handset, make_state(far, SESSION, BROADCAST_KEY))
                tally.tried(held, f"at beat {beat}: took {far:08X}")
            assert takes(handset, make_state(beat + 256, SESSION, BROADCAST_KEY))
            handset.run(1_600)


def all_ff(tally: Tally, _folder: Path) -> None:
    """Session and beat all FF or zero, before a WELCOME and after it, with the broadcast key."""
    with remembering() as handset:
        handset.run(1_000)
        for welcome in (False, True):
            if welcome:
                welcomed(handset, SESSION, 10)
            for session in (ALL_FF, bytes(8), OTHER_SESSION, SESSION):
                for beat in (TOP, 0x7FFFFFFF, 0, 1, 11):
                    if welcome and (session, beat) == (SESSION, 11):
                        continue  # the true one
                    held = not takes(handset, make_state(beat, session, BROADCAST_KEY))
                    tally.tried(held, f"welcomed {welcome}: took {session.hex()} {beat:08X}")


def welcomes_replayed(tally: Tally, _folder: Path) -> None:
    """Recorded; for another handset; of another's key; naming another counter; with FF."""
    with remembering() as handset:
        recorded = [welcomed(handset, SESSION, 10)]
        for _turn in range(10 * tally.many):
            handset.run(1_600)
            counter = next_hello(handset)
            forged = [
                make_welcome(2, counter, OTHER_SESSION, 1, OTHER_KEY),
                make_welcome(2, counter, OTHER_SESSION, 1, HANDSET_KEY),
                make_welcome(1, counter, OTHER_SESSION, 1, OTHER_KEY),
                make_welcome(1, counter, OTHER_SESSION, 1, BROADCAST_KEY),
                make_welcome(1, counter - 1, OTHER_SESSION, 1, HANDSET_KEY),
                make_welcome(1, counter + 1, OTHER_SESSION, 1, HANDSET_KEY),
                make_welcome(1, counter ^ 1 << 31, OTHER_SESSION, 1, HANDSET_KEY),
                make_welcome(1, TOP, ALL_FF, TOP, HANDSET_KEY),
                make_welcome(0xFF, counter, ALL_FF, TOP, HANDSET_KEY),
            ]
            for frame in [*recorded[-20:], *forged]:  # 9 ms each, and the true one within 500
                tally.tried(not takes(handset, frame), f"after HELLO {counter}: {frame.hex()}")
            recorded.append(make_welcome(1, counter, SESSION, 10, HANDSET_KEY))
            assert takes(handset, recorded[-1]), "the true one"
            assert takes(handset, make_state(11, SESSION, BROADCAST_KEY)), "the true one"


def welcomes_held_back(tally: Tally, _folder: Path) -> None:
    """The true answer, jammed and sent on: believed at most 0.5 s after the HELLO was sent.

    The HELLO's 6 ms and those of the answer are on the line: 40 ms are left for them.
    """
    with remembering() as handset:
        for held_back_ms in (540, 600, 1_000, 1_500, 1_900):
            counter = next_hello(handset)
            handset.run(held_back_ms)
            frame = make_welcome(1, counter, OTHER_SESSION, 5, HANDSET_KEY)
            tally.tried(not takes(handset, frame), f"held back {held_back_ms} ms and believed")
        counter = next_hello(handset)
        handset.run(400)
        assert takes(handset, make_welcome(1, counter, SESSION, 5, HANDSET_KEY)), "in time"


def states_of_before(tally: Tally, _folder: Path) -> None:
    """Everything of older sessions and of this one, to a handset switched off and on."""
    told = [make_state(beat, SESSION, BROADCAST_KEY) for beat in range(1, 40)]
    with remembering() as handset:
        welcome = welcomed(handset, SESSION, 0)
        for frame in told:
            assert takes(handset, frame)
        for session in (OTHER_SESSION, SESSION):
            for frame in told:
                tally.tried(not takes(handset, frame), "older STATE taken")
            tally.tried(not takes(handset, welcome), "recorded WELCOME taken")
            handset.run(1_600)
            welcomed(handset, session, 40)
    with remembering() as handset:
        handset.run(1_200)
        for frame in [*told, welcome]:
            tally.tried(not takes(handset, frame), "believed just after it was switched on")


def damaged_frames(tally: Tally, _folder: Path) -> None:
    """Good frames of the next beat with one or two bits turned, and of other versions."""
    good = make_state(11, SESSION, BROADCAST_KEY, numerals=40, phase=2, remaining_10ms=4_000)
    step = max(1, 40 // tally.many)
    with remembering() as handset:
        welcomed(handset, SESSION, 10)
        frames = [*damaged(good, 1), *islice(damaged(good, 2), None, None, step)]
        frames += [of_version(version, good) for version in range(16) if version != 2]
        for number, frame in enumerate(frames):
            if number % 100 == 0:
                handset.run(1_600)
                welcomed(handset, SESSION, 10)
            handset.hear(frame)
            if number % 20 == 19 or number == len(frames) - 1:
                held = handset.now.beat == 10
                tally.tried(held, f"one of 20 up to {frame.hex()}", number % 20 + 1)
        handset.run(1_600)
        welcomed(handset, SESSION, 10)
        assert takes(handset, good), "the whole one"


def made_up(tally: Tally, _folder: Path) -> None:
    """STATE and WELCOME without the keys do not keep the link alive either: it is lost in 3 s."""
    with remembering() as handset:
        welcomed(handset, SESSION, 10)
        assert takes(handset, make_state(11, SESSION, BROADCAST_KEY))
        assert handset.linked
        for beat in range(12, 12 + 33):
            handset.run(100)
            for key in (OTHER_KEY, HANDSET_KEY, bytes(16)):
                held = not takes(handset, make_state(beat, SESSION, key))
                tally.tried(held or not handset.now.known, f"took a made-up STATE {beat}")
        tally.tried(not handset.linked, "made-up frames kept the link alive")


def asking_at_once(tally: Tally, _folder: Path) -> None:
    """Two handsets switched on in the same instant: their HELLOs part by themselves."""
    with (
        remembering(paired_memory(1, HANDSET_KEY)) as first,
        remembering(paired_memory(2, OTHER_KEY)) as second,
    ):
        for handset in (first, second):
            handset.run(60_000)
        asked = [
            [at for at, frame in each.sent() if opened(frame[1:-1])[0] == HELLO]
            for each in (first, second)
        ]
        clear = [at for at in asked[0] if all(abs(at - other) > 7 for other in asked[1])]
        tally.tried(len(clear) >= len(asked[0]) // 2, f"{clear} of {asked}", len(asked[0]))
