"""Sets the pocket card in type with reportlab: everything is measured before it is drawn.

The type is Helvetica, one of the fourteen fonts that every reader of PDF has (ISO 32000-1,
9.6.2.2). Black and white alone carry the meaning: a filled bar is a count that runs, an outlined
one a count that is held.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final
from xml.sax.saxutils import escape

from controller.card.content import CAUTION, CardRow, Count, Item, KeyRow

SMALLEST: Final = 6.5
"""Points. Below this nobody reads a card on a sideline (common practice, no source)."""
BOLD, PLAIN = "Helvetica-Bold", "Helvetica"
_NUMERAL: Final = 2.3
"""Height of a count's numeral, in type sizes."""
_GUTTER: Final = 10.0
_QUIET: Final = "#404040"
_DAGGER: Final = "\N{DAGGER}"
_BOX: Final = '<font name="ZapfDingbats">\N{LOWER RIGHT DROP-SHADOWED WHITE SQUARE}</font>'
_TIED: Final = "\N{NO-BREAK SPACE}"
_LOCAL: Final = '<font backColor="black" color="white"><b>\u00a0LOCAL\u00a0</b></font>'


class DoesNotFitError(Exception):
    """The text does not fit at this size."""


def check_width(part: Any, width: float) -> None:
    """A word wider than its column would stand out of it."""
    narrowest = getattr(part, "minWidth", None)
    if narrowest is not None and narrowest() > width:
        raise DoesNotFitError


def height_of(part: Any, width: float) -> float:
    """Height in points; raises :class:`DoesNotFitError` where a word is too wide."""
    check_width(part, width)
    return float(part.wrap(width, 10_000)[1])


class Gap:
    """White."""

    def __init__(self, height: float) -> None:
        self._high = height

    def wrap(self, width: float, _height: float) -> tuple[float, float]:
        """Width and height in points."""
        return width, self._high

    def drawOn(self, canvas: Any, x: float, y: float) -> None:
        """Nothing to draw."""


