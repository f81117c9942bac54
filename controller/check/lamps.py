"""What a board's answers say of its lamps: which of them are stuck, and how."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from controller.check.report import Finding, look, ok, wrong
from drivers.base import Answered, BoardReport
from drivers.board.messages import Status
from drivers.board.segments import DARK_SEGMENTS, LAMP_TEST_SEGMENTS, segments

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


class Answer(NamedTuple):
    """One answer of a board, or its silence. ``delay_ms`` is from the first byte of the frame that
    asked to the last of the answer; it and ``status`` are None for a silence."""

    report: BoardReport
    delay_ms: float | None
    status: Status | None


_ORDERS = {"dark": DARK_SEGMENTS, "lamp test": LAMP_TEST_SEGMENTS}


def lamp_findings(name: str, answers: Sequence[Answer]) -> Iterator[Finding]:
    """Did the board show what it was told? At least one answer came."""
    bad = [each.report for each in answers if each.report.answered is Answered.WRONG]
    if not bad:
        bright = next(each.status.brightness for each in reversed(answers) if each.status)
        yield ok(f"{name} showed all that it was told, at brightness {bright} of 15")
        return
    dim = [note for report in bad for note in report.notes if note.startswith("brightness")]
    lies = [report for report in bad if report.seen != report.expected]
    if lies:
        times = dict.fromkeys(f"{each.seen} when told {each.expected}" for each in lies)
        yield wrong(
            f"{name} showed {'; '.join(times)}{_stuck(answers)}",
            "do not use the boards until it is mended: the digit's module, its plug",
        )
    elif dim:
        yield look(f"{name}: {dim[-1]}", "set it again, or have the node's firmware looked at")


def _stuck(answers: Sequence[Answer]) -> str:
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
    return _ORDERS.get(words) or segments(int(words))
