"""From a configuration to the drivers of displays and inputs, and all of it at work together."""

from __future__ import annotations

import asyncio
import fcntl
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.assembly.devices import board_drivers, handset_drivers
from controller.check.boards import check_boards
from controller.check.handsets import CheckedHandset, check_handsets
from controller.check.ports import SniffingPort
from controller.check.report import Report
from controller.config.load import parse_config
from controller.config.model import Config
from drivers.base import Key
from drivers.handset.input_event import EVENT
from drivers.handset.key_codes import CODES
from drivers.kind import Site
from tests.controller.assembly.test_assembler import assembled, numerals, running
from tests.controller.config.test_device_tables import OPEN, SHOWN
from tests.shared.installation import Tty
from tests.shared.virtual_time import VirtualClock, virtual

NODE = '[[boards]]\nname = "Node"\ndriver = "simulated"\nnode = 1\n'


def test_each_table_gives_its_driver_and_one_line_is_one_driver() -> None:
    twin = SHOWN[: SHOWN.index("[[boards]]", 5)].replace("Press side", "Twin")
    config = parse_config(OPEN + SHOWN + "\n" + twin.replace("unit = 1 ", "unit = 2 "), "f.toml")
    site = Site(lambda: 0)
    boards = [each.driver for each in board_drivers(config.boards, site)]
    assert [(each.name, each.boards, each.answering) for each in boards] == [
        ("/dev/playclock-modbus", ("Press side", "Twin"), ("Press side", "Twin")),
        ("/dev/playclock-text", ("Home side",), ()),
        ("Bench on pins", ("Bench",), ()),
    ]
    handsets = [each.driver for each in handset_drivers(config.handsets, site)]
    device = "/dev/input/by-id/usb-Example_Presenter-event-kbd"
    assert [(each.name, each.serves, each.authenticated) for each in handsets] == [
        ("handset 3 on pins", (3,), False),
        (device, (4,), False),
    ]
    four = (Key.NUMBER_40, Key.NUMBER_25, Key.READY, Key.UNDO)
    given = [each.details.keys for each in config.handsets if each.details]
    assert [sorted(keys) for keys in given] == [sorted(four)] * 2


def test_nothing_from_outside_is_loaded_before_it_runs() -> None:
    """Building is enough for a refusal to be told; gpiozero and pymodbus come with the device."""
    code = (
        f"import sys\nsys.path.insert(0, {str(Path(__file__).resolve().parents[3])!r})\n"
        "from controller.config.load import parse_config\n"
        "from controller.assembly.devices import board_drivers, handset_drivers\n"
        "from drivers.kind import Site\n"
        f"config = parse_config({OPEN + SHOWN!r}, 'f.toml')\n"
        "site = Site(lambda: 0)\n"
        "board_drivers(config.boards, site), handset_drivers(config.handsets, site)\n"
        "print({'gpiozero', 'pymodbus', 'serial'} & set(sys.modules))\n"
    )
    command = [sys.executable, "-I", "-S", "-c", code]
    assert subprocess.check_output(command, text=True).strip() == "set()"


