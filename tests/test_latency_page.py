"""``hardware/LATENCY.md``: its sums are those of its rows, its formulas give its figures, and what
it takes from elsewhere is what stands there."""

from __future__ import annotations

import ast
import operator
import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from importlib.util import find_spec

import pytest

from drivers.base import Answer, PhaseCode
from drivers.board.messages import Show, encode_show
from drivers.board.poll_schedule import LONGEST_WINDOW_NS
from drivers.handset.messages import PressFrame, StateFlag, StateFrame, encode_press, encode_state
from tests.shared import protocol_page
from tests.shared.markdown_tables import HARDWARE, rows

PAGE = (HARDWARE / "LATENCY.md").read_text("utf-8")
PROTOCOL = protocol_page.PAGE.read_text("utf-8")
TYPICAL_GOAL_MS, WORST_GOAL_MS, HANDSET_GOAL_MS = 45, 65, 15
KNOWN = {"measured", "protocol", "arithmetic", "assumed", "goal"}
FIRST_OF_SERVICE = 9
CENT = Decimal("0.01")
OPERATORS: dict[type[ast.operator], Callable[[Decimal, Decimal], Decimal]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}


@dataclass(frozen=True)
class Hop:
    """One row: milliseconds, how typical and worst are known, and from where."""

    number: int
    name: str
    typical: Decimal
    worst: Decimal
    known: tuple[str, ...]
    source: str


def _hops() -> list[Hop]:
    found = rows(PAGE, "#", "hop", "typical ms", "worst ms", "known", "from")
    return [
        Hop(int(number), name, Decimal(typical), Decimal(worst), tuple(known.split(" / ")), source)
        for number, name, typical, worst, known, source in found
        if number
    ]


HOPS = _hops()
BY_NAME = {hop.name: hop for hop in HOPS}


def value(formula: str) -> Decimal:
    """Work out a formula of numbers, ``+ - * /`` and parentheses."""

    def of(node: ast.expr) -> Decimal:
        if isinstance(node, ast.BinOp):
            return OPERATORS[type(node.op)](of(node.left), of(node.right))
        assert isinstance(node, ast.Constant), f"{formula}: {ast.dump(node)}"
        return Decimal(str(node.value))

    return of(ast.parse(formula, mode="eval").body)


def cents(number: Decimal) -> Decimal:
    """Rounded as on the page."""
    return number.quantize(CENT, ROUND_HALF_UP)


def formulas(source: str) -> list[str]:
    return re.findall(r"`([\d .+*/()-]+)`", source)


def stated(pattern: str, text: str = PAGE) -> Decimal:
    """The one number that ``pattern`` finds."""
    found = re.findall(pattern, text)
    assert len(found) == 1, f"{pattern}: {found}"
    return Decimal(found[0])


def total(hops: list[Hop]) -> tuple[Decimal, Decimal]:
    return sum((hop.typical for hop in hops), Decimal()), sum(
        (hop.worst for hop in hops), Decimal()
    )


def test_the_sums_are_those_of_the_rows() -> None:
    assert [hop.number for hop in HOPS] == list(range(1, len(HOPS) + 1))
    (_, _, typical, worst, *_) = rows(PAGE, "#", "hop", "typical ms", "worst ms", "known", "from")[
        -1
    ]
    assert (Decimal(typical.strip("*")), Decimal(worst.strip("*"))) == total(HOPS)
    without = total(HOPS)[1] - BY_NAME["a board is being asked"].worst
    assert stated(r"Without the window of row 11 the worst is ([\d.]+) ms") == without
    for hop in HOPS:
        assert 0 <= hop.typical <= hop.worst, hop.name


def test_the_goals_are_met() -> None:
    assert stated(r"typical at most (\d+) ms") == TYPICAL_GOAL_MS
    assert stated(r"worst, where the press meets a poll of a board, at most (\d+) ms") == (
        WORST_GOAL_MS
    )
    typical, worst = total(HOPS)
    assert typical <= TYPICAL_GOAL_MS
    assert worst <= WORST_GOAL_MS
    assert stated(r"its goal is (\d+) ms from the edge") == HANDSET_GOAL_MS
    assert total(HOPS[:3])[1] <= HANDSET_GOAL_MS


