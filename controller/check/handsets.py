"""Waits for every key of every handset, and tells how well each is heard."""

from __future__ import annotations

import asyncio
from collections import Counter, defaultdict
from collections.abc import Coroutine, Iterator, Sequence
from contextlib import AsyncExitStack
from typing import Any, NamedTuple

from controller.assembly.devices import Built
from controller.check.ports import RunningDriver, SniffingPort, port_finding
from controller.check.report import Finding, Report, look, ok, wrong
from drivers.base import (
    S_NS,
    Answer,
    Clock,
    CrewState,
    Edge,
    FrameError,
    Handset,
    Key,
    PhaseCode,
    Press,
    Rejection,
)
from drivers.handset.layouts import LAYOUTS
from drivers.handset.messages import HELLO, PRESS, HelloFrame, parse_hello, parse_press
from drivers.handset.radio import RadioHandsets
from drivers.handset.simulated import Air
from drivers.kind import Site

STATE_S = 1.0
POLL_S = 0.1
THUMB_S = 0.3
"""How fast a simulated thumb goes from key to key."""
MEAN_RETRY_MS = 35
"""A report not acknowledged is sent again after 25-45 ms (PROTOCOL.md)."""
LOSSY = 0.1
"""More frames lost than this wants a look (common practice, no source)."""
LOW_BATTERY_H = 4
"""A game and its warm-up (common practice, no source)."""
LOW_MARGIN_DB = 10
"""What a body between the antennas may cost (common practice, no source)."""
IDLE = CrewState(
    phase=PhaseCode.IDLE,
    numerals=None,
    expires_at=None,
    boards_lit=False,
    boards_off=False,
    fault=False,
)
SIMULATED_BATTERY_H = 9
"""What a simulated handset tells: it has no battery."""


class CheckedHandset(NamedTuple):
    """One handset of the configuration."""

    number: int
    role: str
    layout: str
    keys: tuple[Key, ...] = ()
    """Those that the configuration gives it; empty: all of its layout."""

    @property
    def wanted(self) -> tuple[Key, ...]:
        """Every key that must come."""
        return tuple(key for key in LAYOUTS[self.layout] if not self.keys or key in self.keys)

    @property
    def name(self) -> str:
        return f"handset {self.number} ({self.role}, {self.layout} keys)"


def label(key: Key) -> str:
    """What is written on a key."""
    if key is Key.TIME_OUT:
        return "TIME-OUT"
    return key.name.removeprefix("NUMBER_").replace("_", " ")


class PressRecorder:
    """Notes every key and every refusal; a :class:`drivers.base.HandsetListener`.

    A press changes nothing, so the handset plays the tick that says so.
    """

    def __init__(self) -> None:
        self.keys: dict[int, set[Key]] = {}
        self.batteries: dict[int, int | None] = {}
        self.margins_db: dict[int, int | None] = {}
        self.settling = 0
        """Frames with a wrong tag that may be of the session before this check."""
        self.versions: set[str] = set()
        """What was said of frames of another version of the protocol."""
        self.refused: Counter[tuple[int | None, str]] = Counter()

    def key_pressed(self, press: Press) -> Answer:
        if press.edge is Edge.DOWN:
            self.keys.setdefault(press.handset, set()).add(press.key)
        return Answer.NO_CHANGE

    def handset_heard(
        self, handset: int, at: int, battery_hours: int | None, margin_db: int | None
    ) -> None:
        self.batteries[handset], self.margins_db[handset] = battery_hours, margin_db

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        self.refused[rejection.handset, rejection.reason] += 1
        self.settling += rejection.settling
        if rejection.reason == "another version":
            self.versions.add(rejection.detail)


class Receiver:
    """The handsets of one radio. ``copies`` holds, for each report, the ages in ms of all copies,
    also those that the driver answers and drops; ``presses`` the reports of a key; ``hellos`` what
    was asked. A report is a handset and its counter."""

    def __init__(self, radio: RadioHandsets) -> None:
        self.radio = radio
        self.copies: dict[tuple[int, int], list[int]] = defaultdict(list)
        self.presses: set[tuple[int, int]] = set()
        self.hellos: set[tuple[int, int]] = set()
        assert isinstance(radio.port, SniffingPort)
        radio.port.hear = self._hear

    def _hear(self, body: bytes) -> None:
        if body[0] not in (PRESS, HELLO):
            return
        try:
            frame = parse_press(body) if body[0] == PRESS else parse_hello(body)
        except FrameError:
            return
        if not self.radio.is_authentic(frame, body):
            return
        report = frame.handset, frame.counter
        if isinstance(frame, HelloFrame):
            self.hellos.add(report)
        else:
            self.copies[report].append(frame.age_10ms * 10)
            if frame.keys:
                self.presses.add(report)


