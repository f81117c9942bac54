"""``hardware/THREATS.md``: what it says of a threat is whole, and every test it names exists."""

from __future__ import annotations

import re

from tests.shared.markdown_tables import HARDWARE, rows
from tests.test_fmea_page import exists

PAGE = (HARDWARE / "THREATS.md").read_text("utf-8")
HEADER = ("threat", "what happens", "seen by, how fast", "what remains", "what to do", "shown by")


def test_every_threat_to_a_release_has_its_cells_and_a_test() -> None:
    found = rows(PAGE, *HEADER)
    assert found
    for cells in found:
        assert len(cells) == len(HEADER) and all(cells), cells
        assert cells[-1].startswith("`tests/"), cells


def test_every_test_that_the_page_names_exists() -> None:
    named = re.findall(r"`(tests/[^`]*)`", PAGE)
    assert named and [name for name in named if not exists(name)] == []
