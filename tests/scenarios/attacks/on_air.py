"""Attacks on the whole service over the air of its handsets, on ptys and in virtual time."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
from collections.abc import Awaitable, Callable
from pathlib import Path

from tests.scenarios.attacks.forging import make_state, of_version
from tests.scenarios.attacks.tally import Tally
from tests.shared.frames import (
    KEY_BITS,
    MS_NS,
    S_NS,
    STATE,
    WELCOME,
    Press,
    Unframer,
    make_hello,
    make_press,
)
from tests.shared.installation import BROADCAST_KEY, HANDSET_KEYS, KEEPER
from tests.shared.rig import Rig, play

OWN_KEY = HANDSET_KEYS[KEEPER]
READY = KEY_BITS["READY"]
DARK = ["  ", "  "]
PRESS_S = 0.00781
"""A PRESS on the line: so many make the full rate."""
LIVING_S = 5.0
"""Wrong tags of the first seconds of a session are alarming to nobody."""
SPARE_SESSION = b"sparetmp"


def sent(rig: Rig, kind: int, since_at: int = 0) -> int:
    """How many frames of a kind the service has sent to its handsets."""
    unframer = Unframer()
    wire = b"".join(data for at, data in rig.written("receiver") if at >= since_at)
    return sum(body[0] == kind for body in unframer.feed(wire))


def in_words(rig: Rig) -> str:
    """All that the console tells of what is wrong."""
    status = rig.status
    return " | ".join([*status.alarms, *status.troubles, status.journal_doubt])


async def reach(rig: Rig, beat: int) -> None:
    """Wait for a STATE of at least this beat."""
    while rig.keeper.beat < beat:  # noqa: ASYNC110 - a model without events
        await asyncio.sleep(0.1)


def jammed(rig: Rig, counter: int, age_10ms: int = 0) -> bytes:
    """The keeper's READY of this moment, recorded where the receiver could not hear it."""
    said = Press(KEEPER, counter, READY, age_10ms, rig.keeper.beat)
    return make_press(said, OWN_KEY, rig.keeper.session)


def on_a_rig(script: Callable[[Tally, Rig], Awaitable[None]]) -> Callable[[Tally, Path], None]:
    """An attack on a service that has just come up."""

    def made(tally: Tally, folder: Path) -> None:
        play(folder, lambda rig: script(tally, rig))

    return made


async def acknowledged_replayed(tally: Tally, rig: Rig) -> None:
    """One acknowledged press, a minute long, one frame behind the other."""
    await rig.held_25()
    await asyncio.sleep(LIVING_S)
    assert (await rig.keeper.press("READY")).result == "running"
    frame = rig.keeper.recorded[-1]
    await asyncio.sleep(0.1)
    began_at, heard = rig.clock(), len(rig.keeper.heard)
    alarmed_at = 0
    for _ in range(round(60 / PRESS_S)):
        rig.keeper.replay(frame)
        await asyncio.sleep(PRESS_S)
        if not alarmed_at and "replayed" in in_words(rig):
            alarmed_at = rig.clock()
    by_itself = 60 + 1 + 2  # one a second; at zero the phase and the flags change
    states = len(rig.keeper.heard) - heard
    tally.tried(states <= by_itself + 5, f"{states} STATEs in a minute", round(60 / PRESS_S))
    also = sent(rig, WELCOME, began_at)
    tally.tried(also == 0, f"{also} WELCOMEs")
    tally.tried(0 < alarmed_at - began_at <= 2 * S_NS, f"no alarm in words: {in_words(rig)!r}")
    tally.tried(rig.read == [" 0", " 0"], f"boards read {rig.read}")
    rows = await rig.rows()
    presses = [row for row in rows if row.kind == "press" and row.handset == KEEPER]
    tally.tried(len(presses) == 2, f"{len(presses)} presses in the record")
    refused = [row for row in rows if row.kind == "rejected"]
    tally.tried(len(refused) <= 3, f"{len(refused)} rows of one minute")


async def hello_replayed(tally: Tally, rig: Rig) -> None:
    """The HELLO of a handset in service, five hundred times: its counter was answered once."""
    await rig.held_25()
    session, hello = rig.keeper.session, rig.keeper.hellos[-1]
    began_at = rig.clock()
    for _ in range(500):
        rig.keeper.replay(hello)
        await asyncio.sleep(0.006)
    also = sent(rig, WELCOME, began_at)
    tally.tried(also == 0, f"{also} WELCOMEs to a recorded HELLO", 500)
    assert (await rig.keeper.press("READY")).result == "running"
    tally.tried(rig.keeper.session == session, "the session changed")


