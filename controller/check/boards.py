"""Asks every board what its lamps really show, and says what is wrong with it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from statistics import median

from controller.check import displays as check_displays
from controller.check.lamps import Answer, lamp_findings
from controller.check.ports import AtWork, Pair, Ports, port_finding
from controller.check.report import Finding, Report, look, ok, wrong
from drivers.base import Answered, Board, BoardReport, Clock, Face
from drivers.board.messages import NodeFlag, Status
from drivers.port.serial_port import SerialPort

MS = 1_000_000
LISTEN_S = 1.2
"""Before the first own frame: another controller speaks ten times a second."""
REFRESH_S = 0.1
LOOK_S = 3.0
"""How long the lamp test stands, so that people can look."""
FACE_S = 2.0
FACE_S_A_BOARD = 0.6
"""The more boards, the less often each is asked (``drivers.board.poll_schedule``)."""
BAD_ANSWERS = 3
SLOW_MS = 16.0
"""The answer's end is due 11.9 ms after the first byte of the frame that asks (PROTOCOL.md)."""
SAG = 0.1
"""More of the supply than this gone with all lamps lit: thin cable or weak supply (common
practice, no source)."""
NUMERALS: tuple[int | None, ...] = (40, 25, 7, 0)


@dataclass(slots=True)
class Seen:
    """What one board answered, in order."""

    name: str
    node: int
    answers: list[Answer] = field(default_factory=list)

    @property
    def told(self) -> list[Status]:
        """The answers that came."""
        return [each.status for each in self.answers if each.status is not None]


class LampTest:
    """Puts faces up on all boards and collects the answers; a :class:`BoardListener`."""

    def __init__(
        self, pairs: list[Pair], clock: Clock, brightness: int, displays: Sequence[Board] = ()
    ) -> None:
        self.seen = {name: Seen(name, node) for pair in pairs for node, name in pair.boards.items()}
        self._told = {name: pair.told[node] for pair in pairs for node, name in pair.boards.items()}
        self.disagreed: list[str] = []
        self._pairs, self._clock, self._brightness = [*pairs], clock, brightness
        self._displays = tuple(displays)

    def leave_out(self, pair: Pair) -> None:
        """Its port did not open."""
        self._pairs.remove(pair)
        for name in pair.boards.values():
            del self.seen[name]

    def board_answered(self, report: BoardReport) -> None:
        answer = Answer(report, None, None)
        if report.answered is not Answered.SILENT:
            delay_ms = (self._clock() - report.shown_at) / MS
            answer = Answer(report, delay_ms, self._told[report.board][-1])
        self.seen[report.board].answers.append(answer)

    async def lamp_test(self) -> None:
        """All lamps of all boards, long enough to be looked at."""
        await self._put_up(Face(None, self._brightness, lamp_test=True), LOOK_S)

    async def numerals(self, numerals: int | None) -> None:
        """A number, or None for dark, until every board has answered."""
        least_s = check_displays.LOOK_S if self._displays else 0.0
        await self._put_up(Face(numerals, self._brightness), least_s)

    async def _put_up(self, face: Face, least_s: float) -> None:
        marks = {name: len(seen.answers) for name, seen in self.seen.items()}
        since_at = self._clock()
        while True:
            for bus in [*(pair.bus for pair in self._pairs), *self._displays]:
                bus.show(face)  # one that is lost drops it
            await asyncio.sleep(REFRESH_S)
            passed_s = (self._clock() - since_at) / 1e9
            if passed_s >= least_s and all(map(self._settled, marks.items())):
                break
            if passed_s >= max(least_s, FACE_S + FACE_S_A_BOARD * len(marks)):
                break
        shown = {
            name: reports[-1].seen
            for name, mark in marks.items()
            if (reports := [each.report for each in self.seen[name].answers[mark:]])
            and reports[-1].seen
        }
        if len(set(shown.values())) > 1:
            self.disagreed.append(", ".join(f"{name} {what}" for name, what in shown.items()))

    def _settled(self, item: tuple[str, int]) -> bool:
        name, mark = item
        since = [each.report.answered for each in self.seen[name].answers[mark:]]
        return Answered.RIGHT in since or len(since) >= BAD_ANSWERS


async def check_boards(wires: Ports, clock: Clock, brightness: int, report: Report) -> None:
    """Walk all boards through lamp test, numerals and dark. They are dark afterwards, always."""
    walk = LampTest(wires.pairs, clock, brightness, wires.displays)
    displays = check_displays.Displays()
    try:
        async with AsyncExitStack() as stack:
            for far in wires.far_pairs:
                far.open()
            works = [
                await stack.enter_async_context(AtWork(pair.bus.run(walk))) for pair in wires.pairs
            ]
            for work, pair in zip(works, wires.pairs, strict=True):
                if work.fault is not None:
                    walk.leave_out(pair)
            others = [
                await stack.enter_async_context(AtWork(each.run(displays)))
                for each in wires.displays
            ]
            if walk.seen or any(each.fault is None for each in others):
                await _walk(walk, report)
            for work, display in zip(others, wires.displays, strict=True):
                report.take(_found(work, display.boards, displays.findings(display)))
            for work, pair in zip(works, wires.pairs, strict=True):
                names = tuple(pair.boards.values())
                report.take(_found(work, names, pair_findings(pair, walk)))
        if walk.disagreed:
            report.take([_disagreed(walk.disagreed)])
        report.take([ok("all boards are ordered dark again")])
    finally:
        for far in wires.far_pairs:
            far.close()


