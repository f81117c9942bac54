from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.firmware.building import FIRMWARE

pytestmark = pytest.mark.needs_avr

PROGRAMMED: dict[str, dict[str, list[str]]] = {
    "board": {
        "LOW": ["CKSEL3"],
        "HIGH": ["SPIEN", "WDTON", "EESAVE", "BOOTSZ0", "BOOTSZ1"],
        "EXTENDED": ["BODLEVEL0", "BODLEVEL1"],
    },
    "handset": {
        "LOW": [],
        "HIGH": ["SPIEN", "BOOTSZ0", "BOOTSZ1"],
        "EXTENDED": ["BODLEVEL1"],
    },
}


@pytest.mark.parametrize("part", PROGRAMMED)
def test_the_fuses_are_the_bits_that_the_readme_names(part: str) -> None:
    """Bit by bit, names and places of avr-libc's header; a programmed bit is 0."""
    header = Path("/usr/lib/avr/include/avr/iom328p.h").read_text()
    places = {name: int(bit) for name, bit in re.findall(r"FUSE_(\w+)\s.*_BV\((\d)\)", header)}
    makefile = (FIRMWARE / part / "Makefile").read_text()
    readme = (FIRMWARE / "README.md").read_text()
    for which, names in PROGRAMMED[part].items():
        value = 0xFF
        for name in names:
            value &= ~(1 << places[name])
        assert f"{which}_FUSE = 0x{value:02X}\n" in makefile
        assert f"| {which.lower()} | {value:02X} |" in readme