async def check_handsets(
    handsets: Sequence[Built[Handset]],
    site: Site,
    known: Sequence[CheckedHandset],
    wait_s: float,
    report: Report,
) -> None:
    """Wait for the keys of one handset after the other, ``wait_s`` for each key."""
    recorder, drivers = PressRecorder(), [each.driver for each in handsets]
    receivers = {each: Receiver(each) for each in drivers if isinstance(each, RadioHandsets)}
    async with AsyncExitStack() as stack:

        async def start(work: Coroutine[Any, Any, None]) -> RunningDriver:
            return await stack.enter_async_context(RunningDriver(work))

        running = [await start(each.run(recorder)) for each in drivers]
        for air in site.airs:
            await start(air.run())
        teller = await start(_tell(list(receivers.values())))
        for air in site.airs:
            await start(_press_all(air, known))
        for handset in known:
            [work] = [
                w for w, d in zip(running, drivers, strict=True) if handset.number in d.serves
            ]
            if work.fault is None and teller.fault is None:
                await _wait_for_keys(handset, recorder, site.clock, wait_s, report)
        for each, work in zip(handsets, running, strict=True):
            mine = [handset for handset in known if handset.number in each.driver.serves]
            if work.fault is not None:
                whose = ", ".join(f"handset {handset.number}" for handset in mine)
                report.take([port_finding(work.fault, whose, each.kind.cures)])
            elif isinstance(each.driver, RadioHandsets):
                report.take(receiver_findings(mine, recorder, receivers[each.driver]))
            else:
                report.take(keys_of(handset, recorder) for handset in mine)


def receiver_findings(
    handsets: Sequence[CheckedHandset], recorder: PressRecorder, receiver: Receiver
) -> Iterator[Finding]:
    """Everything about the handsets of one receiver, and about the air."""
    for handset in handsets:
        yield from handset_findings(handset, recorder, receiver)
    yield from air_findings(receiver, recorder)


async def _tell(receivers: Sequence[Receiver]) -> None:
    """Every handset hears that somebody is there, or it would not report."""
    while True:
        for each in receivers:
            each.radio.tell(IDLE)
        await asyncio.sleep(STATE_S)


async def _press_all(air: Air, known: Sequence[CheckedHandset]) -> None:
    """The simulated thumbs: every key of each handset once."""
    for simulated in air.handsets.values():
        simulated.battery = SIMULATED_BATTERY_H
    while not all(each.linked for each in air.handsets.values()):  # noqa: ASYNC110 - tells nobody
        await asyncio.sleep(POLL_S)
    for each in known:
        for key in LAYOUTS[each.layout] if each.number in air.handsets else ():
            await asyncio.sleep(THUMB_S)
            air.press(each.number, key)


async def _wait_for_keys(
    handset: CheckedHandset, recorder: PressRecorder, clock: Clock, wait_s: float, report: Report
) -> None:
    """Return when all keys came, or nothing new for ``wait_s``."""
    wanted = handset.wanted
    report.say(
        f"{handset.name}: press each key once, in any order: {', '.join(map(label, wanted))}"
    )
    came: set[Key] = set()
    heard_at = clock()
    while came < set(wanted) and clock() - heard_at < wait_s * S_NS:
        await asyncio.sleep(POLL_S)
        for key in sorted((recorder.keys.get(handset.number, set()) & set(wanted)) - came):
            came.add(key)
            heard_at = clock()
            report.say(
                f"handset {handset.number}: {label(key)} came, {len(wanted) - len(came)} left"
            )