@dataclass
class Devices:
    """A text display on a pty, a key device on a pipe."""

    folder: Path
    text: Tty
    keys: int = -1

    @property
    def config(self) -> Config:
        return parse_config(
            f'{OPEN}state_folder = "{self.folder}/state"\n{NODE}'
            '[[boards]]\nname = "Text"\ndriver = "text_line"\nbaud = 9600\n'
            f'port = "{self.text.link}"\n'
            '[boards.text_line]\nnumerals = "{numerals:02d}\\r"\ndark = "--\\r"\n'
            '[[handsets]]\ndriver = "input_event"\nid = 4\nrole = "keeper"\nlayout = "four"\n'
            f'port = "{self.folder}/event0"\n'
            '[handsets.input_event.keys]\nKEY_PAGEDOWN = "25"\nKEY_PAGEUP = "ready"\n',
            "f.toml",
        )

    def press(self, name: str) -> None:
        if self.keys < 0:
            self.keys = os.open(self.folder / "event0", os.O_WRONLY | os.O_NONBLOCK)
        for value in (1, 0):
            os.write(self.keys, EVENT.pack(0, 0, 1, CODES[name], value) + EVENT.pack(*[0] * 5))

    def texts(self) -> list[str]:
        """What the display was sent since the last time, repeats left out."""
        lines = os.read(self.text.master, 65536).decode("ascii").split("\r")[:-1]
        return [line for n, line in enumerate(lines) if n == 0 or lines[n - 1] != line]


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Devices]:
    real = fcntl.ioctl

    def no_grab(fd: int, request: int, *rest: object) -> object:
        """A pipe cannot be grabbed."""
        return 0 if request == 0x40044590 else real(fd, request, *rest)  # type: ignore[call-overload]

    monkeypatch.setattr(fcntl, "ioctl", no_grab)
    os.mkfifo(tmp_path / "event0")
    made = Devices(tmp_path, Tty(tmp_path / "text"))
    yield made
    made.text.unplug()
    if made.keys >= 0:
        os.close(made.keys)


@virtual
async def test_a_presenter_drives_a_node_and_a_text_display(
    clock: VirtualClock, site: Devices
) -> None:
    assembly = assembled(clock, site.config)
    service = assembly.service
    async with running(assembly):
        await asyncio.sleep(2)
        site.press("KEY_PAGEDOWN")
        await asyncio.sleep(2)
        assert numerals(assembly, clock) == [25]
        site.press("KEY_PAGEUP")
        await asyncio.sleep(3.5)
        assert numerals(assembly, clock) == [22]
        status = service.status()
        health = [(each.name, each.state) for each in status.board_health]
        assert health == [("Node", "right"), ("Text", "sent")]
        assert status.unauthenticated and not status.boards_why
        assert site.texts() == ["--", "25", "24", "23", "22"]
    assert site.texts() == ["--"]


@virtual
async def test_a_display_that_is_not_there_darkens_all_and_says_which(
    clock: VirtualClock, site: Devices
) -> None:
    config = site.config
    site.text.unplug()
    assembly = assembled(clock, config)
    async with running(assembly):
        await asyncio.sleep(1)
        site.press("KEY_PAGEDOWN")
        await asyncio.sleep(1)
        assert numerals(assembly, clock) == [None]
        status = assembly.service.status()
        assert "Text: its port is lost" in status.boards_why


@virtual
async def test_the_check_says_what_only_people_can_see_and_names_the_switch(
    clock: VirtualClock, site: Devices
) -> None:
    checked, lines = Site(clock, listen=SniffingPort), list[str]()
    report = Report(lines.append)
    await check_boards(board_drivers(site.config.boards, checked), checked, 15, report)
    assert site.texts() == ["--", "88", "40", "25", "07", "00", "--"]
    (found,) = [line for line in lines if "Text" in line]
    assert found.startswith("LOOK") and "cannot say what it shows" in found
    assert "only its supply switch darkens it" in found
    assert not report.wrong


@virtual
async def test_the_check_waits_for_the_keys_that_an_input_has(
    clock: VirtualClock, site: Devices
) -> None:
    config, checked, lines = site.config, Site(clock, listen=SniffingPort), list[str]()
    drivers = handset_drivers(config.handsets, checked)
    known = [CheckedHandset(4, "keeper", "four", (Key.NUMBER_25, Key.READY))]
    report = Report(lines.append)
    task = asyncio.create_task(check_handsets(drivers, checked, known, 20, report))
    await asyncio.sleep(1)
    site.press("KEY_PAGEDOWN")
    await asyncio.sleep(1)
    site.press("KEY_PAGEUP")
    await task
    assert lines[-1] == "OK     handset 4 (keeper, four keys): all 2 keys came"
    await check_handsets(drivers, checked, known, 1, report)
    assert "no press of 40" not in lines[-1] and "no press of 25, READY came" in lines[-1]
