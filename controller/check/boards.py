"""Asks every board what its lamps really show, and says what is wrong with it.

A board node tells of its lamps, its supply and its resets. Of other displays less can be said, and
some of it only by people.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from statistics import median
from typing import NamedTuple

from controller.assembly.devices import Built
from controller.check.ports import RunningDriver, SniffingPort, port_finding
from controller.check.report import Finding, Report, look, ok, wrong
from drivers.base import MS_NS, S_NS, Answered, Board, BoardReport, Clock, Face, FrameError
from drivers.board import messages
from drivers.board.messages import NodeFlag, NodeStatus
from drivers.board.node import NodeBus
from drivers.board.segments import DARK_SEGMENTS, LAMP_TEST_SEGMENTS, segments
from drivers.kind import Site
from drivers.port.serial_port import SerialPort

LISTEN_S = 1.2
"""Before the first own frame: another controller speaks ten times a second."""
REFRESH_S = 0.1
LOOK_S = 3.0
"""How long the lamp test stands, so that people can look."""
READ_S = 2.0
"""How long a numeral stands that only people can read."""
FACE_S = 2.0
FACE_S_A_BOARD = 0.6
"""The more boards, the less often each is asked (``drivers.board.poll_schedule``)."""
BAD_ANSWERS = 3
SLOW_MS = 17.0
"""The answer's end is due 14.2 ms after the first byte of the frame that asks, and is not waited
for after 19.3 ms (PROTOCOL.md)."""
SAG = 0.1
"""More of the supply than this gone with all lamps lit: thin cable or weak supply (common
practice, no source)."""
NUMERALS: tuple[int | None, ...] = (40, 25, 7, 0)
BARS = (
    "top bar",
    "upper right bar",
    "lower right bar",
    "bottom bar",
    "lower left bar",
    "upper left bar",
    "middle bar",
    "point",
)
"""Bit 0 to 7 of a digit's byte, ``drivers.board.segments``."""
ORDERED_LAMPS = {"dark": DARK_SEGMENTS, "lamp test": LAMP_TEST_SEGMENTS}


class NodePair:
    """The board nodes of one port, and every ``statuses`` that each has sent, also those that its
    driver throws away."""

    def __init__(self, bus: NodeBus) -> None:
        self.bus = bus
        self.statuses: dict[int, list[NodeStatus]] = defaultdict(list)
        assert isinstance(bus.port, SniffingPort)
        self.port = bus.port
        self.port.hear = self._hear

    def _hear(self, body: bytes) -> None:
        with contextlib.suppress(FrameError):  # the driver counts it
            status = messages.decode_status(body)
            self.statuses[status.node].append(status)


class BoardAnswer(NamedTuple):
    """One answer of a board, or its silence. ``delay_ms`` is from the first byte of the frame that
    asked to the last of the answer; it and ``status`` are None for a silence, and for a display
    that is not a node."""

    report: BoardReport
    delay_ms: float | None = None
    status: NodeStatus | None = None


@dataclass(slots=True)
class NodeAnswers:
    """What one board node answered, in order."""

    name: str
    node: int
    answers: list[BoardAnswer] = field(default_factory=list)

    @property
    def statuses(self) -> list[NodeStatus]:
        """The answers that came."""
        return [each.status for each in self.answers if each.status is not None]