@pytest.mark.parametrize("hop", HOPS, ids=lambda hop: hop.name)
def test_a_figure_says_how_it_is_known(hop: Hop) -> None:
    assert set(hop.known) <= KNOWN
    assert hop.source
    found = [cents(value(formula)) for formula in formulas(hop.source)]
    if "arithmetic" in hop.known:
        assert found, "no formula"
    if found:
        assert (found[0], found[-1]) == (hop.typical, hop.worst)
    if "measured" in hop.known:
        assert "python -m " in hop.source


def test_the_commands_named_are_there() -> None:
    for module in set(re.findall(r"`python -m ([\w.]+)`", PAGE)):
        assert find_spec(module), module


def test_frames_are_as_long_as_the_drivers_make_them() -> None:
    key = bytes(16)
    press = encode_press(PressFrame(1, 1, 1, 0, 1, 9), bytes(8), key)
    show = encode_show(Show(1, 1, 40, 15, 0, 3))
    state = encode_state(
        StateFrame(1, PhaseCode.SET, 40, 0, StateFlag(0), 0, 0, 0, 0, Answer.NONE), bytes(8), key
    )
    assert "**Serial format:** 38,400 baud, 8 data bits, no parity, 1 stop bit" in PROTOCOL
    for name, frame in (
        ("PRESS to the radio", press),
        ("PRESS from the receiver", press),
        ("SHOW on the pair", show),
    ):
        assert formulas(BY_NAME[name].source) == [f"{len(frame)} * 10 / 38.4"]
    for formula in formulas(BY_NAME["on the air"].source):
        assert formula.startswith(f"({len(press)} + ")
    extra = rows(PAGE, "on top", "at most ms", "how often", "from")
    assert formulas(extra[0][3]) == [f"{len(state)} * 10 / 38.4"]


def test_what_comes_on_top_is_worked_out_right() -> None:
    for name, most, _, source in rows(PAGE, "on top", "at most ms", "how often", "from"):
        for formula in formulas(source):
            assert cents(value(formula)) == Decimal(most), name


def test_the_figures_of_the_protocol_are_the_protocols() -> None:
    window = BY_NAME["a board is being asked"].worst
    assert window == stated(
        r"A change that falls into the window waits\s+for it: at most ([0-9.]+)", PROTOCOL
    )
    assert window == Decimal(LONGEST_WINDOW_NS) / 1_000_000
    assert BY_NAME["the node latches"].worst <= stated(r"closing `00`, within (\d+) ms", PROTOCOL)
    again = r"again after a random 25-(\d+) ms"
    extra = {
        name: most for name, most, *_ in rows(PAGE, "on top", "at most ms", "how often", "from")
    }
    assert Decimal(extra["the first copy of the press is lost"]) == stated(again, PROTOCOL)


def test_what_is_said_of_the_rows() -> None:
    before = [hop for hop in HOPS if hop.number < FIRST_OF_SERVICE]
    assert stated(r"a count starts (\d+) ms after the thumb") == round(total(before)[0])
    after = total(HOPS[FIRST_OF_SERVICE - 1 :])[0]
    assert stated(r"the first numeral stands for (\d+) ms less than a second") == round(after)
    radio = [hop for hop in HOPS if 3 <= hop.number <= 7]
    assert stated(r"the table has ([\d.]+) ms for them typically") == total(radio)[0]
    slow = cents(value("(30 + 16) * 8 / 19.2"))
    assert stated(r"it would be ([\d.]+) ms with 16 bytes") == slow
    worst = total(HOPS)[1] - BY_NAME["on the air"].worst + slow
    assert stated(r"and the worst case ([\d.]+) ms: that misses") == worst > WORST_GOAL_MS
