"""Setting the card in type: everything is measured, and what does not fit is an error."""

from __future__ import annotations

from typing import Any

import pytest

from controller.card.content import CardRow, Count, Item, KeyRow
from controller.card.typesetting import (
    Bar,
    Block,
    Box,
    DoesNotFitError,
    Gap,
    Head,
    Ruled,
    Setter,
    check_width,
    height_of,
)

COUNT = Count(
    "40", "at the dead ball", "runs", False, (("plays", (Item("routine", "Over", True, True),)),)
)
NO_COUNT = Count("", "No new count", "", True, ())


class Canvas:
    """Keeps what is written, with the size of its type; a letter is half as wide as high."""

    def __init__(self) -> None:
        self.written: list[tuple[str, float, float]] = []
        self._size = 0.0

    def setFont(self, _name: str, size: float) -> None:
        self._size = size

    def drawString(self, x: float, y: float, words: str) -> None:
        self.written.append((words, x, y))

    def stringWidth(self, words: str, _font: str, size: float) -> float:
        return len(words) * size / 2

    def __getattr__(self, name: str) -> Any:
        return lambda *_args, **_named: None


@pytest.fixture
def setter() -> Setter:
    return Setter((300, 400), 8, "a title")


def test_a_box_is_cut_into_columns_and_from_its_top() -> None:
    box = Box(10, 20, 110, 200)
    assert box.columns() == [Box(10, 20, 50, 200), Box(70, 20, 50, 200)]
    assert box.below(30) == Box(10, 20, 110, 170)
    assert box.top(30) == Box(10, 190, 110, 30)


def test_a_word_wider_than_its_column_does_not_fit(setter: Setter) -> None:
    heading = setter.heading("extraordinarily")
    assert isinstance(heading, Ruled)
    check_width(heading, 200)
    assert height_of(heading, 200) > height_of(setter.text("x"), 200)
    with pytest.raises(DoesNotFitError):
        height_of(heading, 20)
    with pytest.raises(DoesNotFitError):
        setter.cells([setter.text("extraordinarily")], [20])


@pytest.mark.parametrize(
    ("count", "said"), [(COUNT, ["40", "at the dead ball", "runs"]), (NO_COUNT, ["No new count"])]
)
def test_a_bar_says_its_count_from_left_to_right(count: Count, said: list[str]) -> None:
    canvas, bar = Canvas(), Bar(count, 8)
    _, high = bar.wrap(200, 0)
    bar.drawOn(canvas, 50, 100)
    assert [words for words, _, _ in canvas.written] == said
    assert all(50 < x < 250 and 100 < y < 100 + high for _, x, y in canvas.written)
    bar.wrap(40, 0)
    with pytest.raises(DoesNotFitError):
        bar.drawOn(canvas, 50, 100)


def test_blocks_flow_from_box_to_box_and_what_is_left_is_told(setter: Setter) -> None:
    boxes = [Box(0, 0, 100, 50), Box(100, 0, 100, 50)]
    blocks = [Block((Gap(30),), gap=5, again=Gap(1)) for _ in range(3)]
    assert setter.flow(blocks[:2], boxes) == Box(100, 0, 100, 19)
    (left,) = setter.fill(blocks, boxes)
    assert sum(part.wrap(100, 0)[1] for part in left.parts) == 31
    with pytest.raises(DoesNotFitError):
        setter.flow(blocks, boxes)


def test_two_columns_are_levelled(setter: Setter) -> None:
    blocks = [Block((Gap(10),)) for _ in range(6)]
    rest = setter.level(blocks, Box(0, 0, 100, 200))
    assert 200 - 30 - setter.size <= rest.height <= 200 - 30
    with pytest.raises(DoesNotFitError):
        setter.level(blocks, Box(0, 0, 100, 20))


def test_the_second_ending_of_a_count_may_stand_in_another_column(setter: Setter) -> None:
    items = tuple(Item(each, each, False, False) for each in ("one", "two"))
    first, second = setter.count(Count("40", "x", "", False, (("group", items),)))
    assert isinstance(first.parts[0], Bar) and first.again is None
    assert len(second.parts) == 1 and isinstance(second.again, Ruled)


def test_a_whole_page(setter: Setter) -> None:
    box = Box(20, 20, 260, 360)
    rest = setter.head(Head("A code", "Newest", ("option a = b",)), box)
    assert rest.height < box.height
    rows = [CardRow("Head", "words", "a source", True, True), CardRow("Other", "more")]
    blocks = [
        *setter.count(COUNT),
        *setter.rows("Rows", rows),
        *setter.legend(unsettled=True, local=True),
        setter.choices("Agreed", [("Who", ["a b", "c"]), ("Notes", [])], 260),
        *setter.keys(
            "Keys", [KeyRow("25", "held", "runs", ""), KeyRow("UNDO", "back", "", "")], 260
        ),
        setter.pairs("Cues", [("one", "short"), ("two", "long"), ("three", "tick")], 260),
    ]
    assert setter.flow(blocks, [rest]).height > 0
    setter.folds()
    page = setter.finish()
    assert page.startswith(b"%PDF")
    assert not setter.legend(unsettled=False, local=False)
