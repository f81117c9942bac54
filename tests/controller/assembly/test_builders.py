"""From a configuration to the drivers of displays and inputs, and all of it at work together."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import subprocess
import sys
import tty
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.assembly.assembler import Assembler, Assembly, controller_id_of, rules_of
from controller.assembly.builders import bound_keys, plain_handsets, sent_boards
from controller.check.boards import check_boards
from controller.check.handsets import Known, check_handsets
from controller.check.ports import Ports, board_wires, handset_wires
from controller.check.report import Report
from controller.config.load import Config, parse_config
from drivers.base import Key
from drivers.handset.input_event import EVENT
from drivers.handset.key_codes import CODES
from tests.controller.assembly.test_assembler import Commands, numerals, running
from tests.controller.config.test_device_tables import OPEN, SHOWN
from tests.shared.virtual_time import VirtualClock, virtual

NODE = '[[boards]]\nname = "Node"\ndriver = "simulated"\nnode = 1\n'


def test_each_table_gives_its_driver_and_one_line_is_one_driver() -> None:
    twin = SHOWN[: SHOWN.index("[[boards]]", 5)].replace("Press side", "Twin")
    config = parse_config(OPEN + SHOWN + "\n" + twin.replace("unit = 1 ", "unit = 2 "), "f.toml")
    boards = sent_boards(config.boards, lambda: 0)
    assert [(each.name, each.boards, each.answering) for each in boards] == [
        ("/dev/playclock-modbus", ("Press side", "Twin"), ("Press side", "Twin")),
        ("/dev/playclock-text", ("Home side",), ()),
        ("Bench on pins", ("Bench",), ()),
    ]
    handsets = plain_handsets(config.handsets, lambda: 0)
    device = "/dev/input/by-id/usb-Example_Presenter-event-kbd"
    assert [(each.name, each.serves, each.authenticated) for each in handsets] == [
        ("handset 3 on pins", (3,), False),
        (device, (4,), False),
    ]
    four = (Key.NUMBER_40, Key.NUMBER_25, Key.READY, Key.UNDO)
    assert [sorted(bound_keys(each)) for each in config.handsets] == [sorted(four)] * 2


def test_nothing_from_outside_is_loaded_before_it_runs() -> None:
    """Building is enough for a refusal to be told; gpiozero and pymodbus come with the device."""
    code = (
        f"import sys\nsys.path.insert(0, {str(Path(__file__).resolve().parents[3])!r})\n"
        "from controller.config.load import parse_config\n"
        "from controller.assembly.builders import plain_handsets, sent_boards\n"
        f"config = parse_config({OPEN + SHOWN!r}, 'f.toml')\n"
        "sent_boards(config.boards, lambda: 0), plain_handsets(config.handsets, lambda: 0)\n"
        "print({'gpiozero', 'pymodbus', 'serial'} & set(sys.modules))\n"
    )
    command = [sys.executable, "-I", "-S", "-c", code]
    assert subprocess.check_output(command, text=True).strip() == "set()"


@dataclass
class Site:
    """A text display on a pty, a key device on a pipe."""

    folder: Path
    master: int
    slave: int
    keys: int = -1

    @property
    def config(self) -> Config:
        return parse_config(
            f'{OPEN}state_folder = "{self.folder}/state"\n{NODE}'
            '[[boards]]\nname = "Text"\ndriver = "text_line"\nbaud = 9600\n'
            f'port = "{os.ttyname(self.slave)}"\n'
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
        lines = os.read(self.master, 65536).decode("ascii").split("\r")[:-1]
        return [line for n, line in enumerate(lines) if n == 0 or lines[n - 1] != line]


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Site]:
    real = fcntl.ioctl

    def no_grab(fd: int, request: int, *rest: object) -> object:
        """A pipe cannot be grabbed."""
        return 0 if request == 0x40044590 else real(fd, request, *rest)  # type: ignore[call-overload]

    monkeypatch.setattr(fcntl, "ioctl", no_grab)
    os.mkfifo(tmp_path / "event0")
    master, slave = os.openpty()
    tty.setraw(slave)
    made = Site(tmp_path, master, slave)
    yield made
    for fd in (master, slave, made.keys):
        with contextlib.suppress(OSError):
            os.close(fd)


def assembled(clock: VirtualClock, config: Config) -> Assembly:
    assembler = Assembler(clock, rules_of(config), config.play_clock)
    assembler.console("keeper", Commands(), None)
    assembler.boards(list(config.boards), controller_id_of(config))
    assembler.handsets(list(config.handsets), None, 0)
    return assembler.build(None, config.brightness)


def test_a_presenter_drives_a_node_and_a_text_display(site: Site) -> None:
    @virtual
    async def main(clock: VirtualClock) -> None:
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

    main()


def test_a_display_that_is_not_there_darkens_all_and_says_which(site: Site) -> None:
    @virtual
    async def main(clock: VirtualClock) -> None:
        config = site.config
        os.close(site.slave)
        os.close(site.master)
        assembly = assembled(clock, config)
        async with running(assembly):
            await asyncio.sleep(1)
            site.press("KEY_PAGEDOWN")
            await asyncio.sleep(1)
            assert numerals(assembly, clock) == [None]
            status = assembly.service.status()
            assert "Text: its port is lost" in status.boards_why

    main()


def test_the_check_says_what_only_people_can_see_and_names_the_switch(site: Site) -> None:
    @virtual
    async def main(clock: VirtualClock) -> None:
        wires, lines = Ports(), list[str]()
        board_wires(wires, site.config.boards, 1, clock)
        report = Report(lines.append)
        await check_boards(wires, clock, 15, report)
        assert site.texts() == ["--", "88", "40", "25", "07", "00", "--"]
        (found,) = [line for line in lines if "Text" in line]
        assert found.startswith("LOOK") and "cannot say what it shows" in found
        assert "only its supply switch darkens it" in found
        assert not report.wrong

    main()


def test_the_check_waits_for_the_keys_that_an_input_has(site: Site) -> None:
    @virtual
    async def main(clock: VirtualClock) -> None:
        config, wires, lines = site.config, Ports(), list[str]()
        handset_wires(wires, config.handsets, None, 0, clock)
        known = [Known(4, "keeper", "four", bound_keys(config.handsets[0]))]
        report = Report(lines.append)
        task = asyncio.create_task(check_handsets(wires, known, clock, 20, report))
        await asyncio.sleep(1)
        site.press("KEY_PAGEDOWN")
        await asyncio.sleep(1)
        site.press("KEY_PAGEUP")
        await task
        assert lines[-1] == "OK     handset 4 (keeper, four keys): all 2 keys came"
        await check_handsets(wires, known, clock, 1, report)
        assert "no press of 40" not in lines[-1] and "no press of 25, READY came" in lines[-1]

    main()


def test_a_display_or_input_that_cannot_be_opened_is_wrong_with_its_cure(site: Site) -> None:
    @virtual
    async def main(clock: VirtualClock) -> None:
        config, wires, lines = site.config, Ports(), list[str]()
        os.close(site.slave)
        os.close(site.master)
        (site.folder / "event0").unlink()
        board_wires(wires, config.boards, 1, clock)
        handset_wires(wires, config.handsets, None, 0, clock)
        report = Report(lines.append)
        await check_boards(wires, clock, 15, report)
        await check_handsets(wires, [Known(4, "keeper", "four")], clock, 1, report)
        wrong = [line for line in lines if line.startswith("WRONG")]
        assert [line.split(":")[0] for line in wrong] == ["WRONG  Text", "WRONG  handset 4"]
        assert "plug the adapter in" in wrong[0]

    main()
