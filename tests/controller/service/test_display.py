"""What the boards are told: changes at once and again, refreshed ten times a second."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from controller.service.display import Display
from drivers.base import Face
from tests.controller.fakes import MS, S

AT = 1_000 * S


class Wire:
    """A board that keeps its faces."""

    sent = 0

    def __init__(self) -> None:
        self.name = "wire"
        self.boards = self.answering = ("north",)
        self.faces: list[Face] = []

    async def run(self, listener: object) -> None:
        raise AssertionError("not run here")

    def show(self, face: Face) -> None:
        self.faces.append(face)


def test_the_first_word_is_dark_and_due_at_once() -> None:
    wire = Wire()
    display = Display([wire], 7, AT)
    assert (display.due_at, display.commanded) == (AT, "dark")
    display.put_up(None, AT)
    assert wire.faces == [Face(None, 7)]
    assert display.due_at == AT + 100 * MS


def test_a_change_goes_to_all_boards_at_once_again_after_25_ms_and_then_at_the_refresh() -> None:
    one, two = Wire(), Wire()
    display = Display([one, two], 15, AT)
    display.put_up(40, AT)
    said = []
    for at in range(AT, AT + 250 * MS, MS):
        before = len(one.faces)
        display.put_up(40, at)
        if len(one.faces) > before:
            said.append((at - AT) // MS)
    assert said == [25, 100, 200]
    assert one.faces == two.faces == [Face(40)] * 4
    assert display.commanded == "40"


def test_a_change_in_the_repeat_time_of_another_starts_it_anew() -> None:
    wire = Wire()
    display = Display([wire], 15, AT)
    display.put_up(40, AT)
    display.put_up(25, AT + 10 * MS)
    assert display.due_at == AT + 35 * MS
    display.put_up(None, AT + 50 * MS)
    assert display.due_at == AT + 75 * MS
    assert [face.numerals for face in wire.faces] == [40, 25, None]


def test_a_late_refresh_leaves_the_next_one_on_the_grid() -> None:
    display = Display([Wire()], 15, AT)
    display.put_up(None, AT)
    display.put_up(None, AT + 130 * MS)
    assert display.due_at == AT + 200 * MS
    display.put_up(None, AT + 950 * MS)
    assert display.due_at == AT + 1000 * MS


@given(st.lists(st.tuples(st.integers(0, 900 * MS), st.sampled_from([None, 1, 2])), min_size=1))
def test_however_late_it_is_called_the_refresh_keeps_its_grid_and_is_never_in_the_past(
    calls: list[tuple[int, int | None]],
) -> None:
    wire = Wire()
    display = Display([wire], 15, AT)
    now = AT
    for wait_ns, numerals in calls:
        due = display.due_at
        now += wait_ns
        before = len(wire.faces)
        changed = numerals != display.face.numerals
        display.put_up(numerals, now)
        assert (len(wire.faces) > before) is (changed or now >= due)
        assert now < display.due_at <= now + 100 * MS
        assert display.face.numerals == numerals


def test_a_board_that_joins_is_told_alone_what_the_others_show() -> None:
    one, two = Wire(), Wire()
    display = Display([one, two], 15, AT)
    display.put_up(40, AT)
    display.join(two, 40, AT + 5 * MS)
    assert (one.faces, two.faces) == ([Face(40)], [Face(40)] * 2)


def test_where_the_numerals_have_changed_all_are_told_when_a_board_joins() -> None:
    one, two = Wire(), Wire()
    display = Display([one, two], 15, AT)
    display.put_up(40, AT)
    display.join(two, 39, AT + 5 * MS)
    assert one.faces == two.faces == [Face(40), Face(39)]
    assert (display.told, display.commanded) == (2, "39")
