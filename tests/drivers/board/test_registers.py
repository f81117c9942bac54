"""What a register must hold for each face."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.base import DARK, Face
from drivers.board.registers import Format, RegisterMap

LAMP_TEST = Face(None, lamp_test=True)


# Worked by hand: 0x25 is 25 in BCD; ASCII "2" is 0x32, a space 0x20 (ISO 646); segments as in
# hardware/PROTOCOL.md: 2 is 5B, 5 is 6D, 7 is 07.
@pytest.mark.parametrize(
    ("form", "blank", "values"),
    [
        ("binary", 255, {25: 25, 7: 7, 0: 0}),
        ("bcd", 0xAA, {25: 0x25, 7: 0x07, 0: 0x00}),
        ("ascii", None, {25: 0x3235, 7: 0x2037, 0: 0x2030}),
        ("segments", None, {25: 0x5B6D, 7: 0x0007, 0: 0x003F}),
    ],
)
def test_each_format_has_its_values_and_reads_them_back(
    form: Format, blank: int | None, values: dict[int, int]
) -> None:
    registers = RegisterMap(1, 0, form, blank)
    for numerals, value in values.items():
        assert registers.value(Face(numerals)) == value
        assert registers.words(value) == str(numerals)
    assert registers.words(registers.value(DARK)) == "dark"
    assert registers.words(0xDEAD) in ("register DEAD", "segments DEAD")


def test_the_lamp_test_lights_every_lamp_that_the_format_reaches() -> None:
    assert RegisterMap(1, 0, "segments").value(LAMP_TEST) == 0xFFFF
    assert RegisterMap(1, 0, "segments").words(0xFFFF) == "lamp test"
    assert RegisterMap(1, 0, "bcd", 0xAA).value(LAMP_TEST) == 0x88
    assert RegisterMap(1, 0, "ascii").value(LAMP_TEST) == 0x3838


@pytest.mark.parametrize(
    ("most", "values"), [(15, (1, 8, 15)), (100, (7, 53, 100)), (4, (1, 2, 4))]
)
def test_brightness_is_spread_over_what_the_display_knows(
    most: int, values: tuple[int, ...]
) -> None:
    registers = RegisterMap(1, 0, "ascii", brightness_register=1, brightness_most=most)
    assert tuple(registers.brightness(Face(25, each)) for each in (1, 8, 15)) == values


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"format": "binary"}, 'blank: missing; format = "binary" has no natural blank'),
        ({"format": "bcd", "blank": 0x40}, "blank: 64 is the value of a numeral"),
        ({"format": "segments", "blank": 0x3F}, "blank: 63 is the value of a numeral"),
        ({"format": "ascii", "brightness_register": 5}, "brightness_register: 5 holds the numer"),
        ({"format": "ascii", "read_back_register": 5}, "read_back_register: 5 is where the num"),
    ],
)
def test_a_map_that_could_mislead_is_refused(fields: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError) as caught:
        RegisterMap(unit=1, register=5, **fields)
    assert str(caught.value).startswith(why)


def test_an_input_register_may_have_the_number_of_the_holding_register() -> None:
    RegisterMap(1, 5, "ascii", read_back_register=5, read_back_function=4)
