"""A row as a text for a snapshot, and back."""

from __future__ import annotations

import json
from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.journal.row import ROW_COLUMNS, Dated, Row, cells_of, row_from, row_text

WORDS = st.text(max_size=20)
NUMBERS = st.none() | st.integers(-(2**62), 2**62)


@given(
    st.builds(
        Row,
        kind=WORDS,
        game=st.integers(0, 99),
        play=st.integers(0, 999),
        event_number=NUMBERS,
        received_at=st.integers(0, 2**62),
        edge_at=NUMBERS,
        handset=NUMBERS,
        facts=st.lists(WORDS, max_size=3).map(tuple),
        detail=WORDS,
    ),
    st.integers(0, 2**62),
)
def test_a_row_comes_back_the_same(row: Row, wall_ns: int) -> None:
    assert row_from(json.loads(row_text(Dated(row, wall_ns)))) == Dated(row, wall_ns)


def test_the_columns_are_the_fields_in_their_order() -> None:
    row = Row(kind="press", game=1, play=2, event_number=3, received_at=4, detail="last")
    assert tuple(each.name for each in fields(Row)) == ROW_COLUMNS
    assert cells_of(row)[:5] == ("press", 1, 2, 3, 4) and cells_of(row)[-1] == "last"


@pytest.mark.parametrize("parsed", [[], [1], [1, 2, 3], "text"])
def test_what_is_no_row_is_refused(parsed: list[object]) -> None:
    with pytest.raises((ValueError, TypeError)):
        row_from(parsed)