def _found(work: AtWork, boards: Sequence[str], findings: Iterator[Finding]) -> Iterable[Finding]:
    """What was found, or why nothing could be."""
    fault = work.fault
    return findings if fault is None else [port_finding(fault, ", ".join(boards))]


async def _walk(walk: LampTest, report: Report) -> None:
    report.say("listening for another controller ...")
    await asyncio.sleep(LISTEN_S)
    await walk.numerals(None)
    report.say("lamp test: look at both boards, every lamp must be lit")
    await walk.lamp_test()
    for numerals in NUMERALS:
        report.say(f"showing {numerals}")
        await walk.numerals(numerals)
    report.say("showing nothing: the boards must be dark")
    await walk.numerals(None)


def _disagreed(times: list[str]) -> Finding:
    return wrong(
        f"the boards disagreed: {'; '.join(times)}",
        "play with the boards off until the wrong one is mended",
    )


def pair_findings(pair: Pair, walk: LampTest) -> Iterator[Finding]:
    """Everything about the boards of one port, and about the port."""
    seen = [walk.seen[name] for name in pair.boards.values()]
    if pair.bus.strangers:
        yield wrong(
            f"{pair.port.name}: another controller speaks on the boards' pair",
            "find it and take it off: the boards obey whoever spoke first",
        )
    for each in seen:
        yield from board_findings(each, pair.port.name)
    yield from _adapter(pair, seen)
    damaged = pair.bus.bad_frames
    if damaged:
        yield look(
            f"{pair.port.name}: {damaged} damaged answers in this check",
            "look at the 120 ohm ends, the bias and the plugs of the pair",
        )
    revisions = {each.name: each.told[-1].revision for each in seen if each.told}
    if len(set(revisions.values())) > 1:
        said = ", ".join(f"{name} {revision}" for name, revision in revisions.items())
        yield look(f"the boards have different firmware: {said}", "bring them to the same one")


def board_findings(seen: Seen, port: str) -> Iterator[Finding]:
    """What one board's answers say."""
    asked = len(seen.answers)
    silent = asked - len(seen.told)
    if silent == asked:
        yield wrong(
            f"{seen.name} (node {seen.node} on {port}) does not answer: asked {asked} times",
            "look at its supply, its plug and the pair (the two wires may be exchanged), and at "
            "the number set in the node",
        )
        return
    if silent:
        yield look(f"{seen.name}: {silent} of {asked} answers missing", "look at cable and plugs")
    yield from lamp_findings(seen.name, seen.answers)
    yield from _health(seen)


def _health(seen: Seen) -> Iterator[Finding]:
    """Supply, damaged and foreign frames, resets, as the node tells."""
    first, last = seen.told[0], seen.told[-1]
    yield from _supply(seen)
    errors = (last.frame_errors - first.frame_errors) & 0xFF
    if errors:
        yield look(
            f"{seen.name} received {errors} damaged frames in this check",
            "look at the 120 ohm ends, the bias and the plugs of the pair",
        )
    if last.foreign_frames != first.foreign_frames:
        yield wrong(
            f"{seen.name} hears another controller at this moment",
            "find it and take it off the pair",
        )
    elif last.foreign_frames:
        yield look(
            f"{seen.name} has heard another controller since it was switched on",
            "find out who else was on the pair",
        )
    if last.flags & NodeFlag.WATCHDOG:
        yield look(f"{seen.name} hung and was reset by its watchdog", "if it recurs replace it")
    if last.flags & NodeFlag.BROWN_OUT:
        yield look(f"{seen.name} was reset by a drop of its supply", "look at supply and cable")
    if any(status.flags & NodeFlag.CHAIN_FAULT for status in seen.told):
        yield wrong(f"{seen.name}: its chain of lamp drivers is faulty", "have the board mended")
    yield ok(f"{seen.name}: up for {last.uptime_s} s, firmware {last.revision}")


def _supply(seen: Seen) -> Iterator[Finding]:
    lit = [status.supply_dv for status in seen.told if status.flags & NodeFlag.LAMP_TEST]
    volts = [status.supply_dv for status in seen.told]
    most, least = max(volts), min(lit, default=min(volts))
    said = f"{seen.name}: supply {most / 10:.1f} V"
    if least < most * (1 - SAG):
        yield look(
            f"{said}, but {least / 10:.1f} V with all lamps lit",
            "use a stronger supply or a thicker cable",
        )
    else:
        yield ok(f"{said}, {least / 10:.1f} V with all lamps lit")


def _adapter(pair: Pair, seen: list[Seen]) -> Iterator[Finding]:
    """How fast the adapter hands over what it hears."""
    port = pair.port.port
    low = port.low_latency if isinstance(port, SerialPort) else None
    delays = [
        answer.delay_ms for each in seen for answer in each.answers if answer.delay_ms is not None
    ]
    if low is False:
        yield look(
            f"{pair.port.name}: the adapter holds back what it hears, up to 16 ms",
            "install the udev rule 71-playclock.rules and plug the adapter in again",
        )
    elif low:
        yield ok(f"{pair.port.name}: the adapter hands over at once what it hears")
    if not delays:
        return
    usual, worst = median(delays), max(delays)
    said = f"{pair.port.name}: boards answer in {usual:.1f} ms, {worst:.1f} ms at worst"
    if worst > SLOW_MS:
        yield look(said, "the adapter or the computer is slow: close other programs, see above")
    else:
        yield ok(said)
