from __future__ import annotations

from typing import Any

import pytest

from drivers.base import DARK, DriverError, Face, FrameError, Key, PortError


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ((100,), "numerals 100: must be 0-99, or None for dark"),
        ((-1,), "numerals -1: must be"),
        ((25, 0), "brightness 0: must be 1-15"),
        ((25, 16), "brightness 16: must be 1-15"),
        ((8, 15, True), "lamp test together with numerals 8"),
    ],
)
def test_a_face_that_no_board_can_show_is_refused(values: tuple[Any, ...], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        Face(*values)


def test_faces_are_values() -> None:
    assert Face(None) == DARK != Face(None, lamp_test=True)
    assert (Face(0).numerals, Face(99, 1).brightness) == (0, 1)


def test_a_key_is_its_bit_in_a_press() -> None:
    assert sorted(Key) == list(range(12))


def test_errors_are_ours_and_the_builtin_they_resemble() -> None:
    assert issubclass(PortError, DriverError) and issubclass(PortError, OSError)
    assert issubclass(FrameError, DriverError) and issubclass(FrameError, ValueError)
