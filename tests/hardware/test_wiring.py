"""The drawings have the firmware's pins; the page's sums, parts and commands are right."""

from __future__ import annotations

import argparse
import re
import tomllib
from pathlib import Path

import pytest

from controller.commands import check as check_command
from controller.commands import pair as pair_command
from controller.commands import run as run_command

HARDWARE = Path(__file__).parents[2] / "hardware"
WIRING = HARDWARE / "wiring"
SHEETS = sorted(path.stem for path in WIRING.glob("*.toml"))


def test_every_sheet_is_there() -> None:
    assert SHEETS == ["board-node", "handset", "lamps", "receiver", "run"]


def drawn_pins(sheet: str) -> set[tuple[str, str, str]]:
    """Pin, port and net of the chip, as its drawing has them."""
    parts = tomllib.loads((WIRING / f"{sheet}.toml").read_text("utf-8"))["part"]
    [chip] = [part for part in parts if part["id"] == "mcu"]
    found = set()
    for text in (*chip["left"], *chip["right"]):
        if text != "-":
            words, net, *_ = (each.strip() for each in text.split("|"))
            pin, port = words.split()
            found.add((pin, port, net))
    return found


def firmware_pins(firmware: str) -> set[tuple[str, str, str]]:
    """The same from the firmware's own table; pins that are left open are not drawn."""
    page = HARDWARE / "firmware" / firmware / "PINS.md"
    if not page.exists():
        pytest.skip(f"the firmware of the {firmware} is not in this checkout")
    found = set()
    for line in page.read_text("utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if not re.match(r"\| \d", line) or "left open" in cells[4]:
            continue
        pins = cells[0].split(", ")
        ports = [re.sub(r" \(.*\)", "", port) for port in cells[1].split(", ")]
        net = cells[3].replace("**", "").split(";")[0].strip()
        nets = net.split(", ") if net != "-" else ports
        for n, pin in enumerate(pins):
            found.add((pin, ports[n % len(ports)], nets[n % len(nets)]))
    return found


@pytest.mark.parametrize(("sheet", "firmware"), [("board-node", "board"), ("handset", "handset")])
def test_the_chips_pins_are_those_of_the_firmware(sheet: str, firmware: str) -> None:
    assert drawn_pins(sheet) == firmware_pins(firmware)


def sums() -> list[tuple[str, str, str]]:
    """Name, expression and result of each sum on the page."""
    page = (WIRING / "README.md").read_text("utf-8")
    found = []
    for block in re.findall(r"^```sums\n(.*?)^```", page, re.M | re.S):
        for line in block.splitlines():
            name, rest = re.split(r"\s+= ", line, maxsplit=1)
            expression, result = rest.split("->")
            found.append((name, expression.strip(), result.strip()))
    return found


@pytest.mark.parametrize(
    ("name", "expression", "result"), sums(), ids=[name for name, *_ in sums()]
)
def test_the_sums_of_the_page_are_right(name: str, expression: str, result: str) -> None:
    assert re.fullmatch(r"[0-9e.+*/() -]+", expression), name
    places = len(result.partition(".")[2])
    assert f"{eval(expression):.{places}f}" == result


def test_the_parts_are_as_many_as_the_sums_say() -> None:
    page = (WIRING / "README.md").read_text("utf-8")
    results = {name: result for name, _, result in sums()}
    leds, strings = results["LEDs of a board"], results["strings of a board: 14 segments, 2 points"]
    assert re.search(rf"^\| red LED.*\| {leds} \|$", page, re.M)
    assert re.search(rf"^\| metal film resistor 510 Ω.*\| {strings} \|$", page, re.M)


def test_every_command_of_the_page_exists() -> None:
    """``make`` has its targets and ``playclock`` its options."""
    page = (WIRING / "README.md").read_text("utf-8")
    parsers = {command: argparse.ArgumentParser() for command in ("check", "pair", "run")}
    check_command.add_arguments(parsers["check"])
    pair_command.add_arguments(parsers["pair"])
    run_command.add_arguments(parsers["run"])
    used = re.findall(r"(?:playclock|python3 -m controller) (\w+)((?: [^ `\n]+)*)", page)
    assert {command for command, _ in used} == set(parsers)
    for command, arguments in used:
        usual = ["x" if each == "..." else each for each in arguments.split()]
        assert parsers[command].parse_args(
            usual or ["--config", "x", *(["--list"] * (command == "pair"))]
        )
