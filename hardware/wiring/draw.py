"""Draws the wiring: each ``NAME.toml`` beside this file becomes ``NAME.svg``.

    python3 hardware/wiring/draw.py            draws all sheets
    python3 hardware/wiring/draw.py --check    says which drawings are not what their text gives

A sheet is a table ``sheet`` (title, width, height), parts, wires and notes. Lengths are pixels.

``[[part]]`` has ``id``, ``at = [x, y]``, ``width``, ``name`` and ``lines`` of text inside. ``left``
and ``right`` are its pins from top to bottom, each ``"pin port | net | what holds it"``, where net
and hold may be left out; ``"-"`` is an empty row.

``[[wire]]`` has ``path``: it starts and ends at an anchor, a pin as ``part.pin`` or a side as
``part.l``, ``.r``, ``.t`` or ``.b``, and goes over ``x120`` (across to there) or ``y80`` (up or
down to there) between. ``label`` stands above its first level piece that has room, ``kind`` is
signal, supply, ground or field. ``[[note]]`` has ``at`` and ``lines``.

A sheet where text meets other text, a wire or the edge of a part is refused: it would be hard to
read. Standard library only.
"""

from __future__ import annotations

import sys
import tomllib
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

FOLDER = Path(__file__).resolve().parent
SIZE, ROW, CHAR = 12, 24, 7.25
"""Height of letters, of a row, and width of a letter of a monospaced face, which has 0.6 of its
height; a little more is allowed for."""
TITLE_SIZE = 20
FACE = "DejaVu Sans Mono, Liberation Mono, monospace"
STUB, GAP, SIDE = 14, 8, 28
COLOURS = {"signal": "#1f4e79", "supply": "#b02020", "ground": "#303030", "field": "#6a3d9a"}

Point = tuple[float, float]
Box = tuple[float, float, float, float]


class SheetError(ValueError):
    """A sheet that cannot be drawn or not be read; the message names it and the place."""