async def jam_and_replay(tally: Tally, rig: Rig) -> None:
    """A jammed press played within 3 s of its beat is taken once, with its age of then; later
    never, and not once the handset was heard again."""
    counter = 1_000
    rig.switch_off(KEEPER)  # no presence of its own in between
    for held_back_s in (0.0, 0.5, 1.9, 3.05, 3.5, 10.0, 60.0):
        counter += 1
        assert (await rig.field.press("NUMBER_25")).result in ("held", "no change", "running")
        await asyncio.sleep(2.3)
        await reach(rig, rig.keeper.beat + 1)
        rig.keeper.counter = counter
        frame, at = jammed(rig, counter), rig.clock()
        await asyncio.sleep(held_back_s)
        for _ in range(8):
            rig.keeper.replay(frame)
            await asyncio.sleep(0.05)
        results = [s.result for at_, s in rig.keeper.heard if at_ > at and s.counter == counter]
        unheard = set(results) == {"not heard"}
        held = unheard if held_back_s > 3 else "not heard" not in results
        tally.tried(held, f"held back {held_back_s} s: {results}", 8)
        counter += 1
        early, late = jammed(rig, counter), jammed(rig, counter + 1)
        rig.keeper.replay(late)
        await asyncio.sleep(0.2)
        before = rig.read
        rig.keeper.replay(early)
        await asyncio.sleep(0.1)
        tally.tried(rig.read == before, "taken after a later report of the same handset")
        counter += 1
    taken = ("press", "no change")
    rows = [row for row in await rig.rows() if row.kind in taken and row.handset == KEEPER]
    edges = [row.edge_at for row in rows]
    tally.tried(len(edges) == len(set(edges)) == 3 + 7, f"{len(edges)} presses taken, not 10")


async def old_ages(tally: Tally, rig: Rig) -> None:
    """A press of over a second ago has a right tag and a new counter, and is not heard."""
    await rig.held_25()
    counter = rig.keeper.counter
    for age_10ms in (101, 102, 150, 200, 254, 255):
        counter += 1
        rig.keeper.replay(jammed(rig, counter, age_10ms))
        await asyncio.sleep(0.1)
        told = [s.result for _, s in rig.keeper.heard if s.counter == counter]
        held = set(told) == {"not heard"} and rig.read == ["25", "25"]
        tally.tried(held, f"age {age_10ms}: {told}, boards read {rig.read}")
    counter += 1
    rig.keeper.replay(jammed(rig, counter, 100))
    await asyncio.sleep(0.1)
    assert {s.result for _, s in rig.keeper.heard if s.counter == counter} == {"running"}


async def versions(tally: Tally, rig: Rig) -> None:
    """Good frames of every other version, on the air and on the pair: each is named in words."""
    await rig.held_25()
    hello = make_hello(KEEPER, rig.keeper.counter + 1, OWN_KEY)
    status = rig.nodes[0].answer(rig.clock())
    assert status is not None
    for version in (0, 1, *range(3, 16)):
        press = jammed(rig, 9_999)
        for name, frame in (("receiver", hello), ("receiver", press), ("boards", status)):
            await asyncio.sleep(0.25)
            before = in_words(rig)
            rig.lines[name].babble(of_version(version, frame))
            await asyncio.sleep(0.3)
            told = in_words(rig)
            named = f"version {version}" in told and "version 2" in told
            tally.tried(named, f"{version} on {name}: {told!r}, before {before!r}")
            tally.tried(rig.read == ["25", "25"], f"boards read {rig.read}")


class Spare:
    """Another computer with the same keys, which has welcomed the keeper's handset."""

    def __init__(self, rig: Rig) -> None:
        self._rig, self._beat = rig, 0
        self.serving = asyncio.create_task(self._serve())

    async def _serve(self) -> None:
        while True:
            self._beat += 1
            self._to_all(make_state(self._beat, SPARE_SESSION, BROADCAST_KEY))
            await asyncio.sleep(1)

    def _to_all(self, frame: bytes) -> None:
        (body,) = Unframer().feed(frame)
        for handset in self._rig.handsets.values():
            handset.take(body)

    async def off(self) -> None:
        self.serving.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self.serving