class LampTest:
    """Puts faces up on all boards and collects the answers; a :class:`BoardListener`."""

    def __init__(self, boards: Sequence[Board], clock: Clock, brightness: int) -> None:
        self.pairs = [NodePair(each) for each in boards if isinstance(each, NodeBus)]
        self.nodes: dict[str, NodeAnswers] = {}
        self.reports: dict[str, list[BoardReport]] = defaultdict(list)
        """What the displays that are not nodes answered."""
        self.disagreed: list[str] = []
        self._statuses: dict[str, list[NodeStatus]] = {}
        for pair in self.pairs:
            for node, name in pair.bus.nodes.items():
                self.nodes[name] = NodeAnswers(name, node)
                self._statuses[name] = pair.statuses[node]
        self._boards, self._clock, self._brightness = list(boards), clock, brightness
        by_people = len(self.pairs) < len(boards)
        self._read_s = READ_S if by_people else 0.0

    @property
    def any_left(self) -> bool:
        """False when no port opened."""
        return bool(self._boards)

    def leave_out(self, board: Board) -> None:
        """Its port did not open."""
        self._boards.remove(board)
        for name in board.boards:
            self.nodes.pop(name, None)

    def board_answered(self, report: BoardReport) -> None:
        node = self.nodes.get(report.board)
        if node is None:
            self.reports[report.board].append(report)
            return
        answer = BoardAnswer(report)
        if report.answered is not Answered.SILENT:
            delay_ms = (self._clock() - report.shown_at) / MS_NS
            answer = BoardAnswer(report, delay_ms, self._statuses[report.board][-1])
        node.answers.append(answer)

    async def lamp_test(self) -> None:
        """All lamps of all boards, long enough to be looked at."""
        await self._put_up(Face(None, self._brightness, lamp_test=True), LOOK_S)

    async def numerals(self, numerals: int | None) -> None:
        """A number, or None for dark, until every board has answered."""
        await self._put_up(Face(numerals, self._brightness), self._read_s)

    async def _put_up(self, face: Face, least_s: float) -> None:
        marks = {name: len(each.answers) for name, each in self.nodes.items()}
        since_at = self._clock()
        most_s = max(least_s, FACE_S + FACE_S_A_BOARD * len(marks))
        passed_s = 0.0
        while passed_s < least_s or (passed_s < most_s and not self._settled(marks)):
            for board in self._boards:
                board.show(face)  # one that is lost drops it
            await asyncio.sleep(REFRESH_S)
            passed_s = (self._clock() - since_at) / S_NS
        self._compare(marks)

    def _settled(self, marks: dict[str, int]) -> bool:
        """Whether each board has answered right since its mark, or badly often enough."""
        for name, mark in marks.items():
            since = [each.report.answered for each in self.nodes[name].answers[mark:]]
            if Answered.RIGHT not in since and len(since) < BAD_ANSWERS:
                return False
        return True

    def _compare(self, marks: dict[str, int]) -> None:
        """Note what the boards showed in the end, if they disagreed."""
        answers = {name: self.nodes[name].answers[mark:] for name, mark in marks.items()}
        shown = {name: each[-1].report.seen for name, each in answers.items() if each}
        seen = {name: what for name, what in shown.items() if what}
        if len(set(seen.values())) > 1:
            self.disagreed.append(", ".join(f"{name} {what}" for name, what in seen.items()))


async def check_boards(
    boards: Sequence[Built[Board]], site: Site, brightness: int, report: Report
) -> None:
    """Take all boards through lamp test, numerals and dark. They are dark afterwards, always."""
    test = LampTest([each.driver for each in boards], site.clock, brightness)
    try:
        async with AsyncExitStack() as stack:
            for far in site.pairs:
                far.open()
            running = [
                await stack.enter_async_context(RunningDriver(each.driver.run(test)))
                for each in boards
            ]
            for work, each in zip(running, boards, strict=True):
                if work.fault is not None:
                    test.leave_out(each.driver)
            if test.any_left:
                await _show_all(test, report)
            _report(boards, running, test, report)
        if test.disagreed:
            report.take([_disagreed(test.disagreed)])
        report.take([ok("all boards are ordered dark again")])
    finally:
        for far in site.pairs:
            far.close()


def _report(
    boards: Sequence[Built[Board]], running: Sequence[RunningDriver], test: LampTest, report: Report
) -> None:
    """What was found of each driver's boards, or why nothing could be; board nodes last."""
    pairs = {pair.bus: pair for pair in test.pairs}
    for each, work in sorted(
        zip(boards, running, strict=True), key=lambda it: it[0].driver in pairs
    ):
        board = each.driver
        if work.fault is not None:
            report.take([port_finding(work.fault, ", ".join(board.boards), each.kind.cures)])
        elif isinstance(board, NodeBus):
            report.take(pair_findings(pairs[board], test))
        else:
            report.take(display_findings(board, test.reports))


