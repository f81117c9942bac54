"""Reads the test vectors from ``hardware/PROTOCOL.md``, the page that firmware is written from."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

PAGE = Path(__file__).parents[2] / "hardware" / "PROTOCOL.md"


@dataclass(frozen=True)
class Vector:
    """One line of a ``vectors`` block: what, its fields, and the result in hexadecimal.

    ``given`` are the fields that hold for the rest of the block.
    """

    what: str
    fields: Mapping[str, str]
    result: str
    given: Mapping[str, str]

    @property
    def wire(self) -> bytes:
        return unhex(self.result)

    @property
    def content(self) -> bytes:
        """The result without the delimiters of its frame."""
        assert self.wire[:1] == b"\0" == self.wire[-1:], self
        return self.wire[1:-1]

    def number(self, field: str) -> int:
        return int(self.fields[field])

    def optional(self, field: str) -> int | None:
        """A decimal number, None for ``none``."""
        return None if self.fields[field] == "none" else self.number(field)

    def given_bytes(self, field: str) -> bytes:
        """``handset_key``, ``broadcast_key`` or ``session`` of the block."""
        return unhex(self.given[field])

    def hexadecimal(self, field: str) -> int:
        return int(self.fields[field], 16)

    def __str__(self) -> str:
        return " ".join([self.what, *(f"{name}={text}" for name, text in self.fields.items())])


def unhex(text: str) -> bytes:
    """Give the bytes of ``text``; ``01..FE`` in it are the bytes from 01 up to FE."""

    def run(found: re.Match[str]) -> str:
        return bytes(range(int(found[1], 16), int(found[2], 16) + 1)).hex()

    return bytes.fromhex(re.sub(r"([0-9A-F]{2})\.\.([0-9A-F]{2})", run, text))


def vectors(*wanted: str) -> list[Vector]:
    """Give the vectors of the page that are ``wanted`` ("show", "press" ...), in order."""
    found = []
    for block in re.findall(r"^```vectors\n(.*?)^```", PAGE.read_text("utf-8"), re.M | re.S):
        given: dict[str, str] = {}
        for line in block.replace("\n  ->", " ->").splitlines():
            left, _, result = line.partition(" -> ")
            what, *pairs = left.split()
            fields = dict(pair.split("=", 1) for pair in pairs)
            if what == "given":
                given = fields
            elif what in wanted:
                found.append(Vector(what, fields, result, given))
    assert {vector.what for vector in found} == set(wanted), f"the page lacks some of {wanted}"
    return found


def refused(reader: str) -> list[Vector]:
    """Give the frames of the page that ``reader`` ("show", "press" ...) has to refuse."""
    found = [vector for vector in vectors("refused") if vector.fields["as"] == reader]
    assert found, f"the page has nothing that {reader} refuses"
    return found