@dataclass(slots=True)
class Sheet:
    """One drawing under way: the shapes so far, and what must not meet."""

    name: str
    shapes: list[str] = field(default_factory=list)
    words: list[tuple[Box, str]] = field(default_factory=list)
    boxes: list[tuple[Box, str]] = field(default_factory=list)
    pieces: list[tuple[Point, Point, str]] = field(default_factory=list)
    anchors: dict[str, Point] = field(default_factory=dict)

    def text(self, at: Point, words: str, *, bold: bool = False, size: int = SIZE) -> None:
        """Words that begin at ``at``, on their base line."""
        x, y = at
        wide = len(words) * CHAR * size / SIZE
        self.words.append(((x, y - 0.8 * size, x + wide, y + 0.25 * size), words))
        weight = ' font-weight="bold"' if bold else ""
        self.shapes.append(
            f'<text x="{x:g}" y="{y:g}" font-size="{size}"{weight}>{escape(words)}</text>'
        )

    def line(self, points: list[Point], kind: str, what: str) -> None:
        """A wire along ``points``."""
        if kind not in COLOURS:
            raise SheetError(f"{self.name}: {what}: kind {kind!r}: must be one of {[*COLOURS]}")
        self.pieces += [(a, b, what) for a, b in pairwise(points) if a != b]
        drawn = " ".join(f"{x:g},{y:g}" for x, y in points)
        self.shapes.append(
            f'<polyline points="{drawn}" fill="none" stroke="{COLOURS[kind]}" stroke-width="1.6"/>'
        )

    def part(self, part: dict[str, Any]) -> None:
        """A part with its pins."""
        (x, y), wide, key = part["at"], part["width"], part["id"]
        left, right, lines = (part.get(each, []) for each in ("left", "right", "lines"))
        rows = max(len(left), len(right))
        head = 22 + 16 * len(lines) + (6 if rows else 0)
        tall = head + rows * ROW + (4 if rows else 2)
        dash = ' stroke-dasharray="6 4"' if part.get("optional") else ""
        self.boxes.append(((x, y, x + wide, y + tall), key))
        self.shapes.append(
            f'<rect x="{x}" y="{y}" width="{wide}" height="{tall}" rx="3" fill="#fdfdf6" '
            f'stroke="#303030" stroke-width="1.4"{dash}/>'
        )
        self.text((x + GAP, y + 17), part["name"], bold=True)
        for n, words in enumerate(lines):
            self.text((x + GAP, y + 33 + 16 * n), words)
        middle = {"l": (x, y + SIDE), "r": (x + wide, y + SIDE)}
        middle |= {"t": (x + wide / 2, y), "b": (x + wide / 2, y + tall)}
        self.anchors |= {f"{key}.{side}": at for side, at in middle.items()}
        for side, pins in ((-1, left), (1, right)):
            for n, pin in enumerate(pins):
                if pin != "-":
                    edge = x if side < 0 else x + wide
                    self.pin(key, pin, (edge, y + head + n * ROW + ROW / 2), side)

    def pin(self, key: str, pin: str, at: Point, side: int) -> None:
        """One pin: its words inside, net and hold outside. ``side`` is -1 left, 1 right."""
        words, net, hold = [*(each.strip() for each in pin.split("|")), "", ""][:3]
        x, y = at
        wide = len(words) * CHAR
        self.text((x + GAP if side < 0 else x - GAP - wide, y + 4), words)
        anchor = f"{key}.{words.split()[0]}"
        if anchor in self.anchors:
            raise SheetError(f"{self.name}: {anchor} is there twice")
        self.anchors[anchor] = at
        if not net and not hold:
            return
        end = x + side * (STUB + max(len(net), 1) * CHAR + GAP)
        kind = "ground" if net in ("ground", "0 V") else "signal"
        kind = "supply" if net.endswith(" V") and net != "0 V" else kind
        self.line([(x, y), (end, y)], kind, anchor)
        self.text((min(x, end) + (GAP if side > 0 else STUB), y - 4), net)
        self.anchors[anchor] = (end, y)
        if hold:
            wide = len(hold) * CHAR + 2 * 5
            start = end if side > 0 else end - wide
            self.shapes.append(
                f'<rect x="{start:g}" y="{y - 9:g}" width="{wide:g}" height="18" rx="9" '
                f'fill="#eef3f8" stroke="#7a8ea3"/>'
            )
            self.text((start + 5, y + 4), hold)
            self.anchors[anchor] = (start + wide if side > 0 else start, y)

    def wire(self, wire: dict[str, Any]) -> None:
        """A wire from anchor to anchor."""
        path, what = wire["path"], " - ".join(wire["path"])
        for end in (path[0], path[-1]):
            if end not in self.anchors:
                raise SheetError(f"{self.name}: wire {what}: there is no {end}")
        points, goal = [self.anchors[path[0]]], self.anchors[path[-1]]
        last = ""
        for step in path[1:-1]:
            x, y = points[-1]
            points.append((float(step[1:]), y) if step[0] == "x" else (x, float(step[1:])))
            last = step[0]
        x, y = points[-1]
        if last:
            points.append((x, goal[1]) if last == "x" else (goal[0], y))
        elif x != goal[0] and y != goal[1]:
            raise SheetError(f"{self.name}: wire {what}: {points[-1]} to {goal} is not straight")
        points.append(goal)
        self.line(points, wire.get("kind", "signal"), what)
        if "label" in wire:
            self.label(points, wire["label"])

    def label(self, points: list[Point], words: str) -> None:
        """Words above the first level piece that is long enough, else the longest."""
        wide = len(words) * CHAR
        level = [(a, b) for a, b in pairwise(points) if a[1] == b[1] and a != b]
        if not level:
            (x, y), (_, below) = points[0], points[1]
            self.text((x + 6, (y + below) / 2 + 4), words)
            return
        fits = [(a, b) for a, b in level if abs(a[0] - b[0]) >= wide + 4]
        a, b = fits[0] if fits else max(level, key=lambda piece: abs(piece[0][0] - piece[1][0]))
        self.text(((a[0] + b[0] - wide) / 2, a[1] - 4), words)

    def check(self, width: float, height: float) -> None:
        """Raise :class:`SheetError` for what could not be read."""
        wrong = [
            f"{words!r} leaves the sheet"
            for box, words in self.words
            if not (box[0] >= 0 and box[1] >= 0 and box[2] <= width and box[3] <= height)
        ]
        wrong += [
            f"{a!r} meets {b!r}"
            for (first, a), (second, b) in combinations(self.words, 2)
            if _meet(first, second)
        ]
        for box, words in self.words:
            wrong += [
                f"{words!r} meets wire {what}"
                for a, b, what in self.pieces
                if _meet(box, _around(a, b))
            ]
            wrong += [
                f"{words!r} meets the edge of {key}"
                for edge, key in self.boxes
                if _meet(box, edge) and not _inside(box, edge)
            ]
        for edge, key in self.boxes:
            inner = (edge[0] + 1, edge[1] + 1, edge[2] - 1, edge[3] - 1)
            wrong += [
                f"wire {what} goes through {key}"
                for a, b, what in self.pieces
                if _meet(inner, _around(a, b))
            ]
        wrong += [
            f"{a} meets {b}"
            for (first, a), (second, b) in combinations(self.boxes, 2)
            if _meet(first, second)
        ]
        if wrong:
            raise SheetError("\n".join(f"{self.name}: {each}" for each in wrong))


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _inside(a: Box, b: Box) -> bool:
    return a[0] >= b[0] and a[1] >= b[1] and a[2] <= b[2] and a[3] <= b[3]


def _around(a: Point, b: Point) -> Box:
    return (min(a[0], b[0]), min(a[1], b[1]) - 0.5, max(a[0], b[0]), max(a[1], b[1]) + 0.5)


def drawn(source: Path) -> str:
    """The drawing of one sheet. Raises :class:`SheetError`."""
    raw = tomllib.loads(source.read_text(encoding="utf-8"))
    sheet, about = Sheet(source.name), raw["sheet"]
    width, height = about["width"], about["height"]
    sheet.text((24, 36), about["title"], bold=True, size=TITLE_SIZE)
    for part in raw.get("part", []):
        sheet.part(part)
    for wire in raw.get("wire", []):
        sheet.wire(wire)
    for note in raw.get("note", []):
        x, y = note["at"]
        for n, words in enumerate(note["lines"]):
            sheet.text((x, y + 17 * n), words)
    sheet.check(width, height)
    shapes = "\n".join(sheet.shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="{FACE}" xml:space="preserve">'
        f"\n<title>{escape(about['title'])}</title>"
        f'\n<rect width="{width}" height="{height}" fill="#ffffff"/>\n{shapes}\n</svg>\n'
    )


def main(arguments: list[str]) -> int:
    """Draw, or check; 1 when a drawing is out of date, 2 when a sheet cannot be drawn."""
    stale = []
    for source in sorted(FOLDER.glob("*.toml")):
        try:
            picture = drawn(source)
        except (SheetError, tomllib.TOMLDecodeError) as error:
            print(error, file=sys.stderr)
            return 2
        target = source.with_suffix(".svg")
        if arguments != ["--check"]:
            target.write_text(picture, encoding="utf-8")
        elif not target.exists() or target.read_text(encoding="utf-8") != picture:
            stale.append(target.name)
    if stale:
        print(f"not what their text gives: {', '.join(stale)}", file=sys.stderr)
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