class Ruled:
    """A paragraph above a line."""

    def __init__(self, text: Any) -> None:
        self._text = text
        self._wide = 0.0

    def minWidth(self) -> float:
        """Width of the widest word in points."""
        return float(self._text.minWidth())

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Width and height in points."""
        self._wide = width
        return width, self._text.wrap(width, height)[1] + 3

    def drawOn(self, canvas: Any, x: float, y: float) -> None:
        self._text.drawOn(canvas, x, y + 3)
        canvas.setStrokeGray(0)
        canvas.setLineWidth(0.7)
        canvas.line(x, y + 1.2, x + self._wide, y + 1.2)


class Bar:
    """A count's heading: filled if it runs, outlined if it is held."""

    def __init__(self, count: Count, size: float) -> None:
        self._count, self._size = count, size
        self._wide = 0.0

    def wrap(self, width: float, _height: float) -> tuple[float, float]:
        """Width and height in points."""
        self._wide = width
        return width, self._size * _NUMERAL * 0.72 + self._size * 1.3

    def drawOn(self, canvas: Any, x: float, y: float) -> None:
        size, pad = self._size, self._size * 0.5
        _, high = self.wrap(self._wide, 0)
        ink = 0 if self._count.held else 1
        canvas.setFillGray(0 if not self._count.held else 1)
        canvas.setStrokeGray(0)
        canvas.setLineWidth(1.2)
        canvas.rect(x + 0.6, y + 0.6, self._wide - 1.2, high - 1.2, stroke=1, fill=1)
        canvas.setFillGray(ink)
        left = x + pad
        if self._count.number:
            left = self._say(canvas, self._count.number, left, y + size * 0.5, size * _NUMERAL)
            left += pad
        small = max(SMALLEST, size * 0.85)
        line = y + high / 2 if self._count.how else y + (high - size * 0.75) / 2
        right = self._say(canvas, self._count.starts, left, line + size * 0.1, size * 1.25)
        if self._count.how:
            below = self._say(canvas, self._count.how, left, y + size * 0.5, small, PLAIN)
            right = max(right, below)
        canvas.setFillGray(0)
        if right > x + self._wide - 3:
            raise DoesNotFitError

    @staticmethod
    def _say(  # noqa: PLR0917
        canvas: Any, words: str, x: float, y: float, size: float, font: str = BOLD
    ) -> float:
        """Draw a line; where it ends."""
        canvas.setFont(font, size)
        canvas.drawString(x, y, words)
        return x + float(canvas.stringWidth(words, font, size))


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in points; ``y`` is its lower edge."""

    x: float
    y: float
    width: float
    height: float

    def columns(self) -> list[Box]:
        """Its two columns."""
        width = (self.width - _GUTTER) / 2
        right = self.x + width + _GUTTER
        return [Box(x, self.y, width, self.height) for x in (self.x, right)]

    def below(self, taken: float) -> Box:
        """What is left below the uppermost ``taken`` points."""
        return Box(self.x, self.y, self.width, self.height - taken)

    def top(self, high: float) -> Box:
        """Its uppermost ``high`` points."""
        return Box(self.x, self.y + self.height - high, self.width, high)


@dataclass(frozen=True, slots=True)
class Head:
    """What stands at the head of the card."""

    title: str
    season: str
    adopted: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Block:
    """What stays together. ``gap`` points come before it, and ``again`` at the head of a column."""

    parts: tuple[Any, ...]
    gap: float = 0.0
    again: Any = None


class Setter:
    """One page of ``page`` points, width and height, in type of ``size`` points.

    Raises ``ImportError`` without reportlab; every method :class:`DoesNotFitError`.
    """

    def __init__(self, page: tuple[float, float], size: float, title: str) -> None:
        from reportlab.lib.styles import ParagraphStyle  # noqa: PLC0415 - an optional library
        from reportlab.pdfgen.canvas import Canvas  # noqa: PLC0415
        from reportlab.platypus import Paragraph, Table  # noqa: PLC0415

        self._page, self.size, self._out = page, size, io.BytesIO()
        # invariant: no date and no random identifier, so that two cards can be compared.
        self.canvas: Any = Canvas(self._out, pagesize=page, invariant=1, pageCompression=1)
        self.canvas.setTitle(title)
        self.canvas.setAuthor("playclock")
        self._style, self._paragraph, self._table = ParagraphStyle, Paragraph, Table

    def finish(self) -> bytes:
        """The page as PDF."""
        self.canvas.showPage()
        self.canvas.save()
        return self._out.getvalue()

    # Pieces

    def text(self, words: str, size: float = 0, font: str = PLAIN, bullet: str = "") -> Any:
        """A paragraph; ``words`` may hold marks of type and is otherwise escaped already."""
        points = max(SMALLEST, size or self.size)
        style = self._style(
            "card",
            fontName=font,
            fontSize=points,
            leading=points * 1.17,
            leftIndent=points * 0.8 if bullet else 0,
            bulletFontName=PLAIN,
            bulletFontSize=points,
        )
        return self._paragraph(words, style, bulletText=bullet or None)

    def heading(self, words: str) -> Any:
        """A section's heading with its rule."""
        return Ruled(self.text(escape(words.upper()), self.size, BOLD))

    def item(self, item: Item) -> Any:
        """One ending."""
        words = escape(item.words) + _marks(item.unsettled, item.local)
        return self.text(words, bullet="\N{BULLET}")

    def row(self, row: CardRow) -> Any:
        """A thing and what it means."""
        source = f' <font size="{SMALLEST}" color="{_QUIET}">[{escape(row.source)}]</font>'
        marks = _marks(row.unsettled, row.local)
        words = f"<b>{escape(row.head)}:</b> {escape(row.words)}{marks}"
        return self.text(words + (source if row.source else ""))

    def cells(self, cells: Sequence[Any], widths: Sequence[float], pad: float = 1.2) -> Any:
        """Paragraphs side by side above a thin line."""
        for cell, width in zip(cells, widths, strict=True):
            check_width(cell, width - 3)
        table = self._table([list(cells)], colWidths=list(widths))
        table.setStyle(
            [
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 3),
                ("TOPPADDING", (0, 0), (-1, -1), pad),
                ("BOTTOMPADDING", (0, 0), (-1, -1), pad),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, -1), 0.3, "#909090"),
            ]
        )
        return table

    # Sections

    def count(self, count: Count) -> Iterable[Block]:
        """One answer, with its endings."""
        bar = Bar(count, self.size)
        again = Ruled(self.text(f"{escape(count.name)}, continued", font=BOLD))
        first: tuple[Any, ...] = (bar,)
        gap = self.size * 0.9
        for group, items in count.groups:
            label = self.text(f'<font color="{_QUIET}">{escape(group.upper())}</font>', 1, BOLD)
            first = (*first, Gap(self.size * 0.25), label)
            for item in items:
                yield Block((*first, self.item(item)), gap, None if bar in first else again)
                first, gap = (), 0.0

    def rows(self, name: str, rows: Iterable[CardRow]) -> list[Block]:
        """A section of things and what they mean."""
        first: tuple[Any, ...] = (self.heading(name),)
        blocks, gap = [], self.size * 0.9
        for row in rows:
            blocks.append(Block((*first, self.row(row)), gap))
            first, gap = (), self.size * 0.25
        return blocks

    def legend(self, *, unsettled: bool, local: bool) -> list[Block]:
        """What the marks mean."""
        words = []
        if unsettled:
            words.append(f"{_DAGGER} not settled by any source: a default. Ask the referee.")
        if local:
            words.append(f"{_LOCAL} local adoption, not the published rule.")
        return [Block((self.text(each, SMALLEST),), self.size * 0.5) for each in words]

    def choices(self, name: str, rows: Sequence[tuple[str, Sequence[str]]], width: float) -> Block:
        """What the crew ticks or writes down."""
        widths, lines = (width * 0.24, width * 0.76), []
        for label, values in rows:
            ticks = f"{_TIED}{_TIED} ".join(
                _BOX + escape(f" {each}").replace(" ", _TIED) for each in values
            )
            cells = [self.text(escape(label), font=BOLD), self.text(ticks)]
            lines.append(self.cells(cells, widths, pad=self.size * 0.4))
        return Block((self.heading(name), *lines), self.size * 0.9)

    def keys(self, name: str, rows: Sequence[KeyRow], width: float) -> list[Block]:
        """The table of a handset's keys."""
        widths = [width * share for share in (0.175, 0.3, 0.265, 0.26)]
        names = [name, "once", "twice", "hold, or taps"]
        header = [self.text(f"<b>{escape(each)}</b>", SMALLEST) for each in names]
        first: tuple[Any, ...] = (
            self.heading(name),
            self.cells([self.text(""), *header[1:]], widths),
        )
        blocks, gap = [], self.size * 0.9
        for row in rows:
            label = self.text(escape(row.label), font=BOLD)
            cells = [label, *(self.text(escape(each)) for each in row[1:])]
            blocks.append(Block((*first, self.cells(cells, widths)), gap))
            first, gap = (), 0.0
        return blocks

    def pairs(self, name: str, pairs: Sequence[tuple[str, str]], width: float) -> Block:
        """Short pairs in two columns."""
        texts = [self.text(f"<b>{escape(a)}</b>: {escape(b)}") for a, b in pairs]
        if len(texts) % 2:
            texts.append(self.text(""))
        half = len(texts) // 2
        widths = (width / 2, width / 2)
        lines = [self.cells(two, widths) for two in zip(texts[:half], texts[half:], strict=True)]
        return Block((self.heading(name), *lines), self.size * 0.9)

    def head(self, head: Head, box: Box) -> Box:
        """Draw the head of the card at the top of ``box``; what is left of it."""
        parts = [
            self.text(escape(head.title), self.size * 2, BOLD),
            Gap(self.size * 0.2),
            self.text(f"<b>PLAY CLOCK CARD</b> \N{MIDDLE DOT} {escape(head.season)}", self.size),
            Gap(self.size * 0.3),
        ]
        if head.adopted:
            words = escape("; ".join(head.adopted))
            parts += [self.text(f"{_LOCAL} <b>LOCAL ADOPTION:</b> {words}"), Gap(self.size * 0.3)]
        parts += [Ruled(self.text(escape(CAUTION), SMALLEST)), Gap(self.size * 0.5)]
        return self.flow([Block(tuple(parts))], [box])

    def flow(self, blocks: Sequence[Block], boxes: Sequence[Box]) -> Box:
        """Draw the blocks into the boxes in turn; what is left of the last box used."""
        left, rest = self._run(blocks, boxes)
        if left:
            raise DoesNotFitError
        return rest

    def fill(self, blocks: Sequence[Block], boxes: Sequence[Box]) -> list[Block]:
        """Draw as many blocks as the boxes hold; those that are left."""
        return self._run(blocks, boxes)[0]

    def level(self, blocks: Sequence[Block], box: Box) -> Box:
        """Draw the blocks in two columns about equally high; what is left of the box below."""
        high = 0.0
        while high < box.height:
            high = min(high + self.size, box.height)
            columns = [each.top(high) for each in box.columns()]
            if not self._run(blocks, columns, draw=False)[0]:
                self._run(blocks, columns)
                return box.below(high)
        raise DoesNotFitError

    def _run(
        self, blocks: Sequence[Block], boxes: Sequence[Box], *, draw: bool = True
    ) -> tuple[list[Block], Box]:
        """The blocks that did not fit, and what is left of the last box used."""
        at, used = 0, 0.0
        for k, block in enumerate(blocks):
            parts, gap = block.parts, block.gap if used else 0.0
            if used + gap + self._high(parts, boxes[at]) > boxes[at].height:
                at, used, gap = at + 1, 0.0, 0.0
                parts = (block.again, *parts) if block.again else parts
                if at == len(boxes) or self._high(parts, boxes[at]) > boxes[at].height:
                    return [Block(parts), *blocks[k + 1 :]], boxes[-1]
            used += gap
            for part in parts:
                used += height_of(part, boxes[at].width)
                if draw:
                    box = boxes[at]
                    part.drawOn(self.canvas, box.x, box.y + box.height - used)
        return [], boxes[at].below(used)

    @staticmethod
    def _high(parts: Sequence[Any], box: Box) -> float:
        return sum(height_of(part, box.width) for part in parts)

    def folds(self) -> None:
        """The two lines to fold at."""
        width, height = self._page
        self.canvas.setStrokeGray(0.5)
        self.canvas.setLineWidth(0.4)
        self.canvas.setDash(3, 3)
        self.canvas.line(0, height / 2, width, height / 2)
        self.canvas.line(width / 2, 0, width / 2, height)
        self.canvas.setDash()
        self._label("fold here, print outside", 20, height / 2)
        self._label("fold", width / 2 - 6, height - 20)

    def _label(self, words: str, x: float, y: float) -> None:
        wide = self.canvas.stringWidth(words, PLAIN, SMALLEST)
        self.canvas.setFillGray(1)
        self.canvas.rect(x - 2, y - 4, wide + 4, 8, stroke=0, fill=1)
        self.canvas.setFillGray(0.25)
        self.canvas.setFont(PLAIN, SMALLEST)
        self.canvas.drawString(x, y - 2.3, words)


def _marks(unsettled: bool, local: bool) -> str:
    return ("\u00a0" + _DAGGER if unsettled else "") + ("\u00a0" + _LOCAL if local else "")
