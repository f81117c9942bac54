"""What a driver declares: every kind has its module, and every driver a test of its own."""

from __future__ import annotations

import inspect
import subprocess
import sys
from pathlib import Path

import pytest

from drivers.base import Port
from drivers.board.kinds import BOARD_KINDS
from drivers.handset.kinds import HANDSET_KINDS
from drivers.kind import DeviceTable, DriverKind, Site
from drivers.port.memory_port import MemoryPort
from drivers.port.serial_port import SerialPort

ROOT = Path(__file__).resolve().parents[2]
KINDS = (*BOARD_KINDS, *HANDSET_KINDS)


def named(kind: DriverKind) -> str:
    return f"{kind.folder}.{kind.name}"


@pytest.mark.parametrize("kind", KINDS, ids=named)
def test_a_kind_has_its_driver_which_can_be_built_and_reads_its_table(kind: DriverKind) -> None:
    assert len(inspect.signature(kind.module.build).parameters) == 2
    assert hasattr(kind.module, "read_table") is kind.has_table
    assert kind.baud in kind.bauds


@pytest.mark.parametrize("kind", KINDS, ids=named)
def test_a_driver_has_a_test_of_its_own(kind: DriverKind) -> None:
    test = ROOT / "tests" / Path(*kind.folder.split(".")) / f"test_{kind.name}.py"
    assert test.is_file(), f"{named(kind)} needs {test.relative_to(ROOT)}"


@pytest.mark.parametrize("kinds", [BOARD_KINDS, HANDSET_KINDS], ids=["boards", "handsets"])
def test_the_first_kind_is_read_where_a_file_names_none(kinds: tuple[DriverKind, ...]) -> None:
    assert kinds[0].needs_port and not kinds[0].has_table
    assert len({kind.name for kind in kinds}) == len(kinds)


def test_a_table_says_nothing_to_others_of_itself() -> None:
    table = DeviceTable()
    assert (table.pins_used, table.address, table.keys) == ((), "", ())


def test_a_site_puts_what_listens_before_every_port() -> None:
    made: list[Port] = []

    def listen(port: Port) -> Port:
        made.append(port)
        return port

    site = Site(lambda: 0, listen=listen)
    port = site.serial_port("/dev/pair", 9600, parity="even", stop_bits=2)
    near, far = site.memory_line("near", "far")
    assert made == [port, near]
    assert isinstance(port, SerialPort) and port.name == "/dev/pair"
    assert isinstance(near, MemoryPort) and (near.name, far.name) == ("near", "far")


def test_naming_the_kinds_loads_no_driver() -> None:
    code = (
        f"import sys\nsys.path.insert(0, {str(ROOT)!r})\n"
        "import drivers.board.kinds, drivers.handset.kinds\n"
        "print(*sorted(each for each in sys.modules if each.startswith('drivers.')))\n"
        "assert 'asyncio' not in sys.modules\n"
    )
    command = [sys.executable, "-I", "-S", "-c", code]
    assert subprocess.check_output(command, text=True).split() == [
        "drivers.base",
        "drivers.board",
        "drivers.board.kinds",
        "drivers.handset",
        "drivers.handset.kinds",
        "drivers.handset.layouts",
        "drivers.kind",
    ]
