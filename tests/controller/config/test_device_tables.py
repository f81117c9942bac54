"""The tables of displays and inputs: the example's, and every way to write one wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.load import parse_config
from controller.config.model import Config
from controller.config.toml_table import ConfigError
from drivers.base import Key
from drivers.board.gpio_segments import SegmentPins
from drivers.board.registers import RegisterMap
from drivers.board.text_layout import TextLayout
from drivers.handset.gpio import KeyPins
from drivers.handset.input_event import CodedKeys

EXAMPLE = Path(__file__).resolve().parents[3] / "systemd" / "playclock.example.toml"
INDENT = "#   "
SHOWN = "\n".join(
    line.removeprefix(INDENT)
    for line in EXAMPLE.read_text("utf-8").splitlines()
    if line.startswith(INDENT)
)
OPEN = "allow_unauthenticated = true\n"


def config(text: str) -> Config:
    return parse_config(text, "f.toml")


def problems(text: str) -> tuple[str, ...]:
    with pytest.raises(ConfigError) as caught:
        config(text)
    return caught.value.problems


def test_what_the_example_shows_is_what_the_drivers_get() -> None:
    whole = config(OPEN + SHOWN)
    modbus, text, pins = whole.boards
    assert modbus.details == RegisterMap(1, 0, "bcd", 0xAAAA, 6, 1, 15, 2, 4, 200)
    assert (modbus.baud, modbus.parity, modbus.stop_bits, modbus.node) == (19200, "even", 1, 0)
    assert text.details == TextLayout("{numerals:02d}\r", "  \r", "B{brightness}\r", 1000)
    assert (text.baud, text.parity) == (9600, "none")
    shared = SegmentPins(
        segments=(4, 5, 6, 7, 8, 9, 10), digits=(20, 21), digits_active="low", alive=26
    )
    assert (pins.details, pins.port) == (shared, None)
    gpio, device = whole.handsets
    keys = {Key.NUMBER_40: 17, Key.NUMBER_25: 27, Key.READY: 22, Key.UNDO: 23}
    assert gpio.details == KeyPins(keys, "low")
    assert device.details == CodedKeys(
        {109: Key.READY, 104: Key.UNDO, 48: Key.NUMBER_40, 63: Key.NUMBER_25}
    )
    assert device.port == "/dev/input/by-id/usb-Example_Presenter-event-kbd"


def test_keys_that_anyone_could_press_are_refused_unless_allowed() -> None:
    assert problems(SHOWN) == tuple(
        f'handsets[{n}].driver = "{driver}": anyone with the like could press its keys; refused '
        f"unless allow_unauthenticated = true (for practice)"
        for n, driver in enumerate(["gpio", "input_event"])
    )


def test_a_rehearsal_changes_one_word_of_each_table() -> None:
    text = SHOWN
    for node, driver in enumerate(["modbus", "text_line", "gpio_segments"], start=1):
        text = text.replace(f'driver = "{driver}"', f'driver = "simulated"\nnode = {node}')
    for driver in ("gpio", "input_event"):
        text = text.replace(f'driver = "{driver}"', 'driver = "simulated"')
    whole = config(text)
    assert {each.details for each in whole.boards} == {None}
    assert [each.details for each in whole.handsets] == [None, None]
    assert [each.node for each in whole.boards] == [1, 2, 3]


MODBUS = '[[boards]]\nname = "M"\ndriver = "modbus"\nport = "/dev/m"\n'
MAP = '[boards.modbus]\nunit = 1\nregister = 5\nformat = "ascii"\n'
TEXT = '[[boards]]\nname = "T"\ndriver = "text_line"\nport = "/dev/t"\n'
LAYOUT = '[boards.text_line]\nnumerals = "{numerals}\\r"\ndark = "\\r"\n'
DIGITS = '[[boards]]\nname = "G"\ndriver = "gpio_segments"\n[boards.gpio_segments]\n'
SEVEN = "tens = [4, 5, 6, 7, 8, 9, 10]\nunits = [11, 12, 13, 14, 15, 16, 17]\n"
NODE = '[[boards]]\nname = "N"\ndriver = "node"\nport = "/dev/n"\nnode = 1\n'
PINS = f'{OPEN}[[handsets]]\ndriver = "gpio"\nid = 1\nrole = "keeper"\nlayout = "four"\n'
KEYS = PINS.replace("gpio", "input_event") + 'port = "/dev/input/event0"\n'


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (MODBUS, 'boards[0].modbus: missing; driver = "modbus" needs this table'),
        (MODBUS + MAP.replace("1", "248"), "boards[0].modbus.unit = 248: must be a whole number"),
        (MODBUS + MAP.replace("ascii", "hex"), 'boards[0].modbus.format = "hex": must be one of'),
        (
            MODBUS + MAP + "read_back_register = 5\n",
            "boards[0].modbus.read_back_register = 5: 5 is where the numerals are written",
        ),
        (MODBUS + MAP + "units = 2\n", "boards[0].modbus.units = 2: unknown key; the nearest"),
        (
            MODBUS + MAP + MODBUS.replace('"M"', '"L"') + MAP,
            "boards[1].modbus = {…}: unit 1 must differ from that of boards[0].modbus",
        ),
        (MODBUS + "baud = 76800\n" + MAP, "boards[0].baud = 76800: must be one of 1200, 2400"),
        (MODBUS + 'parity = "mark"\n' + MAP, 'boards[0].parity = "mark": must be one of "none"'),
        (TEXT, 'boards[0].text_line: missing; driver = "text_line" needs this table'),
        (
            TEXT + LAYOUT + TEXT.replace('"T"', '"U"') + LAYOUT + "refresh_ms = 200\n",
            "boards[1].text_line = {…}: must be as boards[0].text_line, which hears the same line",
        ),
        (TEXT + LAYOUT.replace('"\\r"', '""'), 'boards[0].text_line.dark = "": must be text of 1'),
        (DIGITS + SEVEN.replace("10]", "10.5]"), "boards[0].gpio_segments.tens = […]: must be a"),
        (DIGITS + SEVEN.replace(", 10]", "]"), "boards[0].gpio_segments.tens = […]: 6 pins; give"),
        (DIGITS + SEVEN.replace("17", "4"), "boards[0].gpio_segments.units = […]: GPIO 4 is used"),
        (NODE + 'parity = "even"\n', 'boards[0].parity = "even": a board node\'s line has neither'),
        (NODE + MAP, "boards[0].modbus = {…}: unknown key"),
        (PINS, 'handsets[0].gpio: missing; driver = "gpio" needs this table'),
        (PINS + "[handsets.gpio]\n", "handsets[0].gpio.pins: missing; must name a pin for at"),
        (PINS + "[handsets.gpio.pins]\nsnap = 4\n", "handsets[0].gpio.pins.snap = 4: unknown key"),
        (
            PINS + "[handsets.gpio.pins]\n25 = 4\n40 = 4\n",
            "handsets[0].gpio.pins.40 = 4: GPIO 4 is used by another key already",
        ),
        (
            PINS + "[handsets.gpio.pins]\n25 = 4\n" + DIGITS + SEVEN,
            "handsets[0].gpio = {…}: GPIO 4 is used by boards[0].gpio_segments already",
        ),
        (KEYS + "[handsets.input_event]\n", "handsets[0].input_event.keys: missing; must name at"),
        (
            KEYS + '[handsets.input_event.keys]\nKEY_NONE = "25"\n',
            'handsets[0].input_event.keys.KEY_NONE = "25": no key of Linux; give a name such as',
        ),
        (
            KEYS + '[handsets.input_event.keys]\nKEY_B = "snap"\n',
            'handsets[0].input_event.keys.KEY_B = "snap": must be one of "ready", "25", "40"',
        ),
    ],
)
def test_a_wrong_table_is_named_with_what_is_wrong(text: str, expected: str) -> None:
    (found,) = problems(text)
    assert found.startswith(expected)


def test_ports_of_different_kinds_are_told_apart() -> None:
    text = MODBUS + MAP + TEXT.replace("/dev/t", "/dev/m") + LAYOUT
    (found,) = [each for each in problems(text) if "cannot be" in each]
    assert found.startswith('boards[1].port = "/dev/m": cannot be the port of text_line boards too')


LINES = [n for n, line in enumerate(SHOWN.splitlines()) if " = " in line]
VALUES = ["-1", "0", "7", "99999", "true", '""', '"a"', '"25"', "[]", "[1, 2]", "{}", "1.5", "nan"]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(LINES), st.sampled_from(VALUES)), max_size=4))
def test_whatever_else_stands_there_is_valid_or_named(changes: list[tuple[int, str]]) -> None:
    lines = SHOWN.splitlines()
    for number, value in changes:
        lines[number] = f"{lines[number].split(' = ')[0]} = {value}"
    try:
        config(OPEN + "\n".join(lines))
    except ConfigError as error:
        assert changes and all(line.startswith(("boards[", "handsets[")) for line in error.problems)