async def spare_has_the_handset(tally: Tally, rig: Rig) -> None:
    """A handset that a spare computer welcomed presses: ours obeys nothing, and says so; with the
    spare off, the handset is ours within 2 s."""
    await rig.held_25()
    await asyncio.sleep(LIVING_S)
    keeper = rig.keeper
    keeper.sessions.append(SPARE_SESSION)
    keeper.beat = 0
    spare = Spare(rig)
    await asyncio.sleep(1.5)
    for _ in range(8):
        await keeper.press("READY")
        tally.tried(rig.read == ["25", "25"], f"obeyed a press of the spare's: {rig.read}")
    words = in_words(rig)
    first = words.find("wrong tags"), words.find("second controller"), words.find("stranger")
    tally.tried(-1 < first[0] < first[1] < first[2], f"the alarm does not say so: {words!r}")
    await spare.off()
    silent_at = rig.clock()
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(10):
            while keeper.session == SPARE_SESSION:  # noqa: ASYNC110 - a model without events
                await asyncio.sleep(0.02)
    took_ms = (rig.clock() - silent_at) // MS_NS
    tally.tried(took_ms <= 2_100, f"joined after {took_ms} ms")
    tally.tried((await keeper.press("READY")).result == "running", "not obeyed after it joined")


def recorded_before(tally: Tally, folder: Path) -> None:
    """Every press of a game, to a service that was started again: as it was, the card wiped, the
    runtime folder gone too, or the state restored from a copy of before those presses."""
    recorded: list[bytes] = []
    state, copy = folder / "state", folder / "copy"

    async def begin(rig: Rig) -> None:
        await rig.held_25()
        await rig.end()

    async def game(rig: Rig) -> None:
        for key in ("NUMBER_25", "READY", "SNAP", "DEAD_BALL", "NUMBER_40", "BOARDS_OFF"):
            await rig.keeper.press(key)
            await asyncio.sleep(0.7)
        recorded.extend([*rig.keeper.recorded, jammed(rig, rig.keeper.counter + 50)])
        await rig.end()

    async def after(rig: Rig) -> None:
        read, heard = rig.read, len(rig.keeper.heard)
        for frame in recorded:
            rig.keeper.replay(frame)
            await asyncio.sleep(0.05)
            tally.tried(rig.read == read, f"boards read {rig.read} after a recorded press")
        said = [s for _, s in rig.keeper.heard[heard:] if s.handset]
        tally.tried(said == [], "a recorded press was answered")
        assert (await rig.keeper.press("NUMBER_25")).result in ("held", "running")

    play(folder, begin)
    shutil.copytree(state, copy)
    play(folder, game)
    for wiped in ((), ("state",), ("state", "run"), ("run",), ("restored",)):
        if "restored" in wiped:
            shutil.rmtree(state)
            shutil.copytree(copy, state)
        for name in wiped:
            if name != "restored":
                shutil.rmtree(folder / name, ignore_errors=True)
        left = play(folder, after)
        refused = [row for row in left.site.rows() if row.kind == "rejected"]
        other = [row for row in refused if "bad tag" not in (row.event, row.reason[:7])]
        tally.tried(other == [], f"{wiped}: {[(row.event, row.reason) for row in other]}")


async def by_whoever_holds_a_handset(tally: Tally, rig: Rig) -> None:
    """The broadcast key opens no press: a STATE or its tag is none, whatever it is made of."""
    await rig.held_25()
    counter = rig.keeper.counter
    for offset in range(1, 101):
        said = Press(KEEPER, counter + offset, READY, 0, rig.keeper.beat)
        for key in (BROADCAST_KEY, HANDSET_KEYS[2]):
            rig.keeper.replay(make_press(said, key, rig.keeper.session))
        rig.keeper.replay(make_state(rig.keeper.beat + offset, rig.keeper.session, BROADCAST_KEY))
        await asyncio.sleep(0.03)
        tally.tried(rig.read == ["25", "25"], f"boards read {rig.read}", 3)
    tally.tried((await rig.keeper.press("READY")).result == "running", "the true one is refused")
    assert sent(rig, STATE)
