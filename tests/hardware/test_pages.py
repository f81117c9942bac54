"""The pages on latency and failures: sums that are right, tests that are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drivers.board.messages import DARK, Show, encode_show
from drivers.handset.messages import PressFrame, encode_press

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
BYTE_MS = 10_000 / 38_400
TYPICAL_MS, WINDOW_MS = 45.0, 65.0


def hops() -> tuple[list[tuple[str, float, float, str]], tuple[float, float]]:
    """The rows of the table: hop, typical, in a reply window, source; and the sums it gives."""
    rows, sums = [], (0.0, 0.0)
    for line in (HARDWARE / "LATENCY.md").read_text("utf-8").splitlines():
        cells = [cell.strip().strip("*") for cell in line.strip("|").split("|")]
        if len(cells) != 4 or not re.fullmatch(r"[0-9.]+", cells[1]):
            continue
        if cells[0] == "sum":
            sums = float(cells[1]), float(cells[2])
        else:
            rows.append((cells[0], float(cells[1]), float(cells[2]), cells[3]))
    return rows, sums


def test_the_hops_add_up_and_are_within_the_goals() -> None:
    rows, sums = hops()
    assert len(rows) == 12
    assert sums == pytest.approx((sum(row[1] for row in rows), sum(row[2] for row in rows)))
    assert sums[0] <= TYPICAL_MS and sums[1] <= WINDOW_MS
    for hop, typical, window, source in rows:
        assert typical <= window, hop
        assert re.match(r"(m: |a: |d: |PROTOCOL\.md)", source), f"{hop}: where from?"


def test_the_times_on_the_line_are_those_of_the_frames() -> None:
    press = len(encode_press(PressFrame(1, 1, 1, 0, 1, 20), 1, bytes(range(16))))
    show = len(encode_show(Show(1, 1, DARK, 15, 0, 3)))
    lines = [
        (hop, typical)
        for hop, typical, _, _ in hops()[0]
        if " bytes" in hop and "on the air" not in hop
    ]
    assert [(hop.split()[0], typical) for hop, typical in lines] == [
        ("PRESS", round(press * BYTE_MS, 1)),
        ("PRESS", round(press * BYTE_MS, 1)),
        ("SHOW", round(show * BYTE_MS, 1)),
    ]


def named_tests() -> list[str]:
    """Every test that FMEA.md names."""
    page = (HARDWARE / "FMEA.md").read_text("utf-8")
    return sorted(set(re.findall(r"`(tests/[\w/]+\.py::\w+)`", page)))


@pytest.mark.parametrize("name", named_tests())
def test_every_test_that_the_failures_name_is_there(name: str) -> None:
    file, function = name.split("::")
    if file.startswith("tests/firmware/") and not (ROOT / "tests" / "firmware").is_dir():
        pytest.skip("the firmware's tests are not in this checkout")
    text = (ROOT / file).read_text("utf-8")
    assert re.search(rf"^(async )?def {function}\(", text, re.M)


def test_every_failure_has_a_test_or_says_that_it_has_none() -> None:
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in (HARDWARE / "FMEA.md").read_text("utf-8").splitlines()
        if line.startswith("| ") and not line.startswith(("| failure", "| **"))
    ]
    assert len(rows) >= 35
    for failure, seen, told, test in rows:
        assert seen and told, failure
        assert "::" in test or test.startswith("none: "), failure