async def _show_all(test: LampTest, report: Report) -> None:
    report.say("listening for another controller ...")
    await asyncio.sleep(LISTEN_S)
    await test.numerals(None)
    report.say("lamp test: look at both boards, every lamp must be lit")
    await test.lamp_test()
    for numerals in NUMERALS:
        report.say(f"showing {numerals}")
        await test.numerals(numerals)
    report.say("showing nothing: the boards must be dark")
    await test.numerals(None)


def _disagreed(times: list[str]) -> Finding:
    return wrong(
        f"the boards disagreed: {'; '.join(times)}",
        "play with the boards off until the wrong one is mended",
    )


def pair_findings(pair: NodePair, test: LampTest) -> Iterator[Finding]:
    """Everything about the boards of one port, and about the port."""
    nodes = [test.nodes[name] for name in pair.bus.boards]
    if pair.bus.strangers:
        named = f": {pair.bus.other_version}" if pair.bus.other_version else ""
        yield wrong(
            f"{pair.port.name}: another controller speaks on the boards' pair{named}",
            "find it and take it off: the boards obey whoever spoke first",
        )
    for each in nodes:
        yield from node_findings(each, pair.port.name)
    yield from _adapter(pair, nodes)
    damaged = pair.bus.bad_frames
    if damaged:
        yield look(
            f"{pair.port.name}: {damaged} damaged answers in this check",
            "look at the 120 ohm ends, the bias and the plugs of the pair",
        )
    revisions = {each.name: each.statuses[-1].revision for each in nodes if each.statuses}
    if len(set(revisions.values())) > 1:
        said = ", ".join(f"{name} {revision}" for name, revision in revisions.items())
        yield look(f"the boards have different firmware: {said}", "bring them to the same one")


def node_findings(node: NodeAnswers, port: str) -> Iterator[Finding]:
    """What one board node's answers say."""
    asked = len(node.answers)
    silent = asked - len(node.statuses)
    if silent == asked:
        yield wrong(
            f"{node.name} (node {node.node} on {port}) does not answer: asked {asked} times",
            "look at its supply, its plug and the pair (the two wires may be exchanged), and at "
            "the number set in the node",
        )
        return
    if silent:
        yield look(f"{node.name}: {silent} of {asked} answers missing", "look at cable and plugs")
    yield from lamp_findings(node.name, node.answers)
    yield from _health(node)


def _health(node: NodeAnswers) -> Iterator[Finding]:
    """Supply, damaged and foreign frames, resets, as the node tells."""
    first, last = node.statuses[0], node.statuses[-1]
    yield from _supply(node)
    errors = (last.frame_errors - first.frame_errors) & 0xFF
    if errors:
        yield look(
            f"{node.name} received {errors} damaged frames in this check",
            "look at the 120 ohm ends, the bias and the plugs of the pair",
        )
    if last.foreign_frames != first.foreign_frames:
        yield wrong(
            f"{node.name} hears another controller at this moment",
            "find it and take it off the pair",
        )
    elif last.foreign_frames:
        yield look(
            f"{node.name} has heard another controller since it was switched on",
            "find out who else was on the pair",
        )
    if last.flags & NodeFlag.WATCHDOG:
        yield look(f"{node.name} hung and was reset by its watchdog", "if it recurs replace it")
    if last.flags & NodeFlag.BROWN_OUT:
        yield look(f"{node.name} was reset by a drop of its supply", "look at supply and cable")
    if any(status.flags & NodeFlag.CHAIN_FAULT for status in node.statuses):
        yield wrong(f"{node.name}: its chain of lamp drivers is faulty", "have the board mended")
    yield ok(f"{node.name}: up for {last.uptime_s} s, firmware {last.revision}")


def _supply(node: NodeAnswers) -> Iterator[Finding]:
    lit = [status.supply_dv for status in node.statuses if status.flags & NodeFlag.LAMP_TEST]
    volts = [status.supply_dv for status in node.statuses]
    most, least = max(volts), min(lit, default=min(volts))
    said = f"{node.name}: supply {most / 10:.1f} V"
    if least < most * (1 - SAG):
        yield look(
            f"{said}, but {least / 10:.1f} V with all lamps lit",
            "use a stronger supply or a thicker cable",
        )
    else:
        yield ok(f"{said}, {least / 10:.1f} V with all lamps lit")