def handset_findings(
    handset: CheckedHandset, recorder: PressRecorder, receiver: Receiver
) -> Iterator[Finding]:
    """What came from one handset."""
    number = handset.number
    if number not in recorder.batteries:
        yield _unheard(handset, recorder)
        return
    yield keys_of(handset, recorder)
    yield from quality(number, receiver)
    yield battery(number, recorder.batteries[number])
    yield from margin(number, recorder.margins_db[number])
    old = sum(recorder.refused[number, reason] for reason in ("beat too old", "too late"))
    if old:
        yield look(
            f"handset {number}: {old} presses came too late",
            "move the receiver's antenna nearer and away from other transmitters",
        )


def keys_of(handset: CheckedHandset, recorder: PressRecorder) -> Finding:
    """Did every key come that the handset has?"""
    came = recorder.keys.get(handset.number, set())
    missing = [label(key) for key in handset.wanted if key not in came]
    if missing:
        return wrong(
            f"{handset.name}: no press of {', '.join(missing)} came",
            "press again with playclock check --no-boards; if it stays so, use another handset",
        )
    return ok(f"{handset.name}: all {len(handset.wanted)} keys came")


def _unheard(handset: CheckedHandset, recorder: PressRecorder) -> Finding:
    if recorder.refused[handset.number, "bad tag"]:
        return wrong(
            f"{handset.name}: heard, but its key is not the one in the key file",
            "pair it again, by cable",
        )
    return wrong(
        f"{handset.name}: not heard",
        "switch it on, look at its battery, hold it near the receiver; then check again",
    )


def quality(number: int, receiver: Receiver) -> Iterator[Finding]:
    """The share of frames lost on the air, each way, from the copies of each press that came."""
    reports = {
        report: ages
        for report, ages in receiver.copies.items()
        if report[0] == number and report in receiver.presses
    }
    if not reports:
        return
    heard = sum(map(len, reports.values()))
    sent = sum(max(len(ages), 1 + round(max(ages) / MEAN_RETRY_MS)) for ages in reports.values())
    counters = sorted(counter for n, counter in {*receiver.copies, *receiver.hellos} if n == number)
    gaps = counters[-1] - counters[0] + 1 - len(counters)
    unheard = heard - len(reports)
    lost = 1 - heard / sent
    said = (
        f"handset {number}: heard {heard} of about {sent} frames; {unheard} answers did not reach "
        f"it; {gaps} reports lost whole"
    )
    if lost > LOSSY or unheard > heard * LOSSY or gaps:
        yield look(said, "move the receiver's antenna nearer and away from other transmitters")
    else:
        yield ok(said)


def battery(number: int, hours: int | None) -> Finding:
    """Will the battery last for the game?"""
    if hours is None:
        return ok(f"handset {number}: does not tell how long its battery lasts")
    said = f"handset {number}: battery for {hours} hours of play"
    if hours < LOW_BATTERY_H:
        return look(said, "put a fresh battery in")
    return ok(said)


def margin(number: int, margin_db: int | None) -> Iterator[Finding]:
    """How well does it hear us, if its radio can say?"""
    if margin_db is None:
        return
    said = f"handset {number}: hears the receiver {margin_db} dB above the weakest it can"
    if margin_db < LOW_MARGIN_DB:
        yield look(said, "move the receiver's antenna higher, or nearer")
    else:
        yield ok(said)


def air_findings(receiver: Receiver, recorder: PressRecorder) -> Iterator[Finding]:
    """What else the receiver heard."""
    name = receiver.radio.port.name
    ours = receiver.radio.serves
    bad = sum(n for (who, why), n in recorder.refused.items() if why == "bad tag" and who in ours)
    if bad > recorder.settling:
        yield look(
            f"{name}: {bad} frames with a wrong tag were refused",
            "switch off another controller with these keys; pair the handset that is not heard; if "
            "all are heard and there is no other controller, somebody is transmitting",
        )
    for said in sorted(recorder.versions):
        yield look(f"{name}: {said}", "bring handsets and controller to the same release")
    strange = {who for who, why in recorder.refused if why == "unknown handset"}
    if strange:
        numbers = ", ".join(str(who) for who in sorted(who for who in strange if who is not None))
        yield look(
            f"{name}: handset {numbers} is heard and not of this installation",
            "nothing, if another school's set is near; its presses are refused",
        )
    if receiver.radio.bad_frames:
        yield look(
            f"{name}: {receiver.radio.bad_frames} damaged frames in this check",
            "move the receiver's antenna nearer and away from other transmitters",
        )
