"""Reads the tables of the pages in ``hardware/``, for the tests that hold them to the code."""

from __future__ import annotations

from pathlib import Path

HARDWARE = Path(__file__).parents[2] / "hardware"


def cells(line: str) -> list[str]:
    """The cells of one line of a table."""
    return [cell.strip() for cell in line.strip().strip("|").split("|")]


def rows(text: str, *header: str) -> list[list[str]]:
    """Give the cells of every row below ``header``, over all tables of the page that have it.

    A row may have too few cells or too many: that is for the caller to judge.
    """
    found: list[list[str]] = []
    inside = False
    for line in text.splitlines():
        if not line.startswith("|"):
            inside = False
        elif cells(line) == list(header):
            inside = True
        elif inside and set(line) - set("|- "):
            found.append(cells(line))
    assert found, f"no table with the header {header}"
    return found