def _adapter(pair: NodePair, nodes: list[NodeAnswers]) -> Iterator[Finding]:
    """How fast the adapter hands over what it hears."""
    port = pair.port.port
    low = port.low_latency if isinstance(port, SerialPort) else None
    delays = [
        answer.delay_ms for each in nodes for answer in each.answers if answer.delay_ms is not None
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


def lamp_findings(name: str, answers: Sequence[BoardAnswer]) -> Iterator[Finding]:
    """Did the board show what it was told? At least one answer came."""
    bad = [each.report for each in answers if each.report.answered is Answered.WRONG]
    if not bad:
        bright = next(each.status.brightness for each in reversed(answers) if each.status)
        yield ok(f"{name} showed all that it was told, at brightness {bright} of 15")
        return
    dim = [note for report in bad for note in report.notes if note.startswith("brightness")]
    lies = lies_told(bad)
    if lies:
        yield wrong(
            f"{name} showed {lies}{_stuck(answers)}",
            "do not use the boards until it is mended: the digit's module, its plug",
        )
    elif dim:
        yield look(f"{name}: {dim[-1]}", "set it again, or have the node's firmware looked at")


def lies_told(reports: Iterable[BoardReport]) -> str:
    """What was shown when something else was told, each lie once."""
    lies = [each for each in reports if each.seen != each.expected]
    return "; ".join(dict.fromkeys(f"{each.seen} when told {each.expected}" for each in lies))


def _stuck(answers: Sequence[BoardAnswer]) -> str:
    """The lamps that were always dark though ordered, or always lit though not, in words."""
    always_dark, always_lit = [0xFF, 0xFF], [0xFF, 0xFF]
    ordered_lit, ordered_dark = [0, 0], [0, 0]
    for report, _, status in answers:
        if status is None:
            continue
        for digit in (0, 1):
            want, have = _ordered(report.expected)[digit], status.segments[digit]
            always_dark[digit] &= ~have
            always_lit[digit] &= have
            ordered_lit[digit] |= want
            ordered_dark[digit] |= ~want & 0xFF
    words = []
    for digit, place in enumerate(("tens", "units")):
        words += [f"{place}: {each} never lit" for each in _bars(always_dark, ordered_lit, digit)]
        words += [f"{place}: {each} never dark" for each in _bars(always_lit, ordered_dark, digit)]
    return f" ({', '.join(words)})" if words else ""


def _bars(always: list[int], ordered: list[int], digit: int) -> list[str]:
    bits = always[digit] & ordered[digit]
    if bits == 0xFF:
        return ["every lamp"]
    return [bar for bit, bar in enumerate(BARS) if bits >> bit & 1]


def _ordered(words: str) -> tuple[int, int]:
    return ORDERED_LAMPS.get(words) or segments(int(words))


def display_findings(
    display: Board, reports: Mapping[str, Sequence[BoardReport]]
) -> Iterator[Finding]:
    """Everything about the displays of one driver that are not board nodes."""
    for name in display.boards:
        if name in display.answering:
            yield _answers(name, reports.get(name, ()))
            yield look(
                f"{name}: whether it goes dark when this controller dies is not known",
                "set a time-out in the display if it has one, and keep its supply switch at "
                "hand: without a time-out nothing else darkens it",
            )
        else:
            yield look(
                f"{name}: was sent lamp test, numerals and dark, and cannot say what it shows",
                "read it from the field; when this controller dies its last numeral stands, "
                "and only its supply switch darkens it: know where that is",
            )


def _answers(name: str, reports: Sequence[BoardReport]) -> Finding:
    told = [each for each in reports if each.answered is not Answered.SILENT]
    if not told:
        return wrong(
            f"{name} does not answer: asked {len(reports)} times",
            "look at its supply, its plug and the line, and at the unit set in it",
        )
    lies = [each for each in told if each.answered is Answered.WRONG]
    if lies:
        times = dict.fromkeys(f"{each.seen} when told {each.expected}" for each in lies)
        return wrong(
            f"{name} showed {'; '.join(times)}", "do not use the boards until it is mended"
        )
    if len(told) < len(reports):
        missing = len(reports) - len(told)
        return look(
            f"{name}: {missing} of {len(reports)} answers missing", "look at cable and plugs"
        )
    return ok(f"{name} showed all that it was told")
